"""The slow twin of the search for regions that overlap: every two of them held against each other."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

from busledger.decoder.board import Region


def overlapping_pairs(regions: Sequence[Region]) -> list[tuple[int, int]]:
    """Indices (earlier, later) in the order of the file."""
    return [(i, j) for (i, one), (j, other) in combinations(enumerate(regions), 2) if _share(one, other) is not None]


def overlap_messages(regions: Sequence[Region]) -> list[str]:
    """What is said of each pair: as the contract writes it, spans inclusive and in hex."""
    said = []
    for i, j in overlapping_pairs(regions):
        one, other = regions[i], regions[j]
        low, high = _share(one, other) or (0, 0)
        said.append(
            f'start: {other.start:04X}-{other.end:04X} overlaps region "{one.name}" ({one.start:04X}-{one.end:04X}) at '
            f"{low:04X}-{high:04X}; expected regions of one space that share no address, or each with a condition "
            "(when) of its own."
        )
    return said


def _share(one: Region, other: Region) -> tuple[int, int] | None:
    """First and last address that both answer at, at the same time and in the same byte of the bus."""
    if one.space != other.space or one.end < one.start or other.end < other.start:
        return None
    mine, theirs = ({lane // 8 for lane in region.lanes} for region in (one, other))
    if mine and theirs and not mine & theirs:
        return None
    if one.when is not None and other.when is not None and one.when != other.when:
        return None
    low, high = max(one.start, other.start), min(one.end, other.end)
    return (low, high) if low <= high else None
