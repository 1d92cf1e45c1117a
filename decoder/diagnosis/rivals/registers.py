"""What the registers of a device give: how likely their reads are, each register with a character of its own."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.urns import log_urn
from busledger.decoder.diagnosis.replay.weighing import HARD, SOMETIMES, log_rate, log_sum
from busledger.decoder.special_functions import betaln

__all__ = ["log_device", "log_registers"]

LN2 = math.log(2.0)
# Judged: of devices, those that show one thing that moves on at all of their addresses; those of which 2 or 4 registers
# come again and again, for the lines above them are left out of their decoding (common practice).
_ONE_COUNTER, _REPEATED = 0.1, 0.15
_DECODED = (1, 2)  # lines


def log_device(rows: Rows) -> float:
    """Log probability of what a device gave: each register by itself, or a few of them again and again, or all of them
    one thing that moves on by steps that are few, as the counter of a timer or of a display does, and a port that shows
    its place in a row of data."""
    rows = rows.take(np.argsort(rows.index, kind="stable"))
    lanes = int(np.bitwise_or.reduce(rows.compared, initial=0))
    ways = [math.log(_ONE_COUNTER) + _log_moving(rows.cell, rows.data & np.uint32(lanes), lanes)]
    cells = len(np.unique(rows.cell)) if _is_driven(rows, lanes) else 0
    few = [k for k in _DECODED if cells > 1 << k]
    for lines in few:
        again = replace(rows, cell=rows.cell & np.int32((1 << lines) - 1))
        ways.append(math.log(_REPEATED / len(few)) + log_registers(again))
    own = 1.0 - _ONE_COUNTER - (_REPEATED if few else 0.0)
    return log_sum([math.log(own) + log_registers(rows), *ways])


def _is_driven(rows: Rows, lanes: int) -> bool:
    """Whether something answers: neither one level all the time, as of a chip that is stuck, nor what was left over."""
    value = rows.data & np.uint32(lanes)
    left = ((rows.kept ^ rows.data) & rows.compared == 0) | ((rows.rest_bus ^ rows.data) & rows.compared == 0)
    return len(np.unique(value)) > 1 and 2 * int(np.count_nonzero(left)) < len(rows)


def _log_moving(cell: NDArray[np.int32], value: NDArray[np.uint32], lanes: int) -> float:
    """Log probability of values, in the order of time, of which each differs from the one before by one of few steps.
    What has moved on stands nowhere still, and shows no address what that showed the last time: steps of nothing, and
    to what memory would give again, are never among the few."""
    bits = lanes.bit_count()
    step = (value[1:] - value[:-1]) & np.uint32(lanes)
    order = np.argsort(cell, kind="stable")
    again = np.zeros(len(cell), np.bool_)
    again[order[1:]] = (np.diff(cell[order]) == 0) & (np.diff(value[order].astype(np.int64)) == 0)
    moves = step[(step != 0) & ~again[1:]]
    return -(1 + len(step) - len(moves)) * bits * LN2 + log_urn(moves, 2.0**bits)


def log_registers(rows: Rows) -> float:
    """Log probability of what registers gave.

    ``rows``: their reads, in the order of time. Each register by itself is one of these, as likely as the others: it
    gives some values again and again (status, identity); it keeps its value until it changes, or each lane does, at a
    rate of its own; it counts, in steps that are few; it is for writing only, and nobody drives its reads; or it gives
    anything.
    """
    order = np.argsort(rows.cell, kind="stable")
    cell, mask = rows.cell[order], rows.compared[order]
    value = rows.data[order] & mask
    by_kept, by_rest = (rows.kept ^ rows.data)[order] & mask, (rows.rest_bus ^ rows.data)[order] & mask
    left: NDArray[np.bool_] = (by_kept != 0) & (by_rest != 0)
    edges = np.flatnonzero(np.diff(cell)) + 1
    starts, ends = np.concatenate([[0], edges]), np.concatenate([edges, [len(cell)]])
    total = 0.0
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end > start:
            lanes = int(np.bitwise_or.reduce(mask[start:end]))
            ways = list(_characters(value[start:end], lanes, left[start:end]))
            total += log_sum(ways) - math.log(len(ways))
    return total


def _characters(value: NDArray[np.uint32], lanes: int, driven: NDArray[np.bool_]) -> Iterator[float]:
    """Log probability of one register's values under each character; ``driven``: not what the bus was left with."""
    bits, count = lanes.bit_count(), len(value)
    yield log_urn(value, 2.0**bits)
    bent = (value[1:] ^ value[:-1]) & np.uint32(lanes)
    changes = int(np.count_nonzero(bent))
    yield log_rate(changes, len(bent) - changes, SOMETIMES) - (1 + changes) * bits * LN2
    flips = np.array([np.count_nonzero(bent >> np.uint32(b) & 1) for b in range(32) if lanes >> b & 1], np.float64)
    a, b = SOMETIMES
    yield float((betaln(flips + a, len(bent) - flips + b) - betaln(a, b)).sum()) - bits * LN2
    yield -bits * LN2 + log_urn((value[1:] - value[:-1]) & np.uint32(lanes), 2.0**bits)
    odd = int(np.count_nonzero(driven))
    yield log_rate(count - odd, odd, HARD) - odd * bits * LN2
    yield -count * bits * LN2
