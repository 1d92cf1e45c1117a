"""Which cells take part in a replay that judges a few cells: by sets."""

from __future__ import annotations

from collections.abc import Sequence


def marks(
    tables: Sequence[Sequence[int]], mine: Sequence[int], focus: Sequence[int]
) -> tuple[set[int], set[int], set[int]]:
    """(cells that take part, cells judged, cells that may be touched)."""
    aims = set(focus) | {table[c] for table in tables for c in focus}
    aims.discard(-1)
    takes = {c for c in mine if c in aims or any(table[c] in aims for table in tables)}
    touched = takes | {table[c] for table in tables for c in takes}
    return takes, set(focus) & set(mine), touched - {-1}
