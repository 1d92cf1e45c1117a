"""Faults of single cells that ask for more than a replay: decay with time, and coupling to another cell."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from . import coupling_kernel, decay_kernel
from .cells import CellSpace
from .replay import Effect, screened
from .replay_kernel import WINDOWS
from .study import Rows
from .theory import CoupledCell, Decay
from .weighing import Tally, log_hard, log_sometimes, log_sum

__all__ = ["run_coupled", "run_decay"]

_FIRST = 8
_SPREADS = (0.1, 0.3, 0.8)  # σ of ln(retention time) from cell to cell, our estimate
_AGGRESSORS = 96
_NEAR = 20.0  # how much likelier a cell one address bit or one place away is than any other
_FLOOR = 1e-4


def run_decay(faults: Iterable[Decay], cells: CellSpace, blocks: Sequence[Rows]) -> dict[Decay, Effect]:
    """Weigh decay: the retention time is found from the ages at which reads failed.

    A cell of age t is taken to have decayed with probability Φ((ln t − ln T)/σ);
    the likelihood is averaged over T (even in ln T over the ages seen) and σ.
    """
    found = {}
    held: dict[int, list[Rows]] = {}
    for fault in faults:
        if fault.regions[0] not in held:
            held[fault.regions[0]] = [screened(rows, fault.regions) for rows in blocks]
        found[fault] = _decay(fault, cells, held[fault.regions[0]])
    return found


def _decay(fault: Decay, cells: CellSpace, blocks: Sequence[Rows]) -> Effect:
    span = cells.span(fault.regions[0])
    size = span.stop - span.start
    stamp, gone = np.full(size, -1, np.int64), np.zeros(size, np.uint8)
    tally, first = np.zeros(3, np.int64), np.zeros(_FIRST + 1, np.int64)
    ages = np.zeros((2, decay_kernel.BINS), np.int64)
    hashes = np.zeros(decay_kernel.BINS, np.uint64)
    for rows in blocks:
        decay_kernel.decay(
            rows.cell, rows.is_write, rows.data, rows.sure, rows.expected, rows.compared, rows.wrong, rows.index,
            rows.time, span.start, fault.cell, np.uint32(fault.mask), fault.high, fault.refreshes, stamp, gone, tally,
            ages, hashes, first,
        )  # fmt: skip
    own, at = _retention(ages)
    missed = int(ages[0, at:].sum())
    hash_ = int(hashes[at:].sum(dtype=np.uint64))
    decayed = int(tally[decay_kernel.DECAYED])
    found = Tally(decayed, missed, int(tally[decay_kernel.OTHER]), int(tally[decay_kernel.EXPLAINED]))
    seen = tuple(int(v) for v in first[1 : 1 + first[0]])
    return Effect(found, hash_, seen, np.zeros((WINDOWS, 2), np.int64), own, _age_of(at))


def _age_of(at: int) -> float:
    """Ticks at the lower edge of an age bin."""
    return float(2.0 ** (at / decay_kernel.BINS_AN_OCTAVE))


def _retention(ages: NDArray[np.int64]) -> tuple[float, int]:
    """(log marginal likelihood, the best retention time's bin)."""
    used = np.flatnonzero(ages.sum(axis=0))
    if not len(used) or not ages[1].any():
        return -math.inf, 0
    thresholds = np.arange(max(0, used[0] - 1), used[-1] + 2)
    # Bins without reads say nothing; a bin's middle stands for it.
    octaves = (used + 0.5) / decay_kernel.BINS_AN_OCTAVE
    logs = []
    best = (-math.inf, int(used[0]))
    for sigma in _SPREADS:
        z = (octaves[None, :] - thresholds[:, None] / decay_kernel.BINS_AN_OCTAVE) * math.log(2.0) / sigma
        p = np.clip(ndtr(z), _FLOOR, 1.0 - _FLOOR)
        each = (ages[1, used] * np.log(p) + ages[0, used] * np.log1p(-p)).sum(axis=1)
        logs += list(each)
        k = int(np.argmax(each))
        if each[k] > best[0]:
            best = (float(each[k]), int(thresholds[k]))
    return log_sum([float(v) for v in logs]) - math.log(len(logs)), best[1]


def run_coupled(
    faults: Iterable[CoupledCell], cells: CellSpace, blocks: Sequence[Rows], pattern_bits: int
) -> dict[CoupledCell, Effect]:
    """Weigh coupling of one victim bit to every cell that could be its aggressor."""
    return {fault: _coupled(fault, cells, blocks, pattern_bits) for fault in faults}


def _coupled(fault: CoupledCell, cells: CellSpace, blocks: Sequence[Rows], pattern_bits: int) -> Effect:
    mine = [screened(rows, fault.regions) for rows in blocks]
    span = cells.span(fault.regions[0])
    size = span.stop - span.start
    lane = fault.mask.bit_length() - 1
    since, failed, right = np.zeros(size, np.uint8), np.zeros(size, np.int64), np.zeros(size, np.int64)
    for rows in mine:
        coupling_kernel.written_between(
            rows.cell, rows.is_write, rows.compared, rows.wrong, fault.cell, lane, span.start, since, failed, right
        )
    chosen, weights = _aggressors(fault.cell - span.start, failed, right)
    if not len(chosen):
        return Effect(Tally(), 0, (), np.zeros((WINDOWS, 2), np.int64), -math.inf)
    slot = np.full(size, -1, np.int32)
    slot[chosen] = np.arange(len(chosen))
    lanes = np.array([b for b in range(32) if (fault.chip_mask >> b) & 1], np.int64)
    shape = (len(chosen), len(lanes) * coupling_kernel.WAYS)
    values, known = np.zeros(len(chosen), np.uint32), np.zeros(len(chosen), np.uint32)
    belief, fired, theory = np.full(1, -1, np.int64), np.zeros(shape, np.int64), np.zeros(shape, np.int64)
    hard = np.zeros((*shape, coupling_kernel.TALLY), np.int64)
    some, hashes = np.zeros_like(hard), np.zeros(shape, np.uint64)
    for rows in mine:
        coupling_kernel.couple(
            rows.cell, rows.is_write, rows.data, rows.sure, rows.expected, rows.compared, rows.wrong, rows.index,
            fault.cell, lane, slot, span.start, lanes, values, known, belief, fired, theory, hard, some, hashes,
        )  # fmt: skip
    return _best_coupling(chosen + span.start, weights, hard, some, hashes, pattern_bits, _failures(mine, fault))


def _failures(blocks: Sequence[Rows], fault: CoupledCell) -> tuple[int, ...]:
    found: list[int] = []
    for rows in blocks:
        found += rows.index[(rows.cell == fault.cell) & ((rows.wrong & np.uint32(fault.mask)) != 0)][:_FIRST].tolist()
    return tuple(found[:_FIRST])


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
    logs: list[float] = []
    best: tuple[float, Effect] | None = None
    ways = hard.shape[1]
    for k in range(hard.shape[0]):
        for h in range(ways):
            for counts, always in ((hard[k, h], True), (some[k, h], False)):
                hit, miss, other, explained = (int(v) for v in counts)
                if hit == 0:
                    continue
                tally = Tally(hit, miss, other, explained)
                own = log_hard(tally) if always else log_sometimes(tally, None, pattern_bits)
                # What this hypothesis does not explain is as strange as any other stray.
                own += math.log(weights[k] / ways / 2) - 12.0 * other
                logs.append(own)
                if best is None or own > best[0]:
                    hash_ = int(hashes[k, h]) if always else int(hashes[k, h]) ^ 1
                    chances = np.zeros((WINDOWS, 2), np.int64)
                    best = (own, Effect(tally, hash_, first, chances, own, float(aggressors[k]), always))
    if best is None:
        return Effect(Tally(), 0, (), np.zeros((WINDOWS, 2), np.int64), -math.inf)
    effect = best[1]
    return Effect(effect.tally, effect.hash_, first, effect.chances, log_sum(logs), effect.number, effect.always)
