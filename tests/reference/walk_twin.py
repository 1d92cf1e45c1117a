"""Steps past an address line, one address at a time, with sets for tables (slow, plain)."""

from __future__ import annotations

WINDOW = 16


def missed_steps(words: list[int], line: int) -> int:
    """Different addresses from which the line had to change, did so before, never failed to, and now did not, counted
    since its last change; ``words``: the addresses that stood, none twice running."""
    bit = 1 << line
    followed: set[int] = set()
    failed: set[int] = set()
    count = 0
    for place, word in enumerate(words):
        if place and (word ^ words[place - 1]) & bit:
            count = 0
        for before in reversed(words[max(0, place - WINDOW) : place]):
            if before % bit != bit - 1:
                continue
            key = before & ~bit
            truths = {b + 1 for b in (before & ~bit, before | bit)}  # with the line at either level
            if word == before + 1:
                followed.add(key)
            elif (word & bit) == (before & bit) and {t & ~bit for t in truths} & {word & ~bit}:
                if key not in failed and key in followed:
                    count += 1
                failed.add(key)
    return count
