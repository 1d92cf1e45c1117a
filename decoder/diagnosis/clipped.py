"""What clipped selects say of a fault at the very moments at which it should have acted.

A decoder's output that was seen quiet in a read did not cause what that read gave, whatever the data look like; one
that was seen active did come. Each such moment weighs by how seldom a settled line is sampled wrong; there is no cap.
What remains possible past the clip (an open track or socket, no supply to the row) is another fault.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["log_clipped", "seen_acting"]


def log_clipped(scored: Scored, rows: Rows) -> float:
    """Log likelihood ratio of what the clipped selects showed, with the fault against without it."""
    c = scored.candidate
    if c.region is None or c.scope != "decoder" or c.region >= 64 or (c.other or 0) >= 64:
        return 0.0
    if c.other is None:
        return _missing(c, rows)
    return _strays(scored, c, rows)


def seen_acting(c: Candidate, rows: Rows) -> NDArray[np.bool_]:
    """bool a row: clipped selects show that the decoder's fault is at work in this access, whatever it gives."""
    found: NDArray[np.bool_] = np.zeros(len(rows), np.bool_)
    if c.region is None or c.scope != "decoder" or c.region >= 64 or (c.other or 0) >= 64:
        return found
    if c.other is None:
        seen, active = _line(rows, c.region)
        found = seen & ~active & (rows.region == c.region)
        return found
    for select, accessed in _pairs(c):
        seen, active = _line(rows, select)
        found |= seen & active & (rows.region == accessed)
    return found


def _pairs(c: Candidate) -> list[tuple[int, int]]:
    """(the region whose select comes, the one that is accessed)."""
    assert c.region is not None and c.other is not None
    return [(c.region, c.other)] + ([(c.other, c.region)] if c.fault == "select-swapped" else [])


def _line(rows: Rows, region: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(seen, active) of one region's select, a row."""
    bit = np.uint64(1) << np.uint64(region)
    return (rows.selects_seen & bit) != 0, (rows.selected & bit) != 0


def _missing(c: Candidate, rows: Rows) -> float:
    """In every read that it made wrong the select must have been away, or in the write before it; where it was away,
    nobody can have given the right levels but for such as an undriven bus shows."""
    seen, active = _line(rows, c.regions[0])
    wrong = np.flatnonzero((rows.region == c.region) & ((rows.wrong & np.uint32(c.mask)) != 0))
    written = _written(rows)[wrong]
    away = seen[wrong] & ~active[wrong]
    away |= (written >= 0) & seen[written] & ~active[written]
    # Only what was seen at both moments speaks against it.
    came = seen[wrong] & active[wrong] & (written >= 0) & seen[written] & active[written]
    right = seen & ~active & (rows.region == c.region) & ~rows.is_write & (rows.wrong == 0)
    driven = _driven(rows.take(right), np.uint32(c.mask))
    return LOG_SLIP * (int(np.count_nonzero(came)) + driven - int(np.count_nonzero(away)))


def _driven(rows: Rows, mask: np.uint32) -> int:
    """How many of these reads somebody must have driven, whatever lines do that nobody drives: keep their level, go
    high, go low."""
    lanes = rows.compared & mask
    shown = (rows.kept & lanes, lanes, np.uint32(0))
    return min(int(np.count_nonzero((rows.data & lanes) != level)) for level in shown)


def _written(rows: Rows) -> NDArray[np.intp]:
    """Of each row the last write to its cell before it, -1 where none was seen."""
    order = np.argsort(rows.cell, kind="stable")
    place = np.arange(len(rows))
    at = np.where(rows.is_write[order], place, -1)
    last = np.concatenate([[-1], np.maximum.accumulate(at)[:-1]]) if len(rows) else at
    same = (last >= 0) & (rows.cell[order[last]] == rows.cell[order])
    found = np.full(len(rows), -1, np.intp)
    found[order[same]] = order[last[same]]
    return found


def _strays(scored: Scored, c: Candidate, rows: Rows) -> float:
    """The select of one region comes for accesses to another (and, exchanged, not for its own)."""
    total = 0.0
    for select, accessed in _pairs(c):
        seen, active = _line(rows, select)
        mine = seen & (rows.region == accessed)
        came = int(np.count_nonzero(mine & active))
        if came:
            total -= LOG_SLIP * came
        elif mine.any():
            wrong = int(np.count_nonzero(mine & ((rows.wrong & np.uint32(c.mask)) != 0)))
            total += LOG_SLIP * max(1, scored.effect.tally.hits, wrong)
    return total
