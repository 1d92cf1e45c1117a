"""Accesses that run on in even steps: the level of an address line that no channel carries is counted along."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

# Columns of ``runs``, a row a stream: accesses in the run, the address of the last on the wired bits, how many ways are
# left to read it, the number of the last one's cycle, and the least and the most cycles from one to the next.
LENGTH, LAST, WAYS, CYCLE, LEAST_GAP, MOST_GAP = range(6)
RUN_SIZE = 6
# Columns of ``ways``: the whole address of the last access, the step, the hidden bits that have come and gone, and
# whether these steps soon lead to a cell that looks the same.
ADDRESS, STEP, CAME, WENT, CLOSE = range(5)
WAY_SIZE = 5
MOST_WAYS = 256  # two cells, each with up to three hidden bits; and those with one access lost. A run with more ends
STEPS_APART = 4
LEAST = 16
PACED = 8  # accesses of a run that show how many cycles its loop takes
MAX_GAP = np.int64(1 << 61)
PAGE = 0xFF  # where the low byte carries, a loop takes longer (common practice of eight-bit processors)


@inner(_nrt=False)
def _looks_alike_soon(step, hidden):
    """Whether so few steps lead to a cell that looks the same on the wired bits: ``0 4 8 12`` without A2 looks like
    ``0 0 8 8``, where one access that the capture lost is soon overlooked. Steps of 11 never come to such a cell."""
    for k in range(1, STEPS_APART):
        way = k * abs(step)
        one = hidden
        while True:
            other = one + way
            if other <= hidden and not other & ~hidden:
                return True
            if one == 0:
                break
            one = (one - 1) & hidden
    return False


@inner(_nrt=False)
def _begin(stream, last, now, hidden, start, end, runs, ways):
    """Every way in which two accesses may be the first two of a run."""
    runs[stream, LENGTH] = 1
    runs[stream, LAST] = now
    runs[stream, WAYS] = 0
    runs[stream, LEAST_GAP] = MAX_GAP  # what lies before the second may not be of the loop
    runs[stream, MOST_GAP] = 0
    one = hidden
    while True:
        other = hidden
        while True:
            a, b = last | one, now | other
            step = b - a
            inside = start <= a <= end and start <= b <= end
            if inside and step != 0:
                place = runs[stream, WAYS]
                ways[stream, place, ADDRESS] = b
                ways[stream, place, STEP] = step
                ways[stream, place, CAME] = ~a & b & hidden
                ways[stream, place, WENT] = a & ~b & hidden
                ways[stream, place, CLOSE] = _looks_alike_soon(step, hidden)
                runs[stream, WAYS] += 1
            if other == 0:
                break
            other = (other - 1) & hidden
        if one == 0:
            break
        one = (one - 1) & hidden
    if runs[stream, WAYS] > 0:
        runs[stream, LENGTH] = 2


@inner(_nrt=False)
def _in_step(stream, cycle, runs):
    """Whether the next access comes as soon as the run's loop brings it, 0 = no, 1 = yes, 2 = later: a program that has
    left the loop, and comes by chance to where it would have gone on, keeps another pace. A loop that takes now more,
    now fewer cycles may do so by as much again."""
    gap = cycle - runs[stream, CYCLE]
    if runs[stream, LENGTH] < PACED:
        runs[stream, LEAST_GAP] = min(runs[stream, LEAST_GAP], gap)
        runs[stream, MOST_GAP] = max(runs[stream, MOST_GAP], gap)
        return 1
    loose = runs[stream, MOST_GAP] - runs[stream, LEAST_GAP]
    if gap < runs[stream, LEAST_GAP] - loose:
        return 0
    return 1 if gap <= runs[stream, MOST_GAP] + loose else 2


@inner(_nrt=False)
def _one_lost(stream, gap, hidden, runs, ways):
    """Besides each way whose look-alike cell is close, the same with one access more, which the capture lost: possible
    where the loop's shortest time would pass twice. The next accesses tell which. False: no room for all."""
    if gap < 2 * runs[stream, LEAST_GAP]:
        return True
    known = runs[stream, WAYS]
    for k in range(known):
        if not ways[stream, k, CLOSE]:
            continue
        place = runs[stream, WAYS]
        if place == MOST_WAYS:
            return False
        before = ways[stream, k, ADDRESS]
        at = before + ways[stream, k, STEP]
        ways[stream, place, ADDRESS] = at
        ways[stream, place, STEP] = ways[stream, k, STEP]
        ways[stream, place, CAME] = ways[stream, k, CAME] | (~before & at & hidden)
        ways[stream, place, WENT] = ways[stream, k, WENT] | (before & ~at & hidden)
        ways[stream, place, CLOSE] = 1
        runs[stream, WAYS] += 1
    return True


@inner(_nrt=False)
def _place_of(stream, kept, at, step, ways):
    """Where among the ``kept`` ways this one is already: an access that was lost here, and one lost a step later, have
    come to the same. ``kept`` if it is not."""
    for k in range(kept):
        if ways[stream, k, ADDRESS] == at and ways[stream, k, STEP] == step:
            return k
    return kept


@inner(_nrt=False)
def _goes_on(stream, now, pace, hidden, start, end, runs, ways):
    """Keep the ways by which the run goes on to ``now``; whether any does. ``pace``: as ``_in_step``."""
    kept = 0
    for k in range(runs[stream, WAYS]):
        before = ways[stream, k, ADDRESS]
        step = ways[stream, k, STEP]
        close = ways[stream, k, CLOSE]
        at = before + step
        if at < start or at > end or (at ^ now) & ~hidden:
            continue
        if pace == 0 or (pace == 2 and (close or not (at ^ before) & ~PAGE)):
            continue
        came = ways[stream, k, CAME] | (~before & at & hidden)
        went = ways[stream, k, WENT] | (before & ~at & hidden)
        place = _place_of(stream, kept, at, step, ways)
        if place < kept:
            came &= ways[stream, place, CAME]
            went &= ways[stream, place, WENT]
        ways[stream, place, ADDRESS] = at
        ways[stream, place, STEP] = step
        ways[stream, place, CAME] = came
        ways[stream, place, WENT] = went
        ways[stream, place, CLOSE] = close
        kept = max(kept, place + 1)
    if kept == 0:
        return False
    runs[stream, WAYS] = kept
    runs[stream, LENGTH] += 1
    runs[stream, LAST] = now
    return True


@nb.njit(cache=True, nogil=True, _nrt=False)
def count_along(first, region, action, address, unknown, starts, ends, hidden, runs, ways, out):
    """The hidden address bits of each access, -1 where nothing tells them.

    ``first``: the number of the block's first cycle. ``region`` int16 and ``action`` uint8 (1 reads, 2 writes),
    ``address`` and ``unknown`` uint32 a cycle; ``starts``, ``ends``, ``hidden`` int64 a region: its range, and the
    address bits within it that no channel carries (0: not asked). Reads and writes of a region are streams of their
    own, ``2 * region + (1 for writes)``; ``runs`` int64 (streams, RUN_SIZE) and ``ways`` int64 (streams, MOST_WAYS,
    WAY_SIZE) are carried to the next block. Told are those from the LEAST-th access of a run on, once each hidden bit
    has come and gone and one way is left to read it.
    """
    for i in range(region.shape[0]):
        out[i] = -1
        r = region[i]
        if r < 0 or action[i] == 0 or hidden[r] == 0:
            continue
        stream = 2 * np.int64(r) + (1 if action[i] == 2 else 0)
        mask = hidden[r]
        if np.int64(unknown[i]) & ~mask:
            runs[stream, LENGTH] = 0  # which cell it was is in doubt, and where the run goes from there
            continue
        now = np.int64(address[i]) & ~mask
        if runs[stream, LENGTH] == 0:
            runs[stream, LENGTH] = 1
            runs[stream, LAST] = now
            runs[stream, WAYS] = 0
            runs[stream, CYCLE] = first + i
            continue
        last = runs[stream, LAST]
        pace = _in_step(stream, first + i, runs)
        gap = first + i - runs[stream, CYCLE]
        if (
            runs[stream, LENGTH] == 1
            or not _one_lost(stream, gap, mask, runs, ways)
            or not _goes_on(stream, now, pace, mask, starts[r], ends[r], runs, ways)
        ):
            _begin(stream, last, now, mask, starts[r], ends[r], runs, ways)
        runs[stream, CYCLE] = first + i
        if runs[stream, LENGTH] < LEAST or runs[stream, WAYS] != 1:
            continue
        if ways[stream, 0, CAME] & ways[stream, 0, WENT] == mask:
            out[i] = ways[stream, 0, ADDRESS] & mask
