"""What each bit of the bus did, cycle by cycle, and each line, edge by edge.

Bits are not looked at one transfer after the other: 64 transfers at a time are turned, so that one word holds what one
bit did in all of them. Changes are then counted at once, and only a rest that may be one of the two longest is
measured.
"""

import numba as nb
import numpy as np

from busledger.decoder.bits_kernel import binary_digits, lowest_bit, ones
from busledger.decoder.inner_kernel import inner

# Columns of ``bits``: transfers seen high (but for the present rest, see ``highs``), the first one seen; changes; the
# transfer after its last change and that one's time; the longest rest between two changes in transfers, when it began
# and ended, and the longest but one.
HIGH, LOW, MOVES, LAST, LAST_TIME, QUIET, QUIET_FROM, QUIET_TO, SECOND = range(9)
BIT_SIZE = 9
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
LINE_ROWS = 255  # as many as the eight digits of a count hold
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
    bit[LAST] = n
    bit[LAST_TIME] = now


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
def _bit(changes, high, first, times, bit, highs, b):
    """The ``changes`` of one bit in a chunk that begins with transfer ``first``; ``high``: it was, before the first."""
    one = lowest_bit(changes)
    last = np.int64(binary_digits(changes)) - 1
    if high:
        bit[HIGH] += first + one - highs[b]
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
        highs[b] = first + last
    bit[MOVES] += count


@inner(_nrt=False)
def _plain(words, known, times, rows, first, before, bits, highs):
    """A chunk in which some bit is not known in every transfer: bit by bit."""
    level, shown = before[0], before[1]
    for k in range(rows):
        n, now, sure = first + k, times[k], known[k]
        new = words[k] & sure
        fresh = sure & ~shown
        shown |= sure
        level = (level & ~fresh) | (new & fresh)
        moved = (level ^ new) & sure
        while moved != NONE:
            b = lowest_bit(moved)
            moved &= moved - np.uint64(1)
            if (level >> np.uint64(b)) & np.uint64(1):
                bits[b, HIGH] += n - highs[b]
            else:
                highs[b] = n
            _rest(bits[b], n, now)
            bits[b, MOVES] += 1
        while fresh != NONE:
            b = lowest_bit(fresh)
            fresh &= fresh - np.uint64(1)
            highs[b] = n
            bits[b, LOW] = n
            bits[b, LAST] = n
            bits[b, LAST_TIME] = now
        level = (level & ~sure) | new
    before[0], before[1] = level, shown


@inner(_nrt=False)
def _chunk(words, known, times, rows, first, before, bits, highs):
    """``rows`` transfers from number ``first`` on; ``words`` is spoilt."""
    level, shown, odd = before[0], before[1], NONE
    for k in range(rows):
        odd |= known[k] ^ shown
    if odd != NONE:
        _plain(words, known, times, rows, first, before, bits, highs)
        return
    old, some = level, NONE
    for k in range(CHUNK):
        new = (words[k] & shown) if k < rows else old
        words[k] = new ^ old
        some |= words[k]
        old = new
    before[0] = old
    _turn(words)
    while some != NONE:
        b = lowest_bit(some)
        some &= some - np.uint64(1)
        high = (level >> np.uint64(b)) & np.uint64(1) != NONE
        _bit(words[b], high, first, times, bits[b], highs, b)


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


@nb.njit(cache=True, nogil=True)
def count_transfers(cycles, way, wired, before, state, bits, highs, spacings):
    """One block of cycles, of which the transfers count: ``cycles`` as ``Transfers``, ``way`` uint8 a kind of cycle.

    ``wired`` uint64: 64 bits of the bus, address first, that a channel carries. Carried: ``before`` uint64 (2,), the
    level that each bit showed last, and whether it showed any; ``state`` int64 (STATE_SIZE,). Tallies: ``bits`` int64
    (64, BIT_SIZE); ``highs`` int64 (64,), the transfer at which a bit last became high; ``spacings`` int64 (SPACINGS,),
    distances between transfers by the number of binary digits of their ticks.
    """
    time, kind, flags, address, address_unknown, data, data_unknown = cycles
    words, known = np.zeros(CHUNK, np.uint64), np.zeros(CHUNK, np.uint64)
    times = np.zeros(CHUNK, np.int64)
    rows, first, last = 0, state[COUNT], state[TIME]
    for i in range(time.shape[0]):
        what = way[kind[i]]
        if what == NO_TRANSFER:
            continue
        now = time[i]
        if first + rows > 0:
            spacings[min(binary_digits(np.uint64(max(now - last, 0))), SPACINGS - 1)] += 1
        last = now
        hidden = (np.uint64(address_unknown[i]) | np.uint64(data_unknown[i]) << DATA_SHIFT) & wired
        state[UNKNOWN] += hidden != NONE
        state[UNSETTLED] += flags[i] & (FLAG_UNSETTLED | FLAG_UNKNOWN) == FLAG_UNSETTLED
        state[SHORT] += flags[i] & FLAG_SHORT != 0
        _direction(what == WRITE, now, state)
        words[rows] = np.uint64(address[i]) | np.uint64(data[i]) << DATA_SHIFT
        known[rows] = wired & ~hidden
        times[rows] = now
        rows += 1
        if rows == CHUNK:
            _chunk(words, known, times, rows, first, before, bits, highs)
            first, rows = first + rows, 0
    _chunk(words, known, times, rows, first, before, bits, highs)
    state[COUNT], state[TIME] = first + rows, last
    return np.int64(0)


@inner(_nrt=False)
def _held(levels, unknown, words, rows, old, held):
    """Fills ``held`` with the first word of ``rows`` rows; a line that is unknown keeps its level."""
    lost = NONE
    if words == 1:  # a step that the compiler knows lets it take several rows at once
        for k in range(rows):
            lost |= unknown[k]
            held[k] = levels[k]
    else:
        for k in range(rows):
            lost |= unknown[k * words]
            held[k] = levels[k * words]
    if lost != NONE:
        for k in range(rows):
            gone = unknown[k * words]
            old = (held[k] & ~gone) | (old & gone)
            held[k] = old


@inner(_nrt=False)
def _note_moves(held, rows, old, some, digits, time, start, lines, first):
    """Adds the counts of the lines of ``some``; looks back for the last change of each."""
    k = rows - 1
    while some != NONE:
        moved = (held[k] ^ (held[k - 1] if k > 0 else old)) & some
        some &= ~moved
        while moved != NONE:
            b = np.uint64(lowest_bit(moved))
            moved &= moved - np.uint64(1)
            count = NONE
            for d in range(8):
                count |= ((digits[d] >> b) & np.uint64(1)) << np.uint64(d)
            lines[first + np.int64(b), LINE_MOVES] += np.int64(count)
            lines[first + np.int64(b), LINE_LAST] = time[start + k]
        k -= 1


@nb.njit(cache=True, nogil=True)
def count_lines(time, levels, unknown, begun, before, lines):
    """One block of rows: the changes of every line.

    ``levels``, ``unknown`` uint64 (rows × words,). ``before`` uint64 (words,) carried, ``begun`` whether it holds
    levels; ``lines`` int64 (64 × words, LINE_SIZE).
    """
    words = before.shape[0]
    held, digits = np.zeros(LINE_ROWS, np.uint64), np.zeros(8, np.uint64)
    for w in range(words):
        first = before[w]
        if not begun and time.shape[0] > 0:
            first = levels[w] & ~unknown[w]
        for start in range(0, time.shape[0], LINE_ROWS):
            rows = min(LINE_ROWS, time.shape[0] - start)
            at = start * words + w
            _held(levels[at:], unknown[at:], words, rows, first, held)
            d0, d1, d2, d3, d4, d5, d6, d7 = NONE, NONE, NONE, NONE, NONE, NONE, NONE, NONE
            some, old = NONE, first
            for k in range(rows):
                carry = held[k] ^ old
                old = held[k]
                some |= carry
                # One more for every line that moved, in all 64 counts at once: digit d of each is a bit of word d.
                carry, d0 = d0 & carry, d0 ^ carry
                carry, d1 = d1 & carry, d1 ^ carry
                carry, d2 = d2 & carry, d2 ^ carry
                carry, d3 = d3 & carry, d3 ^ carry
                carry, d4 = d4 & carry, d4 ^ carry
                carry, d5 = d5 & carry, d5 ^ carry
                carry, d6 = d6 & carry, d6 ^ carry
                d7 ^= carry
            digits[0], digits[1], digits[2], digits[3] = d0, d1, d2, d3
            digits[4], digits[5], digits[6], digits[7] = d4, d5, d6, d7
            _note_moves(held, rows, first, some, digits, time, start, lines, 64 * w)
            first = old
        before[w] = first
    return np.int64(0)
