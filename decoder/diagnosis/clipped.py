"""What clipped selects say of a fault at the very moments at which it should have acted.

A decoder's output that was seen quiet in a read did not cause what that read gave, whatever the data look like; one
that was seen active did come. Each such moment weighs by how seldom a settled line is sampled wrong; there is no cap.
What remains possible past the clip (an open track or socket, no supply to the row) is another fault.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["ClippedSelects", "leads_selects", "log_clipped", "seen_acting", "takes_selects"]


_BEFORE_SELECTS = ("decoder", "board")
_SELECTS = 64  # of as many regions the rows tell what their clipped selects showed


def log_clipped(scored: Scored, rows: Rows) -> float:
    """``ClippedSelects.log_of`` of one fault."""
    return ClippedSelects(rows).log_of(scored)


class ClippedSelects:
    """What clipped selects showed in the rows, asked for fault after fault."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows
        self.any = bool(rows.selects_seen.any())
        self._gone: dict[tuple[int, int], float] = {}  # by lanes and region: all that it hangs on

    def log_of(self, scored: Scored) -> float:
        """Log likelihood ratio of what the clipped selects showed, with a decoder's fault against without it."""
        c = scored.candidate
        if not self.any or c.scope != "decoder" or max(c.regions, default=0) >= _SELECTS or leads_selects(scored):
            return 0.0
        return self.log_of_gone(scored) if c.fault == "select-missing" else _strays(scored, c, self._rows)

    def log_of_gone(self, scored: Scored) -> float:
        """The same of a fault, a decoder's or not, by which no select comes in the regions that it takes."""
        regions = scored.variant.behaviour.regions
        if not self.any or max(regions, default=0) >= _SELECTS:
            return 0.0
        found = 0.0
        for region in regions:
            key = (scored.candidate.mask, region)
            if key not in self._gone:
                self._gone[key] = self._missing(scored.candidate, region)
            found += self._gone[key]
        return found

    def log_of_led(self, c: Candidate, there: NDArray[np.int64]) -> float:
        """The same of a fault by which decoders see other addresses: ``there`` is the region to which it leads each
        access, -1 = none. Where that is another one, its own select must be away and the other one come, in every read
        that it made wrong or in the write before it."""
        rows, total = self._rows, 0.0
        for own in c.regions if self.any and max(c.regions, default=0) < _SELECTS else ():
            astray = (rows.region == own) & (there != own)
            if not astray.any():
                continue
            seen, active = _line(rows, own)
            gone, came = self._moments(c, seen & ~active, seen & active, astray)
            total += LOG_SLIP * (came + self._driven(c, seen & ~active & astray & (there < 0)) - gone)
            for other in np.unique(there[astray & (there >= 0)]).tolist():
                seen, active = _line(rows, other)
                came, away = self._moments(c, seen & active, seen & ~active, astray & (there == other))
                total += LOG_SLIP * (away - came)
        return total

    def _missing(self, c: Candidate, region: int) -> float:
        """In every read that it made wrong the select must have been away, or in the write before it; where it was
        away, nobody can have given the right levels but for such as an undriven bus shows."""
        rows = self._rows
        seen, active = _line(rows, region)
        mine = rows.region == region
        gone, came = self._moments(c, seen & ~active, seen & active, mine)
        return LOG_SLIP * (came + self._driven(c, seen & ~active & mine) - gone)

    def _moments(
        self, c: Candidate, fits: NDArray[np.bool_], against: NDArray[np.bool_], mine: NDArray[np.bool_]
    ) -> tuple[int, int]:
        """Of the wrong reads among ``mine``: how many have a line as the fault would have it, then or in the write
        before; and how many have it the other way at both moments, for only that speaks against it."""
        rows = self._rows
        wrong = np.flatnonzero(mine & ((rows.wrong & np.uint32(c.mask)) != 0))
        written = self._written[wrong]
        before = written >= 0
        good = fits[wrong] | (before & fits[written])
        bad = against[wrong] & before & against[written]
        return int(np.count_nonzero(good)), int(np.count_nonzero(bad))

    def _driven(self, c: Candidate, away: NDArray[np.bool_]) -> int:
        """How many right reads among those ``away`` somebody must have driven, whatever lines do that nobody drives:
        keep their level, on the bus or on the card, go high, go low."""
        rows = self._rows.take(away & ~self._rows.is_write & (self._rows.wrong == 0))
        lanes = rows.compared & np.uint32(c.mask)
        shown = (rows.kept & lanes, rows.rest & lanes, rows.rest_bus & lanes, lanes, np.uint32(0))
        return min(int(np.count_nonzero((rows.data & lanes) != level)) for level in shown)

    @cached_property
    def _written(self) -> NDArray[np.intp]:
        return _written(self._rows)


def leads_selects(scored: Scored) -> bool:
    """Whether a fault has a decoder see other addresses than the bus has, where regions answer for one another or
    none does."""
    behaviour = scored.variant.behaviour
    return isinstance(behaviour, PathFault) and behaviour.op in ("forced-board", "joined-board")


def takes_selects(scored: Scored) -> bool:
    """Whether no select comes while the fault acts, in all that it takes: of a decoder, or of a line before it."""
    behaviour = scored.variant.behaviour
    return isinstance(behaviour, PathFault) and behaviour.op == "silent" and scored.candidate.scope in _BEFORE_SELECTS


def seen_acting(scored: Scored, rows: Rows) -> NDArray[np.bool_]:
    """bool a row: clipped selects show that the fault is at work in this access, whatever it gives."""
    found: NDArray[np.bool_] = np.zeros(len(rows), np.bool_)
    c, regions = scored.candidate, scored.variant.behaviour.regions
    if c.scope not in _BEFORE_SELECTS or leads_selects(scored) or max(regions, default=0) >= _SELECTS:
        return found
    if takes_selects(scored):
        for region in regions:
            seen, active = _line(rows, region)
            found |= seen & ~active & (rows.region == region)
        return found
    for select, accessed in _pairs(c) if c.scope == "decoder" else ():
        seen, active = _line(rows, select)
        found |= seen & active & (rows.region == accessed)
    return found


def _pairs(c: Candidate) -> list[tuple[int, int]]:
    """(the region whose select comes, the one that is accessed)."""
    assert c.region is not None
    if c.other is None:  # held active
        return [(c.region, other) for other in c.regions if other != c.region]
    return [(c.region, c.other)] + ([(c.other, c.region)] if c.fault == "select-swapped" else [])


def _line(rows: Rows, region: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(seen, active) of one region's select, a row."""
    bit = np.uint64(1) << np.uint64(region)
    return (rows.selects_seen & bit) != 0, (rows.selected & bit) != 0


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
    hits = 0 if c.other is None else scored.effect.tally.hits  # of one held active those of all regions together
    for select, accessed in _pairs(c):
        seen, active = _line(rows, select)
        mine = seen & (rows.region == accessed)
        came = int(np.count_nonzero(mine & active))
        if came:
            total -= LOG_SLIP * came
        elif mine.any():
            wrong = int(np.count_nonzero(mine & ((rows.wrong & np.uint32(c.mask)) != 0)))
            total += LOG_SLIP * max(1, hits, wrong)
    return total
