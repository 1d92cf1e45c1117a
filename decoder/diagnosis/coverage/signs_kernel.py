"""What each bit of the bus did, cycle by cycle, and each line, edge by edge.

Bits are not looked at one transfer after the other: 64 transfers at a time are turned, so that one word holds what one
bit did in all of them. Changes are then counted at once, and only a rest that may be one of the two longest is
measured. Of lines only the changes count: those of eight rows are added up at once, digit by digit.
"""

import numba as nb
import numpy as np

from busledger.decoder.bits_kernel import binary_digits, lowest_bit, ones
from busledger.decoder.inner_kernel import inner

# Columns of ``bits``: transfers seen high (but for the rest since it last became so), the first one seen; changes; the
# transfer after its last change and that one's time; the longest rest between two changes in transfers, when it began
# and ended, and the longest but one; the transfer at which it last became high; then of the ``LONG`` longest rests of
# ``LEAST_LONG`` transfers or more, in no order, how many, when each began and ended.
HIGH, LOW, MOVES, LAST, LAST_TIME, QUIET, QUIET_FROM, QUIET_TO, SECOND, HIGH_FROM, RESTS = range(11)
LONG = 8
LEAST_LONG = 200  # more than a chunk, so that no such rest is passed over
BIT_SIZE = RESTS + 3 * LONG
# ``state``: transfers counted; time of the last one; those with a wired bit not known, that moved inside their window,
# with a short strobe; reads, writes and their last times; reads since the last write and writes since the last read;
# the most of them, the ticks around those, and for reads the most but one.
COUNT, TIME, UNKNOWN, UNSETTLED, SHORT, READS, WRITES, LAST_READ, LAST_WRITE, SINCE_WRITE, SINCE_READ = range(11)
READING, READING_FROM, READING_TO, READING_SECOND, WRITING, WRITING_FROM, WRITING_TO = range(11, 18)
STATE_SIZE = 18
# Columns of ``lines``: changes, time of the last one.
LINE_MOVES, LINE_LAST = range(2)
LINE_SIZE = 2
SPACINGS = 40
# ``way`` of a kind of cycle.
NO_TRANSFER, READ, WRITE = 0, 1, 2
FLAG_UNSETTLED, FLAG_UNKNOWN, FLAG_SHORT = 1, 2, 16  # as columns.Flag
DATA_SHIFT = np.uint64(32)  # address bits come first in a word
CHUNK = 64
PLANES = 40  # digits of a count of rows
NONE, EVERY = np.uint64(0), ~np.uint64(0)


@inner(_nrt=False)
def _turn(rows):
    """Bit b of word k becomes bit k of word b: uint64 (64,), blocks exchanged that halve from round to round."""
    step, mask = 32, np.uint64(0xFFFFFFFF)
    while step > 0:
        shift = np.uint64(step)
        for q in range(32):
            j = ((q & ~(step - 1)) << 1) | (q & (step - 1))
            swapped = ((rows[j] >> shift) ^ rows[j + step]) & mask
            rows[j + step] ^= swapped
            rows[j] ^= swapped << shift
        step >>= 1
        mask ^= mask << np.uint64(step)


@inner(_nrt=False)
def _rest(bit, n, now):
    """A bit changes at transfer ``n``, ticks ``now``."""
    rest = n - bit[LAST]
    if rest > bit[QUIET]:
        bit[SECOND] = bit[QUIET]
        bit[QUIET] = rest
        bit[QUIET_FROM] = bit[LAST_TIME]
        bit[QUIET_TO] = now
    elif rest > bit[SECOND]:
        bit[SECOND] = rest
    if rest >= LEAST_LONG:
        _keep(bit, rest, now)
    bit[LAST] = n
    bit[LAST_TIME] = now


@inner(_nrt=False)
def _keep(bit, rest, now):
    """A long rest that ends at ticks ``now``, in the place of the shortest that is kept."""
    at = RESTS
    for k in range(RESTS + 3, BIT_SIZE, 3):
        if bit[k] < bit[at]:
            at = k
    if rest > bit[at]:
        bit[at], bit[at + 1], bit[at + 2] = rest, bit[LAST_TIME], now


@inner(_nrt=False)
def _pauses(changes, longest):
    """Whether two neighbouring changes of a turned word lie more than ``longest`` transfers apart."""
    if longest >= CHUNK:
        return False
    near, reach = changes, np.int64(0)
    while reach < longest - 1:
        step = min(reach + 1, longest - 1 - reach)
        near |= near << np.uint64(step)
        reach += step
    below = np.uint64(lowest_bit(changes))
    top = np.uint64(binary_digits(changes))
    span = EVERY if top == 64 else (np.uint64(1) << top) - np.uint64(1)
    return longest == 0 or (~near & span) >> below != NONE


@inner(_nrt=False)
def _bit(changes, high, first, times, bit):
    """The ``changes`` of one bit in a chunk that begins with transfer ``first``; ``high``: it was, before the first."""
    one = lowest_bit(changes)
    last = np.int64(binary_digits(changes)) - 1
    if high:
        bit[HIGH] += first + one - bit[HIGH_FROM]
    _rest(bit, first + one, times[one])
    if one < last:
        if _pauses(changes, bit[SECOND]):
            rest = changes & (changes - np.uint64(1))
            while rest != NONE:
                k = lowest_bit(rest)
                rest &= rest - np.uint64(1)
                _rest(bit, first + k, times[k])
        bit[LAST], bit[LAST_TIME] = first + last, times[last]
        # The levels out of the changes: each is the odd sum of all before it.
        level = changes
        for step in (1, 2, 4, 8, 16, 32):
            level ^= level << np.uint64(step)
        if high:
            level = ~level
        between = ((np.uint64(1) << np.uint64(last)) - np.uint64(1)) >> np.uint64(one) << np.uint64(one)
        bit[HIGH] += np.int64(ones(level & between))
    count = np.int64(ones(changes))
    if high == (count & 1 == 0):
        bit[HIGH_FROM] = first + last
    bit[MOVES] += count


@inner(_nrt=False)
def _shown_first(fresh, n, now, bits):
    """Transfer ``n`` is the first one in which the bits ``fresh`` are known."""
    while fresh != NONE:
        bit = bits[lowest_bit(fresh)]
        fresh &= fresh - np.uint64(1)
        bit[HIGH_FROM], bit[LOW], bit[LAST], bit[LAST_TIME] = n, n, n, now


@inner(_nrt=False)
def _chunk(changes, some, level, first, times, bits):
    """A chunk that begins with transfer ``first``: the ``changes`` of each, ``some`` in all, from ``level`` on."""
    _turn(changes)
    while some != NONE:
        b = lowest_bit(some)
        some &= some - np.uint64(1)
        _bit(changes[b], (level >> np.uint64(b)) & np.uint64(1) != NONE, first, times, bits[b])


@inner(_nrt=False, forceinline=True)
def _direction(write, now, state):
    """One more transfer: a write ends a run of reads, and a read one of writes."""
    if write:
        run = state[SINCE_WRITE]
        if run > state[READING]:
            state[READING_SECOND] = state[READING]
            state[READING], state[READING_FROM], state[READING_TO] = run, max(state[LAST_WRITE], 0), now
        elif run > state[READING_SECOND]:
            state[READING_SECOND] = run
        state[SINCE_WRITE] = 0
        state[SINCE_READ] += 1
        state[WRITES] += 1
        state[LAST_WRITE] = now
    else:
        if state[SINCE_READ] > state[WRITING]:
            state[WRITING], state[WRITING_TO] = state[SINCE_READ], now
            state[WRITING_FROM] = max(state[LAST_READ], 0)
        state[SINCE_READ] = 0
        state[SINCE_WRITE] += 1
        state[READS] += 1
        state[LAST_READ] = now


@nb.njit(cache=True, nogil=True, _nrt=False)
def count_transfers(cycles, way, wired, before, state, bits, spacings, changes, times):
    """One block of cycles, of which the transfers count: ``cycles`` as ``Transfers``, ``way`` uint8 a kind of cycle.

    ``wired`` uint64: 64 bits of the bus, address first, that a channel carries. Carried: ``before`` uint64 (2,), the
    level that each bit showed last, and whether it showed any; ``state`` int64 (STATE_SIZE,). Tallies: ``bits`` int64
    (64, BIT_SIZE); ``spacings`` int64 (SPACINGS,), distances between transfers by the number of binary digits of their
    ticks. ``changes`` uint64, ``times`` int64 (CHUNK,): to work in.
    """
    time, kind, flags, address, address_unknown, data, data_unknown = cycles
    level, shown, first, last = before[0], before[1], state[COUNT], state[TIME]
    rows, old, some = 0, level, NONE
    for i in range(time.shape[0]):
        what = way[kind[i]]
        if what == NO_TRANSFER:
            continue
        now = time[i]
        if first + rows > 0:
            spacings[min(binary_digits(np.uint64(max(now - last, 0))), SPACINGS - 1)] += 1
        last = now
        word = np.uint64(address[i]) | np.uint64(data[i]) << DATA_SHIFT
        hidden = np.uint64(address_unknown[i]) | np.uint64(data_unknown[i]) << DATA_SHIFT
        known = wired & ~hidden
        state[UNKNOWN] += known != wired
        state[UNSETTLED] += flags[i] & (FLAG_UNSETTLED | FLAG_UNKNOWN) == FLAG_UNSETTLED
        state[SHORT] += flags[i] & FLAG_SHORT != 0
        _direction(what == WRITE, now, state)
        fresh = known & ~shown
        if fresh != NONE:  # it had its level before: that is no change
            _shown_first(fresh, first + rows, now, bits)
            shown |= fresh
            level |= word & fresh
            old |= word & fresh
        changes[rows] = (word ^ old) & known  # a bit that is not known keeps its level
        times[rows] = now
        old ^= changes[rows]
        some |= changes[rows]
        rows += 1
        if rows == CHUNK:
            _chunk(changes, some, level, first, times, bits)
            rows, first, level, some = 0, first + CHUNK, old, NONE
    for k in range(rows, CHUNK):
        changes[k] = NONE
    _chunk(changes, some, level, first, times, bits)
    before[0], before[1] = old, shown
    state[COUNT], state[TIME] = first + rows, last
    return np.int64(0)


@inner(_nrt=False, forceinline=True)
def _sums(a, b, c):
    """(sum, carry) of three words, bit by bit."""
    half = a ^ b
    return half ^ c, (a & b) | (half & c)


@inner(_nrt=False, forceinline=True)
def _moved(levels, unknown, at, old):
    """(lines that moved, levels now) at one word of a row: a line that is not known keeps its level."""
    moved = (levels[at] ^ old) & ~unknown[at]
    return moved, old ^ moved


@inner(_nrt=False, forceinline=True)
def _carry(planes, first, bits):
    """Adds ``bits`` to numbers of which plane ``first`` holds the lowest digit of each."""
    while bits != NONE:
        more = planes[first] & bits
        planes[first] ^= bits
        bits = more
        first += 1


@inner(_nrt=False, forceinline=True)
def _four(levels, unknown, at, words, old, one, two):
    """Four rows from ``at``, their changes added to the digits ``one`` and ``two``: (lines that moved, levels now, the
    digits, what is carried to the third)."""
    a, old = _moved(levels, unknown, at, old)
    b, old = _moved(levels, unknown, at + words, old)
    c, old = _moved(levels, unknown, at + words + words, old)
    d, old = _moved(levels, unknown, at + words + words + words, old)
    one, more = _sums(one, a, b)
    one, again = _sums(one, c, d)
    two, carried = _sums(two, more, again)
    return a | b | c | d, old, one, two, carried


@nb.njit(cache=True, nogil=True, _nrt=False)
def count_lines(time, levels, unknown, begun, before, lines, held):
    """One block of rows: the changes of every line.

    ``levels``, ``unknown`` uint64 (rows × words,). ``before`` uint64 (words,) carried, ``begun`` whether it holds
    levels; ``lines`` int64 (64 × words, LINE_SIZE). ``held`` uint64 (PLANES + 2 × chunks of rows,): to work in. Changes
    are added up as binary numbers, each digit of all lines in one word; when a line moved last is looked up in the end,
    in the last chunk of rows in which it did.
    """
    words, rows = before.shape[0], time.shape[0]
    for w in range(words):
        old = before[w]
        if not begun and rows > 0:
            old = levels[w] & ~unknown[w]
        for k in range(PLANES):
            held[k] = NONE
        every, one, two, four = NONE, NONE, NONE, NONE
        for start in range(0, rows, CHUNK):
            place, i, stop, some = PLANES + start // CHUNK * 2, start, min(start + CHUNK, rows), NONE
            held[place] = old
            while i + 8 <= stop:
                here, step = np.uint64(i * words + w), np.uint64(words)
                moved, old, one, two, more = _four(levels, unknown, here, step, old, one, two)
                here += np.uint64(4) * step
                moved_too, old, one, two, again = _four(levels, unknown, here, step, old, one, two)
                four, eight = _sums(four, more, again)
                _carry(held, 3, eight)
                some |= moved | moved_too
                i += 8
            while i < stop:
                moved, old = _moved(levels, unknown, i * words + w, old)
                some |= moved
                _carry(held, 0, moved)
                i += 1
            held[place + 1] = some
            every |= some
        before[w] = old
        _carry(held, 0, one)
        _carry(held, 1, two)
        _carry(held, 2, four)
        _add_up(every, held, lines, w)
        start = (rows - 1) // CHUNK * CHUNK
        while every != NONE:
            place = PLANES + start // CHUNK * 2
            some, old = held[place + 1] & every, held[place]
            every &= ~some
            if some != NONE:
                for i in range(start, min(start + CHUNK, rows)):
                    moved, old = _moved(levels, unknown, i * words + w, old)
                    moved &= some
                    while moved != NONE:
                        lines[64 * w + lowest_bit(moved), LINE_LAST] = time[i]
                        moved &= moved - np.uint64(1)
            start -= CHUNK
    return np.int64(0)


@inner(_nrt=False)
def _add_up(some, planes, lines, w):
    """The numbers in ``planes`` onto the changes of the lines ``some`` of word ``w``."""
    while some != NONE:
        b = lowest_bit(some)
        some &= some - np.uint64(1)
        for k in range(PLANES):
            lines[64 * w + b, LINE_MOVES] += np.int64((planes[k] >> np.uint64(b)) & np.uint64(1)) << k
