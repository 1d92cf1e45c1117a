"""Regions of one space that share an address, and may not: found in one pass over them by address.

A card may have thousands of regions, so pairs are not tried one by one. What a pass costs grows with the regions
(sorted once) and with the overlaps that it finds, not with the pairs that are innocent: banks under conditions
(``when``) of their own in one range, and chips in different bytes of a wide bus, are kept in groups of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

from busledger.decoder.board.draft import Draft
from busledger.decoder.board.model import LatchValue, LineLevel, Region
from busledger.decoder.text import plain

__all__ = ["MOST_OVERLAPS", "check_overlaps", "overlapping"]

MOST_OVERLAPS = 65_536
"""Overlaps told one by one: four for each of 16 384 regions. All regions at one address would make 134 million."""

# The bytes of the bus that a region's chips are in; none where no chips are named: it may be in any.
_Bytes: TypeAlias = frozenset[int]
_Condition: TypeAlias = LineLevel | LatchValue | None
# Regions whose range is not over yet, as indices; by bytes (at most 16 sets on a bus of 32 bits), then by condition.
_Open: TypeAlias = dict[_Bytes, dict[_Condition, list[int]]]


def check_overlaps(draft: Draft) -> None:
    """Add a mistake for each two regions that overlap, at the table of the later one, in the order of the file."""
    # Of a condition that could not be read, that is said already.
    known = [(table, region) for table, region in draft.regions if table not in draft.conditional]
    pairs = overlapping([region for _, region in known], MOST_OVERLAPS + 1)
    for before, after in pairs[:MOST_OVERLAPS]:
        one, (table, other) = known[before][1], known[after]
        shared = f"{max(one.start, other.start):04X}-{min(one.end, other.end):04X}"
        draft.mistakes.add(
            table,
            "start",
            f'{_span(other)} overlaps region "{plain(one.name)}" ({_span(one)}) at {shared}',
            "regions of one space that share no address, or each with a condition (when) of its own",
        )
    if len(pairs) > MOST_OVERLAPS:
        found = f"more than {MOST_OVERLAPS} overlaps, of which the first by address are told"
        draft.mistakes.add("[[region]]", "start", found, "regions of one space that share no address")


def overlapping(regions: Sequence[Region], most: int) -> list[tuple[int, int]]:
    """The pairs of regions that overlap, as indices (earlier, later), ascending.

    Two regions overlap where they share an address of one space, unless each has a condition and not the same one, or
    their chips are in different bytes of the bus. A range that ends before it starts overlaps none. Of more than
    ``most`` pairs, the first ``most`` come back, as the pass over the addresses meets them.
    """
    spaces: dict[str, _Open] = {}
    pairs: list[tuple[int, int]] = []
    for index in sorted(range(len(regions)), key=lambda i: regions[i].start):
        region = regions[index]
        if region.end < region.start:
            continue
        own = frozenset(bit // 8 for chip in region.chips for bit in chip.lanes)
        groups = spaces.setdefault(region.space, {})
        for bytes_used, by_condition in groups.items():
            if own and bytes_used and not own & bytes_used:
                continue
            asked = list(by_condition) if region.when is None else (None, region.when)
            for condition in asked:
                for other in _still_open(by_condition, condition, regions, region.start):
                    pairs.append((min(index, other), max(index, other)))
                    if len(pairs) == most:
                        return sorted(pairs)
        groups.setdefault(own, {}).setdefault(region.when, []).append(index)
    return sorted(pairs)


def _still_open(
    by_condition: dict[_Condition, list[int]], condition: _Condition, regions: Sequence[Region], at: int
) -> Sequence[int]:
    """The regions of a group that reach ``at``; those that do not are forgotten, since no later start meets them."""
    group = by_condition.get(condition)
    if group is None:
        return ()
    group[:] = [index for index in group if regions[index].end >= at]
    if not group:
        del by_condition[condition]
    return group


def _span(region: Region) -> str:
    return f"{region.start:04X}-{region.end:04X}"
