"""What is true of a run: which reads can be compared, which of them each fault spoils, and which answers read alike."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from tests.outside.fifth.engine import Trace
from tests.outside.fifth.machine import Machine
from tests.outside.fifth.model import Card, Fault

Accesses = list[tuple[str, int, int, float]]


def accesses(trace: Trace) -> Accesses:
    """The run's accesses, writes with their data."""
    return [(c.kind, c.address, c.data, t) for c, t in zip(trace.cycles, trace.times, strict=True) if c.kind != "idle"]


def expected(card: Card, run: Accesses, gaps: Sequence[tuple[float, float]] = ()) -> dict[int, int]:
    """Access number of each read that can be compared -> what it should give.

    In a gap nothing is seen, and what memory held before it is not counted on after it.
    """
    ledger: dict[int, int] = {}
    left = sorted(gaps)
    for one in card.regions:
        if one.told is not None:
            ledger.update((one.start + i, byte) for i, byte in enumerate(one.told))
    roms = {a for one in card.regions if one.kind == "rom" for a in range(one.start, one.end + 1)}
    rams = {a for one in card.rams() for a in range(one.start, one.end + 1)}
    out: dict[int, int] = {}
    for i, (kind, address, data, when) in enumerate(run):
        if left and when >= left[0][0] - 3000.0:
            for known in [one for one in ledger if one in rams]:
                del ledger[known]
            if when <= left[0][1]:
                continue
            left.pop(0)
        if kind in ("write", "dma-write"):
            if address in rams:
                ledger[address] = data
        elif kind in ("read", "fetch", "dma-read") and address in ledger and (address in rams or address in roms):
            out[i] = ledger[address]
    return out


def replay(card: Card, faults: Sequence[Fault], run: Accesses, seed: int, where: Iterable[int]) -> list[int]:
    """What the reads numbered `where` give on the card with those faults, the same accesses made."""
    machine = Machine(card, faults, seed, length=len(run) + 1)
    wanted = set(where)
    out: list[int] = []
    for i, (kind, address, data, now) in enumerate(run):
        done = machine.access(kind, address, data, now)
        if i in wanted:
            out.append(done.data)
    return out


def alternatives(card: Card, fault: Fault) -> list[Fault]:
    """Other single faults that might read alike: same lanes or same lines, of other parts or by another name."""
    out: list[Fault] = []
    regions = [one for one in card.regions if one.name in fault.regions]
    lanes = fault.lanes or tuple(range(8))

    def add(component: str | None, word: str, scope: str, mode: str, names: tuple[str, ...], bits: tuple[int, ...] = (),
            **more: object) -> None:
        base = Fault(component, word, scope, mode, names, bits, rate=1.0)
        out.append(replace(base, **more))  # type: ignore[arg-type]

    for region in regions:
        names = (region.name,)
        size = (region.size - 1).bit_length()
        for chip in region.chips:
            mine = tuple(lane for lane in lanes if lane in chip.lanes)
            if not mine:
                continue
            for lane in mine:
                for level in (0, 1):
                    add(chip.designator, "stuck-high" if level else "stuck-low", "chip", "out-stuck", names, (lane,),
                        level=level)
                add(chip.designator, "floating", "chip", "pin-open", names, (lane,))
            add(chip.designator, "floating", "chip", "pin-open", names, chip.lanes)
            add(chip.designator, "slow", "chip", "slow", names, mine)
            add(chip.designator, "dead", "chip", "dead", names, chip.lanes)
            add(chip.designator, "write-lost", "chip", "write-lost", names, chip.lanes)
            if len(mine) == 2:
                add(chip.designator, "bridged", "chip", "bridge", names, mine)
            for line in fault.lines or range(size):
                for level in (0, 1):
                    add(chip.designator, "address-stuck", "chip", "addr-stuck", names, chip.lanes, lines=(line,),
                        level=level)
            if len(fault.lines) == 2:
                add(chip.designator, "address-bridged", "chip", "addr-bridge", names, chip.lanes, lines=fault.lines)
        for line in fault.lines:
            for level in (0, 1):
                add(None, "address-stuck", "region", "addr-stuck", names, tuple(range(8)), lines=(line,), level=level)
        if len(lanes) == 8:
            add(None, "no-answer", "region", "no-answer", names, lanes)
        if region.select and card.decoder:
            add(card.decoder.designator, "select-missing", "decoder", "select-missing", names)
            for other in card.rams():
                if other is not region and other.select:
                    add(card.decoder.designator, "select-extra", "decoder", "select-extra", names,
                        aggressor=other.name)
                    add(card.decoder.designator, "select-extra", "decoder", "select-extra", (other.name,),
                        aggressor=region.name)
    served = tuple(one.name for one in card.regions if one.buffered)
    rams = tuple(one.name for one in card.rams())
    for scope, which in (("region", fault.regions), ("board", rams)):
        if len(lanes) == 8:
            add(None, "write-lost", scope, "write-lost", which, lanes)
        for line in fault.lines if len(lanes) == 8 else ():
            for level in (0, 1):
                add(None, "address-stuck", scope, "addr-stuck", which, lanes, lines=(line,), level=level)
    if card.buffer:
        for lane in lanes if len(lanes) < 8 else ():
            for level in (0, 1):
                add(card.buffer, "stuck-high" if level else "stuck-low", "buffer", "buf-stuck", served, (lane,),
                    level=level)
            add(card.buffer, "floating", "buffer", "buf-open", served, (lane,))
        if len(lanes) == 2:
            add(card.buffer, "bridged", "buffer", "buf-bridge", served, lanes)
        for mode in ("dir-in", "dir-out"):
            add(card.buffer, "direction-stuck", "buffer", mode, served, tuple(range(8)))
    if card.address_buffer:
        for line in fault.lines:
            for level in (0, 1):
                add(card.address_buffer[0], "address-stuck", "board", "addr-stuck", served, tuple(range(8)),
                    lines=(line,), level=level)
    return out


def describe(fault: Fault) -> dict[str, object]:
    """A fault in the contract's words."""
    return {"component": fault.component, "fault": fault.fault, "scope": fault.scope,
            "lanes": [f"D{lane}" for lane in fault.lanes], "address_lines": [f"A{line}" for line in fault.lines],
            "regions": [None] if fault.scope == "board" and fault.component is None else list(fault.regions),
            "intermittent": fault.intermittent, "rate": fault.rate,
            "mode": fault.mode, "cell": fault.cell}


def judge_faults(card: Card, faults: Sequence[Fault], trace: Trace, seed: int,
                 gaps: Sequence[tuple[float, float]] = ()) -> tuple[
        list[dict[str, object]], list[dict[str, object]], int]:
    """Faults that show, faults that show nowhere, and how many compared reads are wrong."""
    run = accesses(trace)
    want = expected(card, run, gaps)
    places = sorted(want)
    full = replay(card, faults, run, seed, places)
    wrong = [i for i, (place, value) in enumerate(zip(places, full, strict=True)) if want[place] != value]
    shown: list[dict[str, object]] = []
    hidden: list[dict[str, object]] = []
    for fault in faults:
        rest = replay(card, [one for one in faults if one is not fault], run, seed, places)
        alone = replay(card, [fault], run, seed, places)
        shows = sum(1 for i in wrong if rest[i] == want[places[i]] or (rest[i] != full[i] and alone[i] == full[i]))
        told = describe(fault)
        told["shows"] = shows
        told["shows_alone"] = sum(1 for i, place in enumerate(places) if alone[i] != want[place])
        if shows and fault.mode not in ("leaky", "cell-stuck", "coupled", "row", "cell-leaky"):
            also = twins(card, fault, run, seed, places)
            others = [one for one in faults if one is not fault]
            if others and not any(one.intermittent for one in faults):  # beside the others it may hide behind more
                also += [one for one in twins(card, fault, run, seed, places, others) if one not in also]
            told["also"] = also
        else:
            told["also"] = []
        (shown if shows else hidden).append(told)
    return shown, hidden, len(wrong)


def twins(card: Card, fault: Fault, run: Accesses, seed: int, places: list[int],
          others: Sequence[Fault] = ()) -> list[dict[str, object]]:
    """Answers that would read alike on every compared read, on a card with the `others` broken too."""
    mine = replay(card, [replace(fault, rate=1.0), *others], run, seed, places)
    out: list[dict[str, object]] = []
    for other in alternatives(card, fault):
        if (other.component, other.fault, other.mode, other.lanes, other.lines) == (
                fault.component, fault.fault, fault.mode, fault.lanes, fault.lines):
            continue
        if same(card, [other, *others], run, seed, dict(zip(places, mine, strict=True))):
            told = describe(other)
            if told not in out:
                out.append(told)
    return out


def same(card: Card, faults: Sequence[Fault], run: Accesses, seed: int, reads: dict[int, int]) -> bool:
    """Whether the card with those faults gives these reads; stops at the first that differs."""
    machine = Machine(card, faults, seed, length=len(run) + 1)
    for i, (kind, address, data, now) in enumerate(run):
        done = machine.access(kind, address, data, now)
        if i in reads and reads[i] != done.data:
            return False
    return True
