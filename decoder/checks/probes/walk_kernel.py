"""Which steps from an address to the next one a line took part in, and which it did not follow."""

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import inner

# ``state``: whether a word was seen, the present word and since when it stands, words that stood.
BEGUN, WORD, SINCE, COUNT = range(4)
STATE_SIZE = 4
RING = 16
"""Words back that the address before may lie: an access of data comes once in a turn of a loop, between its fetches
and, on some buses, as many refresh addresses."""
KEYS = 1 << 14
# Columns of ``steps``
FOLLOWED, MISSED = range(2)


@inner(_nrt=False)
def _key(word, line):
    """A place in the table for an address without one of its bits."""
    mixed = np.uint64(word & ~(np.int64(1) << line)) * np.uint64(0x9E3779B97F4A7C15)
    return np.int64(mixed >> np.uint64(50))


@inner(_nrt=False)
def _step(word, state, ring, steps, missed):
    """One more address that stood."""
    count = state[COUNT]
    last = ring[(count - 1) % RING]
    if count > 0 and word == last:
        return
    lines = steps.shape[0]
    if count > 0:
        for line in range(lines):
            if ((word ^ last) >> line) & 1:
                missed[line] = 0
    for back in range(min(count, RING)):
        before = ring[(count - 1 - back) % RING]
        for line in range(lines):
            bit = np.int64(1) << line
            if before & (bit - 1) != bit - 1:
                break  # a line changes where all below it carry
            if word == before + 1:
                steps[line, _key(before, line), FOLLOWED] = 1
                continue
            rises = (word | bit) == (before & ~bit) + 1  # but for the line itself
            falls = (word & ~bit) == (before | bit) + 1
            if (word ^ before) & bit == 0 and (rises or falls):
                key = _key(before, line)
                if steps[line, key, MISSED] == 0:
                    steps[line, key, MISSED] = 1
                    if steps[line, key, FOLLOWED] != 0:
                        missed[line] += 1
    ring[count % RING] = word
    state[COUNT] = count + 1


@njit(cache=True, nogil=True, _nrt=False)
def walk(time, levels, places, lines, settle, state, ring, steps, missed):
    """One block of raw channels.

    ``time`` int64 ticks a row, ``levels`` uint64 (rows, words); ``places`` int64: the channels of the address lines,
    the lowest line first, and ``lines`` uint64 (words,) all of them as bits; ``settle`` ticks: what stands no longer is
    skew. Carried: ``state`` int64 (STATE_SIZE,), ``ring`` int64 (RING,) the last words that stood, ``steps`` uint8
    (lines, KEYS, 2) the steps seen at which the line had to change: with the change, and without it. Tally: ``missed``
    int64 (lines,): different steps since the line's last change at which it changed before, never failed to, and now
    did not.
    """
    for i in range(time.shape[0]):
        if i > 0:
            moved = np.uint64(0)
            for w in range(lines.shape[0]):
                moved |= (levels[i, w] ^ levels[i - 1, w]) & lines[w]
            if moved == np.uint64(0):
                continue
        word = np.int64(0)
        for b in range(places.shape[0]):
            c = places[b]
            word |= np.int64((levels[i, c // 64] >> np.uint64(c % 64)) & np.uint64(1)) << b
        if state[BEGUN] != 0 and word == state[WORD]:
            continue
        if state[BEGUN] != 0 and time[i] - state[SINCE] > settle:
            _step(state[WORD], state, ring, steps, missed)
        state[BEGUN] = 1
        state[WORD] = word
        state[SINCE] = time[i]
    return np.int64(0)
