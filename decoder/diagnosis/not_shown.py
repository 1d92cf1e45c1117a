"""Right reads of a fault that brings in another cell, now and then, of which nobody knows what it holds: either it did
not act at any of them, or found there what does not show."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.memory_kernel import HELD_KNOWN, HIGH_WINS, LOW_WINS
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import OWN_SELECT, PathFault
from busledger.decoder.diagnosis.replay.weighing import rates_shown
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["log_not_shown"]

_BESIDE = ("extra", *OWN_SELECT)
_INSTEAD = ("forced", "joined", "forced-board", "joined-board", "swapped")
# Of the rate that hits and known misses show: what these reads add may make it less. Judged
_FACTORS = (1.0, 0.5, 0.25, 0.125)


def log_not_shown(study: Study, scored: Scored, rows: Rows) -> float:
    """Log likelihood, 0 or less, of the right reads in which the other cell's contents are not known; 0 of faults that
    act every time, which every read tells of, of those that bring in no other cell, and of those weighed by all stories
    of the cells.

    Each cell of which no wrong read tells holds on k lanes what would show with chance 1 − 2 ** −k, and then no read of
    it met the fault, at the rate of each read's window.
    """
    fault, tally = scored.variant.behaviour, scored.effect.tally
    if scored.hard or not isinstance(fault, PathFault) or not tally.hits or not tally.unsure_bits:
        return 0.0
    beside = fault.op in _BESIDE and fault.joins in (LOW_WINS, HIGH_WINS)
    if not beside and (fault.op not in _INSTEAD or scored.effect.log_led is not None):
        return 0.0
    maps = study.maps(fault)
    second = maps.r2 if beside else np.where(maps.r1 == study.cells.identity, np.int32(-1), maps.r1)
    other = second[rows.cell]
    mask = np.uint32(fault.mask)
    asked = np.flatnonzero(~rows.is_write & (other >= 0) & (rows.compared & mask != 0))
    asked = asked[asked < _first_writes(rows, len(second))[other[asked]]]
    cell, wrong = other[asked], rows.wrong[asked] & mask != 0
    lanes = rows.compared[asked] & mask & ~study.fresh_words()[cell, HELD_KNOWN]
    if beside:  # the level that loses
        lanes &= rows.data[asked] if fault.joins == LOW_WINS else ~rows.data[asked]
    told = np.zeros(len(second), np.bool_)
    told[cell[wrong]] = True
    quiet = ~wrong & ~told[cell] & (lanes != 0)
    if not quiet.any():
        return 0.0
    cells, of = np.unique(cell[quiet], return_inverse=True)
    shown = np.zeros(len(cells), np.uint32)
    np.bitwise_or.at(shown, of, lanes[quiet])
    hidden = 0.5 ** np.bitwise_count(shown).astype(np.float64)
    rates = rates_shown(scored.effect.chances)
    rate = rates[rows.window[asked[quiet]]]
    ways = [_at(factor * rate, of, hidden) + _known(factor, rates, scored) for factor in _FACTORS]
    return min(0.0, max(ways))


def _first_writes(rows: Rows, cells: int) -> NDArray[np.int64]:
    """The row of the first write of each cell, after all rows where there is none."""
    found = np.full(cells, len(rows), np.int64)
    writes = np.flatnonzero(rows.is_write)[::-1]
    found[rows.cell[writes]] = writes  # the first one last
    return found


def _at(rate: NDArray[np.float64], of: NDArray[np.intp], hidden: NDArray[np.float64]) -> float:
    missed = np.bincount(of, np.log1p(-rate), len(hidden))
    return float(np.log(hidden + (1.0 - hidden) * np.exp(missed)).sum())


def _known(factor: float, rates: NDArray[np.float64], scored: Scored) -> float:
    """What a rate that is less makes of the hits and of the known misses."""
    misses = scored.effect.chances[:, 1] * (np.log1p(-factor * rates) - np.log1p(-rates))
    return scored.effect.tally.hits * math.log(factor) + float(misses.sum())
