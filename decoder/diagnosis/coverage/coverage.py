"""What the capture exercised, and hence what it cannot speak about."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from busledger.decoder.board import lane_names
from busledger.decoder.diagnosis.coverage import coverage_kernel as kernel
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter

__all__ = ["coverage_of"]

_ENOUGH_CELLS = 0.95  # below this share of compared cells the sentence on cells is said; it bounds words, not belief
_NAMED_AT_MOST = 6


def coverage_of(counter: CoverageCounter) -> dict[str, Any]:
    """The ``coverage`` of ``check --json``.

    ``regions``: per region the cells written, read and compared; each lane's compared levels and
    transitions; each address line's changes, how often aliasing on it was tested and how often
    the read then came right; the regions it was told apart from. ``not_exercised``: sentences on
    what the capture cannot speak about, the largest gaps first.
    """
    return {
        "regions": [_region(counter, r) for r in range(len(counter.board.regions))],
        "not_exercised": _gaps(counter),
    }


def _region(counter: CoverageCounter, r: int) -> dict[str, Any]:
    region = counter.board.regions[r]
    cells = counter.words(r)
    lanes = counter.lanes_of(r)
    seen = counter.levels[r].sum(axis=0)
    compared = counter.cells_with(r, kernel.COMPARED)
    return {
        "name": region.name,
        "kind": region.kind,
        "cells": cells,
        "cells_written": counter.cells_with(r, kernel.WRITTEN),
        "cells_read": counter.cells_with(r, kernel.READ),
        "cells_compared": compared,
        "share_compared": round(compared / cells, 6),
        "lanes": [
            {
                "lane": f"D{b}",
                "low": int(seen[b, 0]),
                "high": int(seen[b, 1]),
                "falls": int(counter.moves[r, b, 0]),
                "rises": int(counter.moves[r, b, 1]),
            }
            for b in lanes
        ],
        "address_lines": [
            {
                "line": counter.line(b),
                "changes": int(counter.toggled[r, b]),
                "tested": int(counter.alias[r, :, b].sum()),
                "told_apart": int(counter.alias[r, 0, b].sum()),
            }
            for b in range(int(counter.bits[r]))
        ],
        "told_apart_from": {
            counter.board.regions[s].name: int(counter.apart[r, s]) for s in np.flatnonzero(counter.apart[r]).tolist()
        },
    }


def _gaps(counter: CoverageCounter) -> list[str]:
    """Sentences, the largest gaps first; what several regions share is said once."""
    regions = counter.board.regions
    judged = [r for r in range(len(regions)) if counter.is_compared(r)]
    silent = [r for r in judged if not counter.accesses[r]]
    dark = [r for r in judged if counter.accesses[r] and not counter.levels[r].sum()]
    lit = [r for r in judged if counter.levels[r].sum()]
    said = []
    if silent:
        said.append(f"{_names(counter, silent)} {_was(silent)} never accessed: nothing is known of {_it(silent)}.")
    said += _dark(counter, dark)
    said += _lane_gaps(counter, lit)
    said += _line_gaps(counter, lit)
    said += _region_gaps(counter, lit)
    said += _cell_gaps(counter, lit)
    listed = [r for r in range(len(regions)) if not counter.is_compared(r)]
    if listed:
        said.append(f"{_names(counter, listed)} {'is' if len(listed) == 1 else 'are'} IO: listed, not compared.")
    return said


def _dark(counter: CoverageCounter, dark: Sequence[int]) -> list[str]:
    said = []
    hidden: dict[str, list[int]] = {}
    for r in dark:
        if lines := _hidden_lines(counter, r):
            hidden.setdefault(lines, []).append(r)
    said += [
        f"{_names(counter, rs)}: accessed, but with {lines} not clipped no read tells which cell it came from."
        for lines, rs in hidden.items()
    ]
    told = [r for r in dark if not _hidden_lines(counter, r)]
    roms = [r for r in told if counter.board.regions[r].kind == "rom"]
    rams = [r for r in told if r not in roms]
    if roms:
        said.append(f"{_names(counter, roms)}: read, but there is no ROM image to compare with.")
    if rams:
        said.append(f"{_names(counter, rams)}: accessed, but no read came after a write to the same address.")
    return said


def _hidden_lines(counter: CoverageCounter, r: int) -> str:
    """The address lines of a region that no channel carries, empty where there are none."""
    bits = [b + counter.shift for b in range(int(counter.bits[r])) if counter.unwired >> (b + counter.shift) & 1]
    if counter.board.regions[r].kind == "rom" and counter.board.regions[r].image is None:
        return ""  # there would be nothing to compare with either
    return _ranges(bits) if bits else ""


def _lane_gaps(counter: CoverageCounter, lit: Sequence[int]) -> list[str]:
    """Lanes compared at one level only: a lane stuck at that level would not show."""
    found: dict[str, list[int]] = {}
    for r in lit:
        seen = counter.levels[r].sum(axis=0)
        lanes = counter.lanes_of(r)
        for level, name in ((1, "high"), (0, "low")):
            missing = [b for b in lanes if seen[b, level] == 0 and seen[b, 1 - level] > 0]
            if missing:
                stuck = "low" if level else "high"
                what = f"{lane_names(missing)} never expected {name}, so stuck {stuck} would not show"
                found.setdefault(what, []).append(r)
        never = [b for b in lanes if not seen[b].any()]
        if never:
            found.setdefault(f"{lane_names(never)} never compared", []).append(r)
    return [f"{_names(counter, rs)}: {what}." for what, rs in found.items()]


def _line_gaps(counter: CoverageCounter, lit: Sequence[int]) -> list[str]:
    """Address lines across which no two cells were told apart."""
    found: dict[str, list[int]] = {}
    for r in lit:
        bits = range(int(counter.bits[r]))
        hidden = [b for b in bits if counter.unwired >> (b + counter.shift) & 1]
        blind = [b for b in bits if b not in hidden and not counter.alias[r, :, b].any()]
        if blind:
            lines = _ranges([b + counter.shift for b in blind])
            what = f"{lines} not tested for aliasing (no cell held while its partner got other data)"
            found.setdefault(what, []).append(r)
        if hidden:
            found.setdefault(f"{_ranges([b + counter.shift for b in hidden])} not wired", []).append(r)
    return [f"{_names(counter, rs)}: {what}." for what, rs in found.items()]


def _region_gaps(counter: CoverageCounter, lit: Sequence[int]) -> list[str]:
    """Pairs of regions whose selects nothing told apart."""
    pairs = [
        (r, s)
        for r in lit
        for s in lit
        if r < s and counter.comparable[r, s] and not counter.apart[r, s] and not counter.apart[s, r]
    ]
    if not pairs:
        return []
    names = [region.name for region in counter.board.regions]
    shown = ", ".join(f"{names[r]} from {names[s]}" for r, s in pairs[:_NAMED_AT_MOST])
    more = f" and {len(pairs) - _NAMED_AT_MOST} more pairs" if len(pairs) > _NAMED_AT_MOST else ""
    return [f"Selects not told apart by the data: {shown}{more}."]


def _cell_gaps(counter: CoverageCounter, lit: Sequence[int]) -> list[str]:
    found: dict[str, list[int]] = {}
    for r in lit:
        compared, cells = counter.cells_with(r, kernel.COMPARED), counter.words(r)
        if compared < _ENOUGH_CELLS * cells:
            what = f"{compared} of {cells} cells compared ({100 * compared / cells:.2g} %)"
            found.setdefault(what, []).append(r)
    return [
        f"{_names(counter, rs)}: {what}{' in each' if len(rs) > 1 else ''}; a bad cell elsewhere would not show."
        for what, rs in found.items()
    ]


def _names(counter: CoverageCounter, regions: Sequence[int]) -> str:
    names = [counter.board.regions[r].name for r in regions]
    if len(names) > _NAMED_AT_MOST:
        names = [*names[:_NAMED_AT_MOST], f"{len(names) - _NAMED_AT_MOST} more regions"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _was(regions: Sequence[int]) -> str:
    return "was" if len(regions) == 1 else "were"


def _it(regions: Sequence[int]) -> str:
    return "it" if len(regions) == 1 else "them"


def _ranges(bits: Sequence[int]) -> str:
    return lane_names(bits).replace("D", "A")
