"""What breaks on old cards, drawn at random and bound to a part."""

from __future__ import annotations

import random

from tests.outside.fifth.model import Card, Chip, Fault, Region

CHIP = ["out-stuck", "out-stuck", "pin-open", "pin-open", "dead", "write-lost", "addr-stuck", "addr-stuck",
        "addr-bridge", "bridge", "slow", "leaky", "cell-stuck", "coupled", "row", "cell-leaky"]
COMES_AND_GOES = ["out-stuck", "out-stuck", "pin-open", "pin-open", "dead", "write-lost", "addr-stuck", "slow", "slow",
                  "bridge"]
WORDS = {"pin-open": "floating", "dead": "dead", "write-lost": "write-lost", "addr-stuck": "address-stuck",
         "addr-bridge": "address-bridged", "bridge": "bridged", "slow": "slow", "leaky": "leaky", "coupled": "coupled",
         "row": "unlisted", "cell-leaky": "leaky"}


def of_chip(draw: random.Random, region: Region, chip: Chip, modes: list[str], rate: float) -> Fault:
    """A fault of one memory chip or its socket."""
    mode = draw.choice(modes)
    if mode in ("bridge",) and len(chip.lanes) < 2:
        mode = "out-stuck"
    level = draw.randrange(2)
    lane = draw.choice(chip.lanes)
    word = WORDS.get(mode, "stuck-high" if level else "stuck-low")
    made = Fault(chip.designator, word, "chip", mode, (region.name,), (lane,), level=level, rate=rate)
    bits = (region.size - 1).bit_length()
    if mode in ("dead", "write-lost", "addr-stuck", "addr-bridge", "slow", "leaky"):
        made.lanes = chip.lanes
    if mode == "slow" and len(chip.lanes) > 1 and draw.random() < 0.4:
        made.lanes = (lane,)
    if mode == "leaky":
        made.age_ns = draw.uniform(1.0e6, 6.0e6)
    if mode == "addr-stuck":
        made.lines = (draw.randrange(bits),)
    elif mode == "addr-bridge":
        made.lines = tuple(sorted(draw.sample(range(bits), 2)))
    elif mode == "bridge":
        at = draw.randrange(len(chip.lanes) - 1)
        made.lanes = chip.lanes[at:at + 2]
    elif mode in ("cell-stuck", "cell-leaky"):
        made.scope = "cell"
        made.cell = draw.randrange(region.size)
        made.age_ns = draw.uniform(0.2e6, 1.5e6)
    elif mode == "coupled":
        made.scope = "cell"
        made.cell = draw.randrange(region.size)
        made.other = made.cell ^ (1 << draw.randrange(bits))
    elif mode == "row":
        step = 1 << draw.randrange(4, max(5, bits - 1))  # some address bits choose the row or column
        mask = (region.size - 1) & ~(step - 1) if draw.random() < 0.5 else step - 1
        made.other, made.cell = mask, draw.randrange(region.size) & mask
        made.lanes = (lane,)
    return made


def of_path(draw: random.Random, card: Card, rate: float) -> Fault | None:
    """A fault of a driver, a decoder or a row's wiring; None where the card has no such part."""
    kinds = []
    served = tuple(one.name for one in card.regions if one.buffered)
    if card.buffer:
        kinds += ["buf-stuck", "buf-stuck", "buf-open", "buf-bridge", "dir-in", "dir-out"]
    if card.decoder:
        kinds += ["select-missing", "select-extra"]
    kinds += ["row-addr", "no-answer"]
    if card.address_buffer:
        kinds += ["board-addr", "board-addr"]
    kind = draw.choice(kinds)
    lane, level = draw.randrange(8), draw.randrange(2)
    decoded = [one for one in card.rams() if one.select and card.decoder]
    if kind in ("buf-stuck", "buf-open"):
        word = "floating" if kind == "buf-open" else ("stuck-high" if level else "stuck-low")
        return Fault(card.buffer, word, "buffer", kind, served, (lane,), level=level, rate=rate)
    if kind == "buf-bridge":
        lane = draw.randrange(7)
        return Fault(card.buffer, "bridged", "buffer", kind, served, (lane, lane + 1), rate=rate)
    if kind in ("dir-in", "dir-out"):
        return Fault(card.buffer, "direction-stuck", "buffer", kind, served, tuple(range(8)), rate=rate)
    if kind.startswith("select") and decoded and card.decoder:
        victim = draw.choice(decoded)
        if kind == "select-missing":
            return Fault(card.decoder.designator, kind, "decoder", kind, (victim.name,), rate=rate)
        if len(decoded) < 2:
            return None
        other = draw.choice([one for one in decoded if one is not victim])
        return Fault(card.decoder.designator, kind, "decoder", kind, (victim.name,), aggressor=other.name, rate=rate)
    region = draw.choice(card.rams())
    if kind == "row-addr":
        bits = (region.size - 1).bit_length()
        if len(region.chips) < 2:
            return None
        return Fault(None, "address-stuck", "region", "addr-stuck", (region.name,), tuple(range(8)),
                     (draw.randrange(bits),), level, rate=rate)
    if kind == "no-answer":
        return Fault(None, "no-answer", "region", "no-answer", (region.name,), tuple(range(8)), rate=rate)
    if kind == "board-addr" and card.address_buffer:
        name, lines = card.address_buffer
        return Fault(name, "address-stuck", "board", "addr-stuck", served, tuple(range(8)), (draw.choice(lines),),
                     level, rate=rate)
    return None


def one(draw: random.Random, card: Card, intermittent: bool, path: float = 0.3) -> Fault:
    """A fault somewhere on the card."""
    rate = draw.choice([0.02, 0.05, 0.1, 0.2, 0.4]) if intermittent else 1.0
    made = of_path(draw, card, rate) if draw.random() < path else None
    if made is None:
        region = draw.choice(card.rams())
        made = of_chip(draw, region, draw.choice(region.chips), COMES_AND_GOES if intermittent else CHIP, rate)
    made.seed = draw.getrandbits(32)
    made.bursty = intermittent and draw.random() < 0.4
    return made


def several(draw: random.Random, card: Card, count: int) -> list[Fault]:
    """That many faults of different parts."""
    out: list[Fault] = []
    seen: set[object] = set()
    tries = 0
    while len(out) < count and tries < 400:
        tries += 1
        made = one(draw, card, draw.random() < 0.25, 0.12 if count > 2 else 0.25)
        key = made.component or ("region", made.regions)
        if key in seen or (made.scope in ("buffer", "decoder", "board") and any(
                f.scope in ("buffer", "decoder", "board") for f in out)):
            continue
        if made.mode in ("dir-in", "dir-out", "select-missing", "no-answer") and count > 1 and draw.random() < 0.7:
            continue  # they hide all behind them
        seen.add(key)
        out.append(made)
    return out
