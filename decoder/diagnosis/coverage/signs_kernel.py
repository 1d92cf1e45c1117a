"""What each bit of the bus did, cycle by cycle, and each line, edge by edge."""

import numba as nb
import numpy as np

from busledger.decoder.bits_kernel import binary_digits, lowest_bit

# Columns of ``bits``: transfers seen high and low; changes; the transfer after its last change and that one's time;
# the longest rest between two changes in transfers, when it began and ended, and the longest but one.
HIGH, LOW, MOVES, LAST, LAST_TIME, QUIET, QUIET_FROM, QUIET_TO, SECOND = range(9)
BIT_SIZE = 9
# ``state``: transfers counted; time of the last one.
COUNT, TIME = range(2)
STATE_SIZE = 2
# Columns of ``lines``: changes, time of the last one.
LINE_MOVES, LINE_LAST = range(2)
LINE_SIZE = 2
SPACINGS = 40


@nb.njit(cache=True, nogil=True, _nrt=False)
def count_bits(time, word, hidden, before, state, bits, highs, spacings):
    """One block of transfers.

    ``word``, ``hidden`` uint64 a row: 64 bits of the bus, and which of them are not known. Carried: ``before``
    uint64 (2,), the level that each bit showed last, and whether it showed any; ``state`` int64 (STATE_SIZE,).
    Tallies: ``bits`` int64 (64, BIT_SIZE); ``highs`` int64 (64,), the transfer at which a bit last became high;
    ``spacings`` int64 (SPACINGS,), distances between transfers by the number of binary digits of their ticks.
    """
    # In variables of their own, not in the arrays, which a compiler must take to be one and the same.
    level, shown, count, last = before[0], before[1], state[COUNT], state[TIME]
    for i in range(time.shape[0]):
        n, now = count, time[i]
        known = ~hidden[i]
        new = word[i] & known
        if n > 0:
            spacings[min(binary_digits(np.uint64(max(now - last, 0))), SPACINGS - 1)] += 1
        fresh = known & ~shown
        shown |= known
        level = (level & ~fresh) | (new & fresh)
        moved = (level ^ new) & known
        while moved != np.uint64(0):
            b = lowest_bit(moved)
            moved &= moved - np.uint64(1)
            rest = n - bits[b, LAST]
            if rest > bits[b, QUIET]:
                bits[b, SECOND] = bits[b, QUIET]
                bits[b, QUIET] = rest
                bits[b, QUIET_FROM] = bits[b, LAST_TIME]
                bits[b, QUIET_TO] = now
            elif rest > bits[b, SECOND]:
                bits[b, SECOND] = rest
            if (level >> np.uint64(b)) & np.uint64(1):
                bits[b, HIGH] += n - highs[b]
            else:
                highs[b] = n
            bits[b, MOVES] += 1
            bits[b, LAST] = n
            bits[b, LAST_TIME] = now
        while fresh != np.uint64(0):
            b = lowest_bit(fresh)
            fresh &= fresh - np.uint64(1)
            highs[b] = n
            bits[b, LOW] = n
            bits[b, LAST] = n
            bits[b, LAST_TIME] = now
        level = (level & ~known) | new
        count, last = n + 1, now
    before[0], before[1] = level, shown
    state[COUNT], state[TIME] = count, last
    return np.int64(0)


@nb.njit(cache=True, nogil=True, _nrt=False)
def count_lines(time, levels, unknown, begun, before, lines):
    """One block of rows: the changes of every line.

    ``before`` uint64 (words,) carried, ``begun`` whether it holds levels; ``lines`` int64 (64 × words, LINE_SIZE).
    """
    for w in range(levels.shape[1]):
        old = before[w]
        for i in range(time.shape[0]):
            now = (levels[i, w] & ~unknown[i, w]) | (old & unknown[i, w])
            moved = now ^ old
            old = now
            if i == 0 and not begun:
                continue
            while moved != np.uint64(0):
                b = 64 * w + lowest_bit(moved)
                moved &= moved - np.uint64(1)
                lines[b, LINE_MOVES] += 1
                lines[b, LINE_LAST] = time[i]
        before[w] = old
    return np.int64(0)
