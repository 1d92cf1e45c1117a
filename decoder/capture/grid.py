"""The analyser's sample interval, told from the time stamps alone."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.columns import Capture

__all__ = ["beginning", "sample_grid", "with_sample_grid", "without_delays"]

_LOOK = 1 << 16
_FEW = 24
_UNBROKEN = 64  # steps in a row
_FINEST_FS = 5_000_000  # 5 ns: 200 million samples a second; ticks of simulators are 1 ns and less, as a rule
_COARSE_FS = 100_000_000  # 100 ns: an analyser that slow could follow no bus


def sample_grid(time: NDArray[np.int64]) -> float | None:
    """Ticks a sample, as a float (41.6667 for 24 MHz written in whole nanoseconds), or None.

    Parameters
    ----------
    time : int64, shape (n,), ticks, strictly rising; the first block of a capture is enough.

    Where all steps share a divisor above one tick, that divisor is the answer
    (times of a simulator in ps that only use whole ns give 1000). Else the
    times may be multiples of a fractional interval, each rounded to a tick: the
    interval is fitted on short steps, then on longer and longer ones, because
    a step of n samples fixes it n times as well; long quiet spells are left
    out. None if neither holds: the capture is event-driven, or sampled at one
    tick.
    """
    steps = np.diff(np.asarray(time[:_LOOK], dtype=np.int64))
    steps = steps[steps > 0]
    if steps.size == 0:
        return None
    divisor = int(np.gcd.reduce(steps))
    if divisor > 1:
        return float(divisor)
    if steps.size < _FEW:
        return None
    shortest = float(steps.min())
    for parts in range(1, 9):
        guess = shortest / parts
        if guess < 3.0:
            break
        fitted = _fit(steps.astype(np.float64), guess)
        if fitted is not None:
            return fitted
    return None


def without_delays(time: NDArray[np.int64], tick_fs: int) -> bool:
    """Whether the stamps show a simulation without delays: a change at every point of a coarse grid, none left out.

    There a clock is dumped whose half period is the grid, and all else changes with its edges. An analyser that
    sampled a bus once in half a clock period would lose or double an edge as its own clock drifts against the bus's.

    Parameters
    ----------
    time : int64, shape (n,), ticks, strictly rising; the first block of a capture is enough
    tick_fs : femtoseconds a tick
    """
    steps = np.diff(np.asarray(time[:_LOOK], dtype=np.int64))[1:-1]  # the first and the last may be cut
    if steps.size < _UNBROKEN:
        return False
    return bool((steps == steps[0]).all()) and int(steps[0]) * tick_fs >= _COARSE_FS


def with_sample_grid(blocks: Iterator[Capture], exact: bool = False) -> tuple[float | None, bool, Iterator[Capture]]:
    """``sample_grid`` of a capture, whether it is ``without_delays``, and its blocks again from the first.

    Without delays, or where the caller knows it to be ``exact``, there is no sample interval (None). Stamps that share
    no divisor are an analyser's samples, one a tick, where a tick is as long as an analyser's samples are: delays of a
    simulation are told in finer ones.

    The same rows are looked at whatever the size of the blocks: a first block
    of a few rows would give another interval than the whole.
    """
    held, blocks = beginning(blocks)
    time = np.concatenate([block.time for block in held]) if held else np.zeros(0, np.int64)
    exact = exact or bool(held and without_delays(time, held[0].tick_fs))
    if exact:
        return None, True, blocks
    grid = sample_grid(time)
    if grid is None and len(time) > _FEW and _FINEST_FS <= held[0].tick_fs < _COARSE_FS:
        grid = 1.0
    return grid, False, blocks


def beginning(blocks: Iterator[Capture]) -> tuple[list[Capture], Iterator[Capture]]:
    """The first blocks, cut to the rows that tell what a capture is like, and all blocks again from the first."""
    held: list[Capture] = []
    rows = 0
    for block in blocks:
        held.append(block)
        rows += len(block)
        if rows >= _LOOK:
            break
    shown = [*held[:-1], held[-1].slice(0, len(held[-1]) - max(0, rows - _LOOK))] if held else []
    return shown, chain(held, blocks)


def _fit(steps: NDArray[np.float64], guess: float) -> float | None:
    """The interval near ``guess`` of which every step is a multiple, to the rounding of two stamps."""
    interval, doubt = guess, 1.0
    used = 0
    while True:
        # A step of n samples is counted right while n times the doubt stays under a third of a sample.
        reach = interval / (3 * doubt)
        short = steps <= (reach + 0.5) * interval
        counts = np.rint(steps[short] / interval)
        off = np.abs(steps[short] - counts * interval)
        if not counts.size or np.mean(off <= 1.0 + counts * doubt + 1e-6) < 0.995:
            return None
        if counts.size == used:
            break
        used = counts.size
        # Steps in a row telescope: only the two ends of a run are rounded, by half a tick each.
        runs = int(np.count_nonzero(short[1:] & ~short[:-1])) + int(short[0])
        interval = float(steps[short].sum() / counts.sum())
        doubt = max(runs / float(counts.sum()), 1e-9)
    if used < 0.5 * steps.size:
        return None
    return interval if _on_grid(steps, interval, reach) else None


def _on_grid(steps: NDArray[np.float64], interval: float, reach: float) -> bool:
    """True if the stamps of each stretch of 64 steps, long spells apart, stay within one rounding of a grid."""
    counts = np.rint(steps / interval)
    long = counts > reach
    drift = np.cumsum(np.where(long, 0.0, steps - counts * interval))
    label = np.cumsum(long) + (np.arange(steps.size) // 64) * (steps.size + 1)
    starts = np.flatnonzero(np.diff(label, prepend=-1))
    middle = (np.maximum.reduceat(drift, starts) + np.minimum.reduceat(drift, starts)) / 2
    sizes = np.diff(starts, append=steps.size)
    return bool(np.mean(np.abs(drift - np.repeat(middle, sizes)) <= 0.75) >= 0.97)
