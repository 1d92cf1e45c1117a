"""Sound cards under unusual circumstances: nothing on them is broken, and no part may be accused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.outside.third.accesses import Accesses, Bools, Ints
from tests.outside.third.card import Card, Region, Rng


@dataclass
class Spoil:
    """What the analyser saw that was not so: clips off (line, from, to in ns, level), two clips exchanged."""

    off: tuple[tuple[str, float, float, int], ...] = ()
    exchanged: tuple[str, str] | None = None


CIRCUMSTANCES = (
    "clip-off", "clip-off-a-while", "clips-exchanged", "device", "mirror", "protected", "latch", "too-slow",
    "other-rom", "power-dip", "noisy-clip",
)  # fmt: skip
SHOWING = ("device", "mirror", "protected", "latch", "power-dip")  # they must have been met to count


def draw_odd(rng: Rng, card: Card, kind: str) -> dict[str, Any]:
    """The circumstance's particulars; empty if this card cannot have it."""
    bank = card.banks[int(rng.integers(len(card.banks)))]
    size = int(2 ** rng.integers(4, 7))
    # a program's tests begin at a bank's start more often than not
    at = bank.start + int(rng.integers(0, min(bank.size, 0x100) // size)) * size
    odd: dict[str, Any] = {"kind": kind, "bank": bank.name, "start": at, "end": at + size - 1}
    if kind == "mirror":
        twins = [r for r in card.banks if r is not bank and r.size == bank.size]
        if not twins:
            return {}
        odd["twin"] = twins[0].name
    if kind == "protected":
        # a switch or a strap protects a page, or half the bank, or all of it
        odd["start"] = bank.start + (bank.size // 2 if rng.random() < 0.3 else 0)
        odd["end"] = bank.end if rng.random() < 0.5 else min(bank.end, odd["start"] | 0xFF)
    if kind == "other-rom" and not card.rom_image:
        return {}
    if kind == "latch" and not any(r.kind == "io" for r in card.regions):
        return {}
    return odd


def latch_levels(card: Card, acc: Accesses, odd: dict[str, Any]) -> Ints:
    """What the latch held at each access; the machine's program switches it now and then, before the capture's eyes."""
    n = len(acc)
    out = np.zeros(n, np.int64)
    rng = np.random.default_rng(int(odd["start"]))
    at = 0
    while at < n:
        at += int(rng.exponential(n / 5)) + 50
        out[at:] ^= 1
    return out


def odd_cells(card: Card, region: Region, acc: Accesses, rows: Ints, cell: Ints) -> Ints:
    odd = card.odd
    if odd.get("kind") == "latch" and region.name == odd["bank"]:
        return cell + latch_levels(card, acc, odd)[rows] * 0x20000
    return cell


def odd_taking(card: Card, region: Region, acc: Accesses) -> Bools:
    """Writes that take."""
    odd = card.odd
    inside = (acc.address >= odd.get("start", 1)) & (acc.address <= odd.get("end", 0))
    if odd.get("kind") == "protected" and region.name == odd["bank"]:
        return np.asarray(~inside, dtype=np.bool_)
    return np.ones(len(acc), dtype=np.bool_)


def odd_answer(card: Card, region: Region, acc: Accesses, rows: Ints, value: Ints, written: Ints) -> Ints:
    """What a device in the middle of a bank says, what a power dip leaves; ``written``: the cell's last write."""
    odd = card.odd
    if odd.get("kind") == "device" and region.name == odd["bank"]:
        inside = (acc.address[rows] >= odd["start"]) & (acc.address[rows] <= odd["end"])
        status = (rows // 37 * 11 + acc.address[rows] * 5) & 0xFF
        return np.where(inside, status, value)
    if odd.get("kind") == "power-dip":
        when = len(acc) // 2
        lost = (rows >= when) & (written >= 0) & (rows[np.maximum(written, 0)] < when)
        junk = (acc.address[rows] * 193 ^ acc.address[rows] >> 3) & 0xFF
        return np.where(lost, junk, value)
    return value


def draw_spoil(rng: Rng, card: Card, odd: dict[str, Any], length_ns: float) -> Spoil:
    """What the clips do: off, exchanged, noisy."""
    kind = odd.get("kind")
    words = [c for c in card.clipped if c[0] in "AD" and c.lstrip("AD").isdigit() and c not in ("A0", "A1")]
    line = str(rng.choice(words))
    level = int(rng.integers(2))
    if kind == "clip-off":
        return Spoil(((line, -1.0, np.inf, level),))
    if kind == "clip-off-a-while":
        begin = float(rng.uniform(0.2, 0.6)) * length_ns
        return Spoil(((line, begin, begin + float(rng.uniform(0.05, 0.4)) * length_ns, level),))
    if kind == "clips-exchanged":
        same = [c for c in words if c.rstrip("0123456789") == line.rstrip("0123456789") and c != line]
        return Spoil(exchanged=(line, str(rng.choice(same))))
    if kind == "noisy-clip":
        moments = np.sort(rng.uniform(0, length_ns, int(rng.integers(20, 400))))
        moments = moments[np.concatenate([[True], np.diff(moments) > 2000])]
        return Spoil(tuple((line, float(t), float(t + rng.uniform(100, 1500)), level) for t in moments))
    return Spoil()
