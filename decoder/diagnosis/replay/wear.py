"""Faults of single cells that ask for more than a replay: decay with time, and coupling to another cell."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay import coupling_kernel, decay_kernel
from busledger.decoder.diagnosis.replay.arrays import (
    Aggressors,
    CellRows,
    Charges,
    CouplingCounts,
    DecayCounts,
    Decays,
    Victim,
)
from busledger.decoder.diagnosis.replay.replay import Effect, screened
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import CoupledCell, Decay
from busledger.decoder.diagnosis.replay.weighing import HARD, SOMETIMES, Tally, log_sum
from busledger.decoder.special_functions import betaln, logsumexp, ndtr

__all__ = ["run_coupled", "run_decay"]

# All doubled at once, and all halved, change no answer of a card with two bad chips (many, seed 85200 of the outside
# world, ``tests.outside.sensitivity``).
_FIRST = 8
_SPREADS = (0.1, 0.3, 0.8)  # σ of ln(retention time) from cell to cell, our estimate
_AGGRESSORS = 96  # cells tried for each victim, the likeliest first: a bound of work
_NEAR = 20.0  # how much likelier a cell one address bit or one place away is than any other; our estimate
_FLOOR = 1e-4  # chance of a read that the age does not explain: a slip of the sampling, as weighing.HARD
_STEPS = 16  # to a bin of ages: as fine as decay_kernel.SAME_AGE, near enough
_NO_AGE = _STEPS * decay_kernel.BINS
_AT_ONCE = 1 << 20  # thresholds times cells' own times that are worked on together: 8 MB a table

Blocks = Callable[[], Iterable[Rows]]


def _by_region(rows: Rows, regions: Iterable[tuple[int, ...]]) -> dict[tuple[int, ...], Rows]:
    return {each: screened(rows, each) for each in set(regions)}


def _cell_rows(rows: Rows) -> CellRows:
    return CellRows(
        rows.cell, rows.is_write, rows.data, rows.sure, rows.expected, rows.compared, rows.wrong, rows.index, rows.time
    )


def run_decay(faults: Sequence[Decay], cells: CellSpace, blocks: Blocks) -> dict[Decay, Effect]:
    """Weigh decay: the retention time is found from the ages at which reads failed.

    A cell of age t is taken to have decayed with probability Φ((ln t − ln T)/σ),
    either each time anew or because the cell keeps a value for a time of its own,
    so that what it showed once tells what it shows again: as likely one as the other.
    The likelihood is averaged over T (even in ln T over the ages seen) and σ.
    ``blocks``: called for one pass over the rows.
    """
    runs = {fault: _DecayRun(fault, cells) for fault in faults}
    for rows in blocks() if runs else ():
        parts = _by_region(rows, (fault.regions for fault in runs))
        for fault, run in runs.items():
            run.feed(parts[fault.regions])
    return {fault: run.effect() for fault, run in runs.items()}


class _DecayRun:
    def __init__(self, fault: Decay, cells: CellSpace) -> None:
        span = cells.span(fault.regions[0])
        self._fault, self._first_cell = fault, span.start
        size = span.stop - span.start
        self._stamp, self._gone = np.full(size, -1, np.int64), np.zeros(size, np.uint8)
        self._kept, self._lost = np.full(size, -1, np.int64), np.full(size, decay_kernel.NEVER, np.int64)
        self._tally, self._first = np.zeros(5, np.int64), np.zeros(_FIRST + 1, np.int64)
        self._ages = np.zeros((2, decay_kernel.BINS), np.int64)
        self._hashes = np.zeros(decay_kernel.BINS, np.uint64)

    def feed(self, rows: Rows) -> None:
        fault = self._fault
        decay_kernel.decay(
            _cell_rows(rows),
            Decays(self._first_cell, fault.cell, np.uint32(fault.mask), fault.high, fault.refreshes),
            Charges(self._stamp, self._gone, self._kept, self._lost),
            DecayCounts(self._tally, self._ages, self._hashes, self._first),
        )

    def effect(self) -> Effect:
        told = (self._kept >= 0) | (self._lost < decay_kernel.NEVER)
        # Of reads at the very age that a cell's own time lies at nobody knows on which side of it they are.
        astray = int(self._tally[decay_kernel.AGAINST]) * math.log(_FLOOR)
        astray -= int(self._tally[decay_kernel.EITHER]) * math.log(2.0)
        own, at = _retention(self._ages, self._kept[told], self._lost[told], astray)
        missed = int(self._ages[0, at:].sum())
        hash_ = int(self._hashes[at:].sum(dtype=np.uint64))
        decayed, other, explained = (int(n) for n in self._tally[:3])
        seen = tuple(int(v) for v in self._first[1 : 1 + self._first[0]])
        chances = np.zeros((WINDOWS, 2), np.int64)
        return Effect(Tally(decayed, missed, other, explained), hash_, seen, chances, own, _age_of(at))


def _steps_of(ages: NDArray[np.int64]) -> NDArray[np.int32]:
    """Ages in ``_STEPS`` to a bin, -1 of none, past the last bin of ``NEVER``."""
    octaves = np.log2(np.maximum(1, ages).astype(np.float64))
    steps = np.minimum(_NO_AGE - 1, np.rint(octaves * (decay_kernel.BINS_AN_OCTAVE * _STEPS)))
    steps = np.where(ages == decay_kernel.NEVER, _NO_AGE, np.where(ages < 0, -1, steps))
    return np.asarray(steps, np.int32)


def _age_of(at: int) -> float:
    """Ticks at the lower edge of an age bin."""
    return float(2.0 ** (at / decay_kernel.BINS_AN_OCTAVE))


def _retention(
    ages: NDArray[np.int64], held: NDArray[np.int64], lost: NDArray[np.int64], astray: float
) -> tuple[float, int]:
    """(log marginal likelihood, the best retention time's bin). ``held``, ``lost``: of each cell that tells, see
    ``Charges`` (ticks); ``astray``: log of what reads cost that no time of the cells' own allows, or foretells."""
    used = np.flatnonzero(ages.sum(axis=0))
    if not len(used) or not ages[1].any():
        return -math.inf, 0
    thresholds = np.arange(max(0, used[0] - 1), used[-1] + 2)
    # Bins without reads say nothing.
    apart = used[None, :] - thresholds[:, None] + decay_kernel.BINS
    gone, kept = ages[1, used], ages[0, used]
    anew = [(gone * log_gone[apart] + kept * log_kept[apart]).sum(axis=1) for log_gone, log_kept in _log_decayed()]
    its_own = anew
    if len(held) < int(ages.sum()):  # else each cell told but once
        spans, often = np.unique(_steps_of(held) * np.int64(2 * _NO_AGE) + _steps_of(lost), return_counts=True)
        its_own = list(_log_own_times(spans, often, thresholds) + astray)
    each = np.logaddexp(anew, its_own)
    at = np.unravel_index(int(np.argmax(each)), each.shape)[1]
    return log_sum(each.ravel().tolist()) - math.log(2 * each.size), int(thresholds[at])


def _log_own_times(
    spans: NDArray[np.int64], often: NDArray[np.int64], thresholds: NDArray[np.int64]
) -> NDArray[np.float64]:
    """float64[spreads, thresholds]: ``_log_between`` summed over the cells, ``often`` of each of ``spans`` (held and
    lost as one number). So many at once as memory is meant for: a region has up to 64 K, each with a time of its own.
    """
    found = np.zeros((len(_SPREADS), len(thresholds)))
    step = max(1, _AT_ONCE // len(thresholds))
    for start in range(0, len(spans), step):
        some, many = np.divmod(spans[start : start + step], 2 * _NO_AGE), often[start : start + step]
        for k, inside in enumerate(_log_between(*some, thresholds)):
            found[k] += inside @ many
    return found


def _log_between(
    held: NDArray[np.int64], lost: NDArray[np.int64], thresholds: NDArray[np.int64]
) -> Iterator[NDArray[np.float64]]:
    """For each spread, float64[thresholds, cells]: log of the chance that a cell's own time lies between the ages
    ``held`` (-1 = any) and ``lost`` (``_NO_AGE`` = any), both in steps; within a step of them where they are one age.
    """
    start = _NO_AGE - _STEPS * thresholds[:, None]
    narrow = lost <= held
    first, last = np.where(narrow, lost, held), np.where(narrow, held + 1, lost)
    for chance in _past():
        above = np.where(held < 0, 0.0, chance[np.maximum(first, 0) + start])
        below = np.where(lost >= _NO_AGE, 1.0, chance[np.minimum(last, _NO_AGE) + start])
        yield np.log(np.maximum(below - above, _FLOOR))


@cache
def _past() -> list[NDArray[np.float64]]:
    """For each spread, the chance that a time lies below an age so many steps above the threshold, plus ``_NO_AGE``."""
    octaves = np.arange(-_NO_AGE, _NO_AGE + 1) / (decay_kernel.BINS_AN_OCTAVE * _STEPS)
    return [ndtr(octaves * math.log(2.0) / sigma) for sigma in _SPREADS]


@cache
def _log_decayed() -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """(log of having decayed, of having not) for each spread, by how many bins a cell's age lies above the threshold,
    plus BINS; a bin's middle stands for it."""
    octaves = (np.arange(-decay_kernel.BINS, decay_kernel.BINS) + 0.5) / decay_kernel.BINS_AN_OCTAVE
    found = []
    for sigma in _SPREADS:
        p = np.clip(ndtr(octaves * math.log(2.0) / sigma), _FLOOR, 1.0 - _FLOOR)
        found.append((np.log(p), np.log1p(-p)))
    return found


def run_coupled(
    faults: Sequence[CoupledCell], cells: CellSpace, blocks: Blocks, pattern_bits: int
) -> dict[CoupledCell, Effect]:
    """Weigh coupling of one victim bit to every cell that could be its aggressor; two passes over the rows."""
    runs = {fault: _CouplingRun(fault, cells) for fault in faults}
    for look in (_CouplingRun.search, _CouplingRun.try_out):
        for rows in blocks() if runs else ():
            parts = _by_region(rows, (fault.regions for fault in runs))
            for fault, run in runs.items():
                look(run, parts[fault.regions])
    return {fault: run.effect(pattern_bits) for fault, run in runs.items()}


class _CouplingRun:
    """First ``search`` all rows for cells written before failures, then ``try_out`` each of the likeliest."""

    def __init__(self, fault: CoupledCell, cells: CellSpace) -> None:
        span = cells.span(fault.regions[0])
        self._fault, self._first_cell = fault, span.start
        self._lane = fault.mask.bit_length() - 1
        size = span.stop - span.start
        self._since = np.zeros(size, np.uint8)
        self._failed, self._right = np.zeros(size, np.int64), np.zeros(size, np.int64)
        self._ready = False
        self._failures: list[int] = []

    def search(self, rows: Rows) -> None:
        """First pass."""
        coupling_kernel.written_between(
            rows.cell, rows.is_write, rows.compared, rows.wrong, self._fault.cell, self._lane, self._first_cell,
            self._since, self._failed, self._right,
        )  # fmt: skip
        mine = (rows.cell == self._fault.cell) & ((rows.wrong & np.uint32(self._fault.mask)) != 0)
        self._failures += rows.index[mine][: _FIRST - len(self._failures)].tolist()

    def _choose(self) -> None:
        self._ready = True
        victim = self._fault.cell - self._first_cell
        self._chosen, self._weights = _aggressors(victim, self._failed, self._right)
        n = len(self._chosen)
        self._slot = np.full(len(self._failed), -1, np.int32)
        self._slot[self._chosen] = np.arange(n)
        self._lanes = np.array([b for b in range(32) if (self._fault.chip_mask >> b) & 1], np.int64)
        shape = (n, len(self._lanes) * coupling_kernel.WAYS)
        self._values, self._known = np.zeros(n, np.uint32), np.zeros(n, np.uint32)
        self._belief = np.full(1, -1, np.int64)
        self._fired, self._theory = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
        self._hard = np.zeros((*shape, coupling_kernel.TALLY), np.int64)
        self._some, self._hashes = np.zeros_like(self._hard), np.zeros(shape, np.uint64)

    def try_out(self, rows: Rows) -> None:
        """Second pass."""
        if not self._ready:
            self._choose()
        coupling_kernel.couple(
            _cell_rows(rows),
            Victim(self._fault.cell, self._lane, self._first_cell, self._slot, self._lanes),
            Aggressors(self._values, self._known, self._belief, self._fired, self._theory),
            CouplingCounts(self._hard, self._some, self._hashes),
        )

    def effect(self, pattern_bits: int) -> Effect:
        """The average over all hypotheses, with what the best one counted."""
        if not self._ready:
            self._choose()
        return _best_coupling(
            self._chosen + self._first_cell, self._weights, self._hard, self._some, self._hashes, pattern_bits,
            tuple(self._failures),
        )  # fmt: skip


def _aggressors(
    victim: int, failed: NDArray[np.int64], right: NDArray[np.int64]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The cells most often written before a failure, and the prior weight of each (they sum to 1 over all cells)."""
    index = np.arange(len(failed))
    apart = index ^ victim
    near = ((apart & (apart - 1)) == 0) | (np.abs(index - victim) == 1)
    near[victim] = False
    weight = np.where(near, _NEAR, 1.0)
    weight[victim] = 0.0
    weight /= weight.sum()
    order = np.lexsort((right, ~near, -failed))
    order = order[failed[order] > 0][:_AGGRESSORS]
    return order, weight[order]


def _best_coupling(
    aggressors: NDArray[np.int64], weights: NDArray[np.float64], hard: NDArray[np.int64], some: NDArray[np.int64],
    hashes: NDArray[np.uint64], pattern_bits: int, first: tuple[int, ...],
) -> Effect:  # fmt: skip
    """Average over the hypotheses; what the best one counted is shown."""
    ways = hard.shape[1]
    counts = np.stack([hard, some], axis=2).astype(np.float64)  # aggressor, way, always or not
    hit, miss, other = (counts[..., column] for column in range(3))
    # What a hypothesis does not explain is as strange as any other stray.
    worth = np.log(weights / ways / 2)[:, None, None] - 12.0 * other
    a, b = HARD
    own = np.empty_like(hit)
    own[..., 0] = betaln(hit[..., 0] + a, miss[..., 0] + other[..., 0] + b) - betaln(a, b)
    a, b = SOMETIMES
    own[..., 1] = np.minimum(betaln(hit[..., 1] + a, miss[..., 1] + b) - betaln(a, b), 0.0)
    logs = np.where(hit > 0, own + worth, -np.inf)
    chances = np.zeros((WINDOWS, 2), np.int64)
    if not logs.size or logs.max() == -np.inf:
        return Effect(Tally(), 0, (), chances, -math.inf)
    k, h, now_and_then = (int(v) for v in np.unravel_index(int(np.argmax(logs)), logs.shape))
    always = now_and_then == 0
    tally = Tally(*(int(v) for v in (hard if always else some)[k, h]))
    hash_ = int(hashes[k, h]) if always else int(hashes[k, h]) ^ 1
    return Effect(tally, hash_, first, chances, float(logsumexp(logs)), float(aggressors[k]), always)
