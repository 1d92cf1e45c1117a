"""Two lists of transfers held together one by one: the slow twin of ``pairing`` and of the counts in ``between``."""

from __future__ import annotations

from collections import Counter

WRITES = {1, 4, 10}  # write, io-write, dma-write


def nearest(time: int, among: list[int]) -> int | None:
    """Index of the nearest moment; of two equally near the earlier one, of equal ones the one next to ``time``."""
    best = None
    for index, other in enumerate(among):
        distance = abs(other - time)
        if best is None or distance < abs(among[best] - time) or (distance == abs(among[best] - time) and other < time):
            best = index
    return best


def pairs(first: list[int], second: list[int], within: int) -> list[int]:
    """For each of ``first`` the index of its partner, or -1."""
    found = []
    for index, time in enumerate(first):
        there = nearest(time, second)
        mutual = there is not None and nearest(second[there], first) == index
        found.append(there if mutual and abs(second[there] - time) <= within else -1)
    return found


def held_together(first: list[dict], second: list[dict], within: int, address: int, data_bits: int) -> dict:
    """What both sides say of each other; rows are dicts with the names of ``ROW``."""
    alone = [list(range(len(first))), list(range(len(second)))]
    told: dict = {
        "matched": 0,
        "moved": 0,
        "outside": 0,
        "words": 0,
        "differ": 0,
        "first_at": None,
        "levels": Counter(),
    }
    for write in (False, True):
        mine = [k for k, row in enumerate(first) if (row["kind"] in WRITES) == write]
        theirs = [k for k, row in enumerate(second) if (row["kind"] in WRITES) == write]
        found = pairs([first[k]["time"] for k in mine], [second[k]["time"] for k in theirs], within)
        for k, partner in zip(mine, found, strict=True):
            if partner >= 0:
                alone[0].remove(k)
                alone[1].remove(theirs[partner])
                count(told, first[k], second[theirs[partner]], write, address, data_bits)
    told["only"] = [
        dict(Counter(row[k]["kind"] for k in left)) for row, left in zip((first, second), alone, strict=True)
    ]
    return told


def count(told: dict, a: dict, b: dict, write: bool, address: int, data_bits: int) -> None:
    """One pair."""
    if (a["address"] ^ b["address"]) & address & ~a["address_unknown"] & ~b["address_unknown"]:
        told["moved"] += 1
        return
    told["matched"] += 1
    if not (a["judged"] and b["judged"]):
        told["outside"] += 1
        return
    known = [lane for lane in range(data_bits) if not (a["data_unknown"] >> lane & 1 or b["data_unknown"] >> lane & 1)]
    if not known:
        return
    told["words"] += 1
    if any((a["data"] ^ b["data"]) >> lane & 1 for lane in known):
        told["differ"] += 1
        told["first_at"] = a["time"] if told["first_at"] is None else min(told["first_at"], a["time"])
    for lane in known:
        told["levels"][lane, int(write), a["data"] >> lane & 1, b["data"] >> lane & 1] += 1
