"""The program of a bus that does not tell its fetches: from one instruction to the next, by what each must do.

Rows and tables are those of ``fits_kernel``, which tells what fits at one row.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner
from busledger.decoder.program.following.fits_kernel import (
    CALL,
    DEPTH,
    JUMP,
    LONGEST_CYCLES,
    NO_BANK,
    RAN_OUT,
    fits,
    goes_on,
    hopeless,
    interrupted,
    only_end,
    shape_at,
)

WALK = 4
"""Instructions that a stretch must admit, whatever row it is begun at, before the thread is picked up."""
LOOKAHEAD = 512
"""Rows that must follow before a row is decided on (unless the capture ends)."""

FETCH = 1
INTERRUPT = 2
LOST = 3


@inner(_nrt=False, forceinline=True)
def _jumped(i, rows, read, address, data, timing, shape, work):
    """The row at which a jump or call at row i reads where its bytes lead; 0 where it is none, or could end elsewhere.

    Whatever fits behind it, an instruction begins there.
    """
    ends = work[0]
    if fits(i, rows, read, address, data, timing, shape, ends) != 1:
        return 0
    _, page, op = shape_at(i, rows, read, address, data, timing, shape)[:3]
    sure = timing[3][page, op] in (JUMP, CALL) and timing[4][page, op] != NO_BANK
    return ends[0] if sure else 0


@inner(_nrt=False, forceinline=True)
def _from_vector(k, rows, read, address, data, timing, shape, work):
    """The row of the first fetch behind a vector that rows k and k + 1 read; 0 where they read none."""
    if k + 4 >= rows or shape[6][k] != k:
        return 0
    word = data[k] << 8 | data[k + 1] if shape[2] else data[k] | data[k + 1] << 8
    for end in range(k + 2, min(k + 5, rows)):
        if address[end] != word or not read[end]:
            continue
        if goes_on(end, DEPTH, rows, read, address, data, timing, shape, work):
            return end
    return 0


@inner(_nrt=False, forceinline=True)
def _step(i, rows, read, address, data, timing, shape, work, steps, tells):
    """The row behind the only instruction, or the interrupt, that fits at row i; 0 where there is none.

    ``steps`` keeps it for every row (-1: not looked at yet), ``tells`` whether it jumps or reaches for data.
    """
    if steps[i] < 0:
        end = 0
        if not hopeless(i, rows, read, address, data, timing, shape):
            end = only_end(i, rows, read, address, data, timing, shape, work)
        if end == 0:
            end = interrupted(i, rows, read, address, data, shape)
        steps[i] = max(end, 0)
        if end > 0:
            length = shape_at(i, rows, read, address, data, timing, shape)[0]
            tells[i] = end - i > length + 1 or address[end] != ((address[i] + length) & shape[0])
    return steps[i]


@inner(_nrt=False, forceinline=True)
def _only_reading(k, rows, read, address, data, timing, shape, work, seen, steps, tells):
    """A row in which an instruction begins whichever of the rows from k is taken for one; 0 where there is none.

    The longest instruction begins in one of the first ``shape[5]`` rows from k: every one of them is tried. Those from
    which the program can be followed beyond them, for WALK instructions at least, must meet in one row; and one of them
    must have jumped or reached for data, so that no row of plain bytes misleads.
    """
    walks = 0
    telling = False
    beyond = k + shape[5]
    reached = 0
    for start in range(k, min(beyond, rows)):
        i = start
        done = 0
        told = False
        alive = True
        while done < WALK or i < beyond:
            end = _step(i, rows, read, address, data, timing, shape, work, steps, tells)
            if end == 0:
                alive = False
                break
            told = told or tells[i]
            i = end
            done += 1
        if not alive:
            continue
        walks += 1
        telling = telling or told
        i = start
        for _ in range(done + 1):
            at = i - k
            if at < seen.shape[0]:
                while reached <= at:
                    seen[reached] = 0
                    reached += 1
                seen[at] += 1
            i = steps[i]
            if i <= 0:
                break
    if walks == 0 or not telling:
        return 0
    for m in range(reached):
        if seen[m] == walks:
            return k + m
    return 0


@nb.njit(cache=True, nogil=True)
def follow(read, address, data, timing, shape, locked, last, mark):
    """Mark the rows that begin an instruction (FETCH), those of interrupts (INTERRUPT), and where the thread is LOST.

    Parameters
    ----------
    locked : whether row 0 begins an instruction
    last : no rows come after these; else the last LOOKAHEAD rows are left for the next call
    mark : uint8 out, zero at first

    Returns
    -------
    (row from which nothing is decided yet, whether an instruction begins there)
    """
    rows = read.shape[0]
    stop = rows if last else rows - LOOKAHEAD
    # Ends of one instruction, and what ``goes_on`` keeps of each of those that it tries one behind the other.
    work = (
        np.empty(4, np.int64), np.empty(DEPTH + 1, np.int64), np.empty(DEPTH + 1, np.int64),
        np.empty((DEPTH + 1, 4), np.int64),
    )  # fmt: skip
    seen = np.zeros(shape[5] + 2 * LONGEST_CYCLES * WALK, np.int64)
    steps = np.full(rows, -1, np.int64)
    tells = np.zeros(rows, np.bool_)
    i = 0
    tried = 0  # rows before it need not be looked at for a stretch: the windows of two attempts overlap by half
    while i < stop:
        if locked:
            end = only_end(i, rows, read, address, data, timing, shape, work)
            if end > 0:
                mark[i] = FETCH
                i = end
                continue
            if end == RAN_OUT:
                mark[i] = LOST
                return rows, False
            end = interrupted(i, rows, read, address, data, shape)
            if end > 0:
                for k in range(i, end):
                    mark[k] = INTERRUPT
                i = end
                continue
            locked = False
            end = _jumped(i, rows, read, address, data, timing, shape, work)
            if end > 0:
                mark[i] = FETCH
                i = end
                length, page, op = shape_at(i, rows, read, address, data, timing, shape)[:3]
                if length > 0:
                    mark[i] = FETCH
                    i += max(length, np.int64(timing[7][page, op]) + 1)
            if i < rows:
                mark[i] = LOST
            if i >= stop:
                break
        end = _from_vector(i, rows, read, address, data, timing, shape, work)
        if end > 0:
            for k in range(i, end):
                mark[k] = INTERRUPT
            i = end
            locked = True
            continue
        if i >= tried:
            end = _only_reading(i, rows, read, address, data, timing, shape, work, seen, steps, tells)
            if end > 0:
                # What lies before it stays unknown: the rows may have more than one reading.
                i = end
                locked = True
                continue
            tried = i + max(1, shape[5] // 2)
        i += 1
    return i, locked
