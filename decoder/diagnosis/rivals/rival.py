"""One innocent explanation of what was seen, and how it is taken out of the reads that are left to judge."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Overlay, Rows

__all__ = ["LOG_PRIORS", "Both", "CannotJudge", "Excused", "NotJudged", "Rival", "prior_of"]

# How often each is met per capture that somebody makes of an old machine; judgements, to one power of ten. The first
# figure holds where a board file names the chips of the place, the second where nothing does: what a draft or the
# traffic alone calls memory is often something else, what a person wrote down chip by chip seldom.
LOG_PRIORS: dict[str, tuple[float, float]] = {
    kind: (math.log(with_chips), math.log(without))
    for kind, (with_chips, without) in {
        "clip-off": (2e-2, 2e-2),
        "clip-noisy": (1e-2, 1e-2),
        "clips-exchanged": (2e-2, 2e-2),
        "too-slow": (3e-2, 3e-2),
        "device": (3e-3, 1e-1),
        "read-only": (5e-4, 5e-2),
        "mirrored": (1e-4, 5e-2),
        "banked": (3e-3, 3e-2),
        "shared": (3e-3, 2e-2),
        "contents-lost": (3e-3, 3e-3),
        "other-image": (3e-2, 3e-2),
    }.items()
}


def prior_of(fault: str, *, chips: bool) -> float:
    """Log prior of a rival; ``chips``: a board file names the chips of the place it speaks of."""
    return LOG_PRIORS[fault][0 if chips else 1]


@dataclass(frozen=True)
class CannotJudge:
    """Why nothing can be judged: one sentence for the first line, and what to change; ``fault``: which rival of the
    table it is, None for none of them, with the bus ``lines`` concerned."""

    code: str
    reason: str
    change: str
    fault: str | None = None
    lines: tuple[str, ...] = ()


class Excused:
    """Takes out the wrong reads whose cycles are named: what was read is what the place gives."""

    def __init__(self, index: NDArray[np.int64], lanes: int = 0xFFFFFFFF) -> None:
        self._index, self._lanes = np.unique(index), np.uint32(lanes)

    def start(self) -> None:
        """Nothing is carried from block to block."""

    def feed(self, rows: Rows) -> Rows:
        """The block with those reads taken as right."""
        if not len(self._index) or not len(rows):
            return rows
        at = np.minimum(np.searchsorted(self._index, rows.index), len(self._index) - 1)
        lanes = np.where(self._index[at] == rows.index, self._lanes, np.uint32(0))
        return rows.holding((rows.expected & ~lanes) | (rows.data & lanes), rows.compared)


class NotJudged:
    """Takes a place, as the bus means it, a time or some lanes out of all that is compared.

    Parameters
    ----------
    cells : bool a cell of the study, None = all of them
    span : (first, last) tick, None = always
    lanes : mask of the lanes not judged
    """

    def __init__(
        self, cells: NDArray[np.bool_] | None = None, span: tuple[int, int] | None = None, lanes: int = 0xFFFFFFFF
    ) -> None:
        self._cells, self._span, self._lanes = cells, span, np.uint32(lanes)

    def start(self) -> None:
        """Nothing is carried from block to block."""

    def feed(self, rows: Rows) -> Rows:
        """The block with nothing compared there."""
        there = np.ones(len(rows), np.bool_)
        if self._cells is not None:
            there &= self._cells[rows.asked]
        if self._span is not None:
            there &= (rows.time >= self._span[0]) & (rows.time <= self._span[1])
        compared: NDArray[np.uint32] = rows.compared & ~np.where(there, self._lanes, np.uint32(0))
        return rows.holding(rows.expected & compared, compared)


class Both:
    """Two overlays, one after the other."""

    def __init__(self, one: Overlay, two: Overlay) -> None:
        self._one, self._two = one, two

    def start(self) -> None:
        """Forget all blocks seen."""
        self._one.start()
        self._two.start()

    def feed(self, rows: Rows) -> Rows:
        """The block as both leave it."""
        return self._two.feed(self._one.feed(rows))


@dataclass(frozen=True)
class Rival:
    """One innocent explanation.

    Attributes
    ----------
    fault, scope : as in the contract; scope ``clip`` or ``machine``
    lines : the bus lines concerned, ``region`` the index of the region (None = the whole capture), ``other_region``
        a second one whose reads it explains too,
        ``addresses`` first and last bus address of the place
    log_prior : natural log, see ``LOG_PRIORS``
    log_own : natural log of the marginal likelihood of what it explains, as the candidates' in ``weighing``
    explains : wrong reads that it accounts for, ``against`` reads that speak against it
    index : int64, the cycles of the wrong reads explained
    summary : the sentence of the first line, ``evidence`` more of them, ``next_step`` what to do
    propose : lines to add to the board file
    stops_judging : what was recorded cannot be judged at all, or not where this holds
    log_seen : natural log of the odds that what the lines themselves show of it adds, beside any read; a rival that
        explains no wrong read is told first for it alone
    span : (first, last) tick in which nothing was recorded as it was, None = not known, or all the time
    """

    fault: str
    scope: str
    log_prior: float
    log_own: float
    explains: int
    summary: str
    next_step: str
    lines: tuple[str, ...] = ()
    region: int | None = None
    other_region: int | None = None
    addresses: tuple[int, int] | None = None
    against: int = 0
    evidence: tuple[str, ...] = ()
    propose: tuple[str, ...] = ()
    stops_judging: bool = False
    log_seen: float = 0.0
    span: tuple[int, int] | None = None
    component: None = None
    index: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64), repr=False, compare=False)
    taken: Overlay = field(default_factory=NotJudged, repr=False, compare=False)

    @property
    def log_posterior(self) -> float:
        """Prior and likelihood together, not normalised."""
        return self.log_prior + self.log_own

    def overlay(self) -> Overlay:
        """What takes out of the rows what this explains."""
        return self.taken
