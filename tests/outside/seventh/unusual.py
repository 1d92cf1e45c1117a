"""Sound cards that are not what the board file says, or not plain memory: nothing on them is broken."""

from __future__ import annotations

from random import Random

import numpy as np

from .case import Case, draw, ledger, replay
from .parts import RAM

ODDS = (
    "unpopulated row", "device", "mirrored", "protected", "other image", "second master", "battery", "bank latch",
)  # fmt: skip


def draw_unusual(seed: int) -> Case:
    """Draw a healthy card and one odd thing about it."""
    rng = Random(f"unusual-{seed}")
    odd = ODDS[seed % len(ODDS)]
    for turn in range(200):
        case = draw("healthy", 1000 * seed + turn)
        rams = [r for r in case.card.rows if not r.rom]
        if odd == "other image" and len(rams) == len(case.card.rows):
            continue
        if odd in ("unpopulated row", "mirrored") and len(rams) < 2:
            continue
        if _make(case, odd, rng):
            break
    case.notes["odd"] = odd
    case.notes["ties"] = []
    return case


def _make(case: Case, odd: str, rng: Random) -> bool:
    card = case.card
    rams = [r for r in card.rows if not r.rom]
    row = rng.choice(rams)
    inside = (case.addresses >= row.start) & (case.addresses < row.start + row.size) & (case.kinds < 2)
    case.board = card.board()
    floating = case.out[1].copy()
    if odd == "unpopulated row":
        for name, _, _ in row.chips:
            card.chips[card.chip(name)].at["VCC"] = "GND"
        case.out = replay(case, [])[1]
        return True
    out = case.out
    held: dict[int, int] = {}
    reads, writes = case.kinds == 0, case.kinds == 1
    low = row.start + rng.randrange(0, row.size - 64) // 64 * 64
    cut = rng.randint(len(case.kinds) // 3, 2 * len(case.kinds) // 3)
    if odd == "device":
        some = inside & (case.addresses >= low) & (case.addresses < low + 16)
        if (some & reads).sum() < 20:
            return False
        status = np.cumsum(some) % 5
        out[1, some & reads] = np.where(case.addresses[some & reads] & 1, 0x81 ^ status[some & reads], 0x30)
        return True
    for i in np.flatnonzero(case.kinds < 2).tolist():
        a, d = int(case.addresses[i]), int(case.datas[i])
        key = a
        if odd == "mirrored" and inside[i]:
            key = a & ~(row.size >> 1)
        elif odd == "bank latch" and inside[i]:
            key = a | (1 << 20) * ((i * 7 // len(case.kinds)) % 2)
        if writes[i]:
            if not (odd == "protected" and inside[i]):
                held[key] = d
        elif odd == "protected" and inside[i]:
            out[1, i] = (a * 37 + 11) & 0xFF
        elif odd in ("mirrored", "bank latch") and inside[i]:
            out[1, i] = held.get(key, (key * 29 + 5) & 0xFF)
        elif odd == "second master" and inside[i]:
            block = low <= a < low + 64
            late = np.searchsorted(np.flatnonzero(writes & (case.addresses == a)), i)
            last = np.flatnonzero(writes & (case.addresses == a))[late - 1] if late else -1
            if block and last < cut <= i:
                out[1, i] = (a * 13 + 7) & 0xFF
        elif odd == "battery":
            before = np.flatnonzero(writes & (case.addresses == a) & (np.arange(len(writes)) < i))
            if len(before) and before[-1] < cut <= i:
                out[1, i] = (a * 91 + (a >> 4) * 17) & 0xFF
    if odd == "other image":
        rom = next(r for r in card.rows if r.rom)
        other = bytearray(rom.image)
        for _ in range(rng.randint(3, 12)):
            at = rng.randrange(rom.size - 24)
            other[at : at + 24] = bytes(rng.randrange(256) for _ in range(24))
        case.notes["image"] = bytes(other)
        rom.image, kept = bytes(other), rom.image
        wrong = ledger(case, out)[1]
        rom.image = bytes(other) if (wrong > 0).sum() >= 4 else kept
        return bool((wrong > 0).sum() >= 4)
    assert RAM == 0 and floating is not None
    return bool((ledger(case, out)[1] > 0).sum() >= 4)
