"""Values that come again and again: the likelier, the oftener they came before."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.special_functions import gammaln

__all__ = ["log_filled", "log_urn", "log_urn_of", "log_values"]

LN2 = math.log(2.0)


def log_urn(seen: NDArray[np.uint32], kinds: float) -> float:
    """Log probability of a row of values out of ``kinds``, those seen before being likelier.

    A Pólya urn: a Dirichlet prior of weight one over all of them (Blackwell and MacQueen, Annals of Statistics 1,
    1973, p. 353, from memory).
    """
    return log_urn_of(np.unique(seen, return_counts=True)[1], kinds)


def log_urn_of(often: NDArray[np.int64], kinds: float) -> float:
    """The same of counts: how often each value came, those that never did left out or 0."""
    each = 1.0 / kinds
    return float((gammaln(often + each) - gammaln(each)).sum() - gammaln(often.sum() + 1.0))


def log_values(cell: NDArray[np.int32], value: NDArray[np.uint32], bits: int | NDArray[np.uint32]) -> float:
    """Log probability of the values that cells of unknown character gave, each cell by itself.

    ``bits``: how many lanes were seen, or the mask of those of each value, outside of which it counts for nothing.
    A value that a cell gave before is the likelier the oftener it did; a new one may be any of ``2 ** bits``
    (Blackwell and MacQueen's urn, concentration 1: Annals of Statistics 1, 1973, p. 353, from memory); or every value
    is as likely each time.
    """
    if not len(cell):
        return 0.0
    if isinstance(bits, np.ndarray):
        value = value & bits
    key = cell.astype(np.uint64) << np.uint64(32) | value.astype(np.uint64)
    # One order for both counts: of each value of a cell, and of each cell's reads.
    if isinstance(bits, np.ndarray):
        order, told = np.argsort(key, kind="stable"), np.bitwise_count(bits).astype(np.float64)
        key, first, each = _runs(key[order])
        new, all_ = float(told[order[first]].sum()), float(told.sum())
    else:
        all_ = float(bits * len(key))
        key, _, each = _runs(np.sort(key))
        new = float(bits * len(key))
    _, first, _ = _runs(key >> np.uint64(32))
    reads = np.add.reduceat(each, first)
    urn = float(gammaln(each).sum() - gammaln(reads + 1.0).sum() - new * LN2)
    return log_sum([urn, -all_ * LN2]) - LN2


def _runs(ordered: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.int64]]:
    """(each value once, where it stands first, how often it comes) of values in order, of which there are some."""
    first = np.concatenate(([0], np.flatnonzero(ordered[1:] != ordered[:-1]) + 1))
    return ordered[first], first, np.diff(first, append=len(ordered))


def log_filled(value: NDArray[np.uint32], lanes: int) -> float:
    """Log probability of what a program wrote, in the order of time; ``lanes``: mask of those that were seen.

    Memory is tested and cleared with few values; or each value is made of the one before (the same, its complement,
    a step further), so that their differences are few.
    """
    if not len(value):
        return 0.0
    bits, mask = lanes.bit_count(), np.uint32(lanes)
    value = value & mask
    first = -bits * math.log(2.0)
    bent, step = value[1:] ^ value[:-1], (value[1:] - value[:-1]) & mask
    one = np.zeros(len(value), np.int32)
    made = [first + log_values(one[1:], change, bits) for change in (bent, step)]
    return log_sum([log_values(one, value, bits), *made]) - math.log(3.0)
