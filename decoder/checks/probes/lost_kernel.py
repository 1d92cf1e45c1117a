"""What memory shows of lines that rest: data that change by one line alone, and one address that shows another's."""

import numpy as np
from numba import njit

from busledger.decoder.bits_kernel import lowest_bit
from busledger.decoder.inner_kernel import inner

SLOTS = 1 << 16
NO_KEY = np.int64(-1)
# ``way``
NEITHER, READ, WRITE = range(3)
# Columns of ``slots``: the address, its data as last seen, the bits of it that are known, whether it is the same for
# good as far as is known: not if it was ever written, or gave two things.
# SIDE: the line, and one more, whose other side it gave last; 0 for its own data. MARK: the rest in which that was.
KEY, DATA, KNOWN, CHANGES, SIDE, MARK = range(6)
SLOT_SIZE = 6
# Columns of ``bits``, one row a bit, address bits first: of the present rest, and from BEST on of the one that showed
# most. FROM and TO in ticks; LEVEL; COUNT transfers; SHOWN different addresses, ALL all reads that showed it; FRESH and
# FRESH_ALL the same of addresses never read before, NEXT those read right after the address before; ODD, MISSED what
# speaks against it; BACK addresses that turned back to their own data after they had SHOWN the other ones; CHANCE of
# the ASIDE ones never read before of which another place, APART from the other side, is known as well, gave the data of
# that one: as code does that repeats itself. OTHER:
# transfers of the longest rest but the best one, where that is ``SHORT`` or more. Nearly all rests show nothing, so of
# the present one LEVEL is not kept, TO only while the bit is not known, and COUNT are the transfers before it, with
# those in it that did not know the bit.
FROM, TO, LEVEL, COUNT, SHOWN, ALL, BACK, FRESH, FRESH_ALL, NEXT, ODD, MISSED, ASIDE, CHANCE = range(14)
BEST = CHANCE + 1
OTHER = 2 * BEST
BIT_SIZE = OTHER + 1
APART = 8, 16  # addresses; the second one for the line that the first one is of
# ``state``: what was read last, and where, if a rest explains it and the address was new. Words of a bit each, data
# bits from 32 on: the last level known, whether any was known yet, was not in the last transfer; whether the present
# rest shows anything, for it or against it. Address words and data words so far, and the ticks of the last one.
STATE_LAST, STATE_FRESH, STATE_WORD, STATE_BEGUN, STATE_HIDDEN, STATE_TOLD = range(6)
STATE_ADDRESSES, STATE_DATA, STATE_ADDRESS_TIME, STATE_DATA_TIME = range(6, 10)
# Bits that changed in the present group of cycles, and in the one before.
STATE_CHANGED, STATE_CHANGED_BEFORE = range(10, 12)
STATE_SIZE = 12
# Most bits change all the time: when each did so last is written down once in ``GROUP`` cycles, out of ``changes``: the
# bits that changed in each of them, ticks, and the address words and data words until then.
GROUP = 8
CHANGED, WHEN, OF_ADDRESSES, OF_DATA = range(4)
CHANGE_SIZE = 4
SHORT = 2 * GROUP
"""Transfers: of a rest that began in the same group as it ended in, or in the one before, nothing is made. No answer
hangs on it: what shows anything rests ``LONG`` transfers, and was longer then by as many as showed it."""
NOWHERE = np.int64(-2)
ADDRESSES = 32
DATA_SHIFT = np.uint64(ADDRESSES)
NONE, ONE, LOW = np.uint64(0), np.uint64(1), np.uint64(0xFFFFFFFF)
LONG = 32
"""Transfers: in a shorter rest of an address line nothing is looked for."""


@inner(_nrt=False)
def _keep(bits, b, count, to, level):
    """A rest that shows something ends, of ``count`` transfers up to the ticks ``to``."""
    bits[b, TO], bits[b, LEVEL], bits[b, COUNT] = to, level, count
    if bits[b, SHOWN] + bits[b, FRESH] > bits[b, BEST + SHOWN] + bits[b, BEST + FRESH]:
        bits[b, OTHER] = max(bits[b, OTHER], bits[b, BEST + COUNT])
        for k in range(BEST):
            bits[b, BEST + k] = bits[b, k]
    else:
        bits[b, OTHER] = max(bits[b, OTHER], count)
    for k in range(BEST):
        bits[b, k] = 0


@inner(_nrt=False)
def _hide(bits, hidden, before, last, last_data):
    """Bits that one transfer, not counted yet, does not know; ``before``: those that the one before did not. ``last``:
    ticks of the last address word, and of the last data word."""
    while hidden != NONE:
        b = lowest_bit(hidden)
        bit = ONE << np.uint64(b)
        hidden ^= bit
        bits[b, COUNT] += 1
        if before & bit == NONE:
            bits[b, TO] = last if b < ADDRESSES else last_data


@inner(_nrt=False)
def _tell(bits, told, total, last, word, hidden):
    """Rests that show something and that one more transfer, not counted yet, ends: others begin. Address bits or data
    bits, of which ``total`` words were counted, at ``last`` the last one; ``hidden`` in it, and ``word`` known last."""
    while told != NONE:
        b = lowest_bit(told)
        bit = ONE << np.uint64(b)
        told ^= bit
        to = bits[b, TO] if hidden & bit != NONE else last
        _keep(bits, b, total - bits[b, COUNT], to, np.int64(word >> np.uint64(b)) & 1)
        bits[b, COUNT] = total


@inner(_nrt=False)
def _write_down(bits, changed, changes, at):
    """When each of the bits ``changed`` did so last, the row ``at`` of ``changes`` being the last one."""
    while changed != NONE:
        here = np.uint64(changes[at, CHANGED]) & changed
        changed ^= here
        while here != NONE:
            b = lowest_bit(here)
            here &= here - ONE
            bits[b, FROM] = changes[at, WHEN]
            bits[b, COUNT] = changes[at, OF_ADDRESSES if b < ADDRESSES else OF_DATA]
        at -= 1


@inner(_nrt=False)
def _slot(address):
    """Addresses side by side lie side by side, and those of a bus of 16 lines all in places of their own."""
    return (address ^ (address >> 16) * 0x9E37) & (SLOTS - 1)


@inner(_nrt=False)
def _of_other_side(address, data, fresh, after, every, wired, slots, bits, state):
    """Whether the data are those of the address on the other side of a line that rests; ``after`` the last such one."""
    found = False
    for b in range(ADDRESSES):
        bit = np.int64(1) << b
        if wired & bit == 0 or state[STATE_ADDRESSES] - bits[b, COUNT] < LONG:
            continue
        other = address ^ bit
        place = _slot(other)
        if slots[place, KEY] != other or slots[place, CHANGES] != 0 or slots[place, KNOWN] != every:
            continue
        if fresh:
            aside = other ^ (APART[0] if bit != APART[0] else APART[1])
            there = _slot(aside)
            if slots[there, KEY] == aside and slots[there, CHANGES] == 0 and slots[there, KNOWN] == every:
                bits[b, ASIDE] += 1
                bits[b, CHANCE] += slots[there, DATA] == data
        if slots[place, DATA] != data:
            if fresh:
                bits[b, MISSED] += 1
                state[STATE_TOLD] |= np.int64(ONE << np.uint64(b))
            continue
        found = True
        state[STATE_TOLD] |= np.int64(ONE << np.uint64(b))
        here = _slot(address)
        first = slots[here, MARK] != bits[b, FROM] + 1
        slots[here, MARK] = bits[b, FROM] + 1
        if fresh:
            bits[b, FRESH_ALL] += 1
            bits[b, FRESH] += first
            bits[b, NEXT] += address == after + 1
        else:
            slots[here, SIDE] = b + 1
            bits[b, ALL] += 1
            bits[b, SHOWN] += first
    return found


@inner(_nrt=False)
def _begin_place(slots, place, address, data, known, changes):
    """An address is written, or seen for the first time."""
    slots[place, KEY] = address
    slots[place, DATA] = data
    slots[place, KNOWN] = known
    slots[place, CHANGES] = changes
    slots[place, SIDE] = 0


@njit(cache=True, nogil=True, _nrt=False)
def look(columns, way, space, lanes, wired, slots, bits, state, changes):
    """One block of cycles.

    ``columns``: time int64, kind uint8, flags uint16, address, address_unknown, data, data_unknown uint32; ``way``,
    ``space`` uint8 by kind: READ, WRITE or NEITHER, and 1 where it is memory; ``lanes`` data bits; ``wired`` mask of
    the address bits that are clipped. Carried: ``slots`` int64 (SLOTS, SLOT_SIZE), ``bits`` int64 (64, BIT_SIZE),
    ``state`` int64 (STATE_SIZE,). ``changes`` int64 (GROUP, CHANGE_SIZE): to work in.
    """
    time, kind, unsure, addresses, addresses_unknown, datas, datas_unknown = columns
    every = (np.int64(1) << lanes) - 1
    address_bits = np.uint64(wired)
    all_bits = address_bits | np.uint64(every) << DATA_SHIFT
    word, begun, hidden = np.uint64(state[STATE_WORD]), np.uint64(state[STATE_BEGUN]), np.uint64(state[STATE_HIDDEN])
    group, before = np.uint64(state[STATE_CHANGED]), np.uint64(state[STATE_CHANGED_BEFORE])
    total, of_data = state[STATE_ADDRESSES], state[STATE_DATA]
    last, last_data = state[STATE_ADDRESS_TIME], state[STATE_DATA_TIME]
    was_read, was_fresh = state[STATE_LAST], state[STATE_FRESH]
    waiting, at = NONE, np.int64(0)  # bits that changed and are not written down yet; the present row of ``changes``
    for i in range(time.shape[0]):
        if unsure[i] != 0:
            continue
        address, t = np.int64(addresses[i]), time[i]
        does = way[kind[i]]
        bits_here = address_bits if does == NEITHER else all_bits
        now = np.uint64(addresses[i]) | np.uint64(datas[i]) << DATA_SHIFT
        unknown = (np.uint64(addresses_unknown[i]) | np.uint64(datas_unknown[i]) << DATA_SHIFT) & bits_here
        known = bits_here & ~unknown
        changed = ((now ^ word) | ~begun) & known
        at = total & (GROUP - 1)
        told = changed & np.uint64(state[STATE_TOLD])
        if told != NONE:
            _write_down(bits, waiting, changes, at - 1)
            waiting = NONE
            _tell(bits, told & LOW, total, last, word, hidden)
            _tell(bits, told & ~LOW, of_data, last_data, word, hidden)
            state[STATE_TOLD] ^= np.int64(told)
        fresh = changed & ~(group | before)
        while fresh != NONE:
            b = lowest_bit(fresh)
            fresh &= fresh - ONE
            rest = (total if b < ADDRESSES else of_data) - bits[b, COUNT]
            if rest > bits[b, OTHER]:
                bits[b, OTHER] = rest
        changes[at, CHANGED], changes[at, WHEN] = np.int64(changed), t
        changes[at, OF_ADDRESSES], changes[at, OF_DATA] = total, of_data
        waiting |= changed
        group |= changed
        word = (word & ~known) | (now & known)
        begun |= known
        if (hidden & bits_here) | unknown != NONE:
            _write_down(bits, waiting, changes, at)
            waiting = NONE
            _hide(bits, unknown, hidden, last, last_data)
            hidden = (hidden & ~bits_here) | unknown
        if at == GROUP - 1:
            _write_down(bits, waiting, changes, at)
            waiting, group, before = NONE, NONE, group
        total, last = total + 1, t
        if does == NEITHER:
            continue
        of_data, last_data = of_data + 1, t
        data = np.int64(datas[i])
        sure = every & ~np.int64(datas_unknown[i])
        if space[kind[i]] == 0 or np.int64(addresses_unknown[i]) & wired != 0:
            continue
        place = _slot(address)
        same = slots[place, KEY] == address
        after, was_fresh = was_fresh, NOWHERE
        if does == WRITE:
            _begin_place(slots, place, address, data & sure, sure, 1)
            continue
        news, was_read = data != was_read, data
        if not same:
            if sure == every and news:
                _write_down(bits, waiting, changes, at)
                waiting, state[STATE_ADDRESSES] = NONE, total
                if _of_other_side(address, data, True, after, every, wired, slots, bits, state):
                    was_fresh = address
                    continue  # it may lie there
            _begin_place(slots, place, address, data & sure, sure, 0)
            continue
        both = sure & slots[place, KNOWN]
        bent = (data ^ slots[place, DATA]) & both
        if bent == 0:
            b = slots[place, SIDE] - 1
            if b < 0:  # as of nearly all
                continue
            _write_down(bits, waiting, changes, at)
            waiting, slots[place, SIDE] = NONE, 0
            if slots[place, MARK] == bits[b, FROM] + 1:
                bits[b, BACK] += 1
                state[STATE_TOLD] |= np.int64(ONE << np.uint64(b))
            continue
        if slots[place, CHANGES] == 0:
            _write_down(bits, waiting, changes, at)
            waiting, state[STATE_ADDRESSES] = NONE, total
            told_all = sure == every
            if told_all and _of_other_side(address, data, False, after, every, wired, slots, bits, state):
                continue
            slots[place, CHANGES] = 1
            state[STATE_TOLD] |= np.int64(LOW)
            for b in range(ADDRESSES):
                bits[b, ODD] += 1
            for b in range(lanes):
                if (bent >> b) & 1 != 0:
                    bits[ADDRESSES + b, SHOWN if bent == np.int64(1) << b else ODD] += 1
                    state[STATE_TOLD] |= np.int64(ONE << np.uint64(ADDRESSES + b))
        slots[place, DATA] = data & sure
        slots[place, KNOWN] = sure
    _write_down(bits, waiting, changes, at)
    state[STATE_WORD], state[STATE_BEGUN], state[STATE_HIDDEN] = np.int64(word), np.int64(begun), np.int64(hidden)
    state[STATE_CHANGED], state[STATE_CHANGED_BEFORE] = np.int64(group), np.int64(before)
    state[STATE_ADDRESSES], state[STATE_DATA] = total, of_data
    state[STATE_ADDRESS_TIME], state[STATE_DATA_TIME] = last, last_data
    state[STATE_LAST], state[STATE_FRESH] = was_read, was_fresh
    return np.int64(0)


# Columns of ``rests``, one row a line and level: the longest time without a change of that line at that level and the
# second longest, in changes of the address, the first one's beginning and end in ticks, edges of write strobes in it,
# and whether it reaches the end.
R_LONGEST, R_SECOND, R_FROM, R_TO, R_WRITES, R_OPEN = range(6)
REST_SIZE = 6
# Columns of ``since``, one row a line: ticks, changes of the address and edges of write strobes at its last change.
S_TIME, S_MOVES, S_WRITES = range(3)
SINCE_SIZE = 3
# ``total``: changes of the address, edges of write strobes, whether a row was seen, its ticks.
T_MOVES, T_WRITES, T_BEGUN, T_LAST = range(4)
TOTAL_SIZE = 4


@inner(_nrt=False)
def _end_rest(line, level, t, moves, writes, since, rests):
    """A line changes from the level; ``moves``, ``writes`` up to now."""
    moved = moves - since[line, S_MOVES]
    row = 2 * line + level
    if moved > rests[row, R_SECOND]:  # few are
        rests[row, R_SECOND] = min(moved, rests[row, R_LONGEST])
        if moved > rests[row, R_LONGEST]:
            rests[row, R_LONGEST] = moved
            rests[row, R_FROM] = since[line, S_TIME]
            rests[row, R_TO] = t
            rests[row, R_WRITES] = writes - since[line, S_WRITES]
    since[line, S_TIME], since[line, S_MOVES], since[line, S_WRITES] = t, moves, writes


@njit(cache=True, nogil=True, _nrt=False)
def rest(time, levels, address, writes, watched, number, width, before, since, total, rests):
    """One block of rows.

    ``time`` int64, ``levels`` uint64 (rows, words); ``address``, ``writes``, ``watched`` uint64 (words,) masks of
    lines; ``number`` int64 (64 * words,): which of those that are watched lies at a bit; ``width``: a tuple as long as
    a row has words, a length that the compiler knows. Carried: ``before`` uint64 (words,) the last row, ``since`` int64
    (lines, SINCE_SIZE), ``total`` int64 (TOTAL_SIZE,), ``rests`` int64 (2 * lines, REST_SIZE).
    """
    rows = time.shape[0]
    if rows == 0:
        return np.int64(0)
    if total[T_BEGUN] == 0:
        total[T_BEGUN] = 1
        for w in range(len(width)):
            before[w] = levels[0, w]
        for line in range(since.shape[0]):
            since[line, S_TIME] = time[0]
    moves, edges = total[T_MOVES], total[T_WRITES]
    for i in range(rows):
        moved, wrote, some = NONE, NONE, NONE
        for w in range(len(width)):
            changed = levels[i, w] ^ before[w]
            moved |= changed & address[w]
            wrote |= changed & writes[w]
            some |= changed & watched[w]
        moves += moved != NONE
        edges += wrote != NONE
        for w in range(len(width)):
            left = (levels[i, w] ^ before[w]) & watched[w] if some != NONE else NONE
            while left != NONE:
                b = lowest_bit(left)
                left &= left - ONE
                level = np.int64(before[w] >> np.uint64(b)) & 1
                _end_rest(number[64 * w + b], level, time[i], moves, edges, since, rests)
            before[w] = levels[i, w]
    total[T_MOVES], total[T_WRITES], total[T_LAST] = moves, edges, time[rows - 1]
    return np.int64(0)
