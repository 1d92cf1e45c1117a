"""What memory shows of lines that rest: data that change by one line alone, and one address that shows another's."""

import numpy as np
from numba import njit

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
# speaks against it; BACK addresses that turned back to their own data after they had SHOWN the other ones. OTHER:
# transfers of the longest rest but the best one.
FROM, TO, LEVEL, COUNT, SHOWN, ALL, BACK, FRESH, FRESH_ALL, NEXT, ODD, MISSED = range(12)
BEST = 12
OTHER = 24
BIT_SIZE = 25
# ``state``: addresses that nobody wrote and that differ from what they gave before, though no rest explains it; what
# was read last, and where, if a rest explains it and the address was new.
STATE_ODD, STATE_LAST, STATE_FRESH = range(3)
STATE_SIZE = 3
NOWHERE = np.int64(-2)
ADDRESSES = 32
LONG = 32
"""Transfers: in a shorter rest of an address line nothing is looked for."""


@inner(_nrt=False)
def _keep(bits, b, state):
    """The rest that ends becomes the best one, if it shows more."""
    odd = bits[b, ODD] if b >= ADDRESSES else state[STATE_ODD] - bits[b, ODD]
    if bits[b, SHOWN] + bits[b, FRESH] > bits[b, BEST + SHOWN] + bits[b, BEST + FRESH]:
        bits[b, OTHER] = max(bits[b, OTHER], bits[b, BEST + COUNT])
        for k in range(BEST):
            bits[b, BEST + k] = bits[b, k]
        bits[b, BEST + ODD] = odd
    else:
        bits[b, OTHER] = max(bits[b, OTHER], bits[b, COUNT])


@inner(_nrt=False)
def _begin(bits, b, t, level, state):
    for k in range(BEST):
        bits[b, k] = 0
    bits[b, FROM] = t
    bits[b, TO] = t
    bits[b, LEVEL] = level
    if b < ADDRESSES:
        bits[b, ODD] = state[STATE_ODD]


@inner(_nrt=False)
def _rests(bits, low, high, word, known, t, state):
    """The bits ``low`` to ``high`` of one more transfer."""
    for b in range(low, high):
        bit = np.int64(1) << (b - low)
        if known & bit == 0:
            continue
        level = np.int64(1) if word & bit != 0 else np.int64(0)
        if bits[b, COUNT] == 0:
            _begin(bits, b, t, level, state)
        elif level != bits[b, LEVEL]:
            _keep(bits, b, state)
            _begin(bits, b, t, level, state)
        bits[b, COUNT] += 1
        bits[b, TO] = t


@inner(_nrt=False)
def _slot(address):
    return np.int64((np.uint64(address) * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(48))


@inner(_nrt=False)
def _of_other_side(address, data, fresh, after, every, wired, slots, bits):
    """Whether the data are those of the address on the other side of a line that rests; ``after`` the last such one."""
    found = False
    for b in range(ADDRESSES):
        bit = np.int64(1) << b
        if wired & bit == 0 or bits[b, COUNT] < LONG:
            continue
        other = address ^ bit
        place = _slot(other)
        if slots[place, KEY] != other or slots[place, CHANGES] != 0 or slots[place, KNOWN] != every:
            continue
        if slots[place, DATA] != data:
            if fresh:
                bits[b, MISSED] += 1
            continue
        found = True
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
def look(columns, way, space, lanes, wired, slots, bits, state):
    """One block of cycles.

    ``columns``: time int64, kind uint8, flags uint16, address, address_unknown, data, data_unknown uint32; ``way``,
    ``space`` uint8 by kind: READ, WRITE or NEITHER, and 1 where it is memory; ``lanes`` data bits; ``wired`` mask of
    the address bits that are clipped. Carried: ``slots`` int64 (SLOTS, SLOT_SIZE), ``bits`` int64 (64, BIT_SIZE),
    ``state`` int64 (STATE_SIZE,).
    """
    time, kind, unsure, addresses, addresses_unknown, datas, datas_unknown = columns
    every = (np.int64(1) << lanes) - 1
    for i in range(time.shape[0]):
        if unsure[i] != 0:
            continue
        address, t = np.int64(addresses[i]), time[i]
        _rests(bits, 0, ADDRESSES, address, wired & ~np.int64(addresses_unknown[i]), t, state)
        does = way[kind[i]]
        if does == NEITHER:
            continue
        data, known = np.int64(datas[i]), every & ~np.int64(datas_unknown[i])
        _rests(bits, ADDRESSES, ADDRESSES + lanes, data, known, t, state)
        if space[kind[i]] == 0 or np.int64(addresses_unknown[i]) & wired != 0:
            continue
        place = _slot(address)
        same = slots[place, KEY] == address
        after = state[STATE_FRESH]
        state[STATE_FRESH] = NOWHERE
        if does == WRITE:
            _begin_place(slots, place, address, data & known, known, 1)
            continue
        news = data != state[STATE_LAST]
        state[STATE_LAST] = data
        if not same:
            if known == every and news and _of_other_side(address, data, True, after, every, wired, slots, bits):
                state[STATE_FRESH] = address
                continue  # it may lie there
            _begin_place(slots, place, address, data & known, known, 0)
            continue
        both = known & slots[place, KNOWN]
        bent = (data ^ slots[place, DATA]) & both
        if bent == 0:
            b = slots[place, SIDE] - 1
            slots[place, SIDE] = 0
            if b >= 0 and slots[place, MARK] == bits[b, FROM] + 1:
                bits[b, BACK] += 1
            continue
        same_always = slots[place, CHANGES] == 0
        if same_always and known == every and _of_other_side(address, data, False, after, every, wired, slots, bits):
            continue
        if same_always:
            state[STATE_ODD] += 1
            slots[place, CHANGES] = 1
            for b in range(lanes):
                if (bent >> b) & 1 != 0:
                    bits[ADDRESSES + b, SHOWN if bent == np.int64(1) << b else ODD] += 1
        slots[place, DATA] = data & known
        slots[place, KNOWN] = known
    return np.int64(0)


@njit(cache=True, nogil=True, _nrt=False)
def settle(bits, state):
    """The rests at the end take part."""
    for b in range(bits.shape[0]):
        _keep(bits, b, state)
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
def _end_rest(line, level, t, still, since, total, rests):
    moved = total[T_MOVES] - since[line, S_MOVES]
    row = 2 * line + level
    if moved > rests[row, R_LONGEST]:
        rests[row, R_SECOND] = rests[row, R_LONGEST]
        rests[row, R_LONGEST] = moved
        rests[row, R_FROM] = since[line, S_TIME]
        rests[row, R_TO] = t
        rests[row, R_WRITES] = total[T_WRITES] - since[line, S_WRITES]
        rests[row, R_OPEN] = still
    elif moved > rests[row, R_SECOND]:
        rests[row, R_SECOND] = moved


@njit(cache=True, nogil=True)
def rest(time, levels, address, writes, words, bits, before, since, total, rests):
    """One block of rows.

    ``time`` int64, ``levels`` uint64 (rows, words); ``address``, ``writes`` uint64 (words,) masks of lines; ``words``
    int64, ``bits`` uint64: where the lines that are watched lie. Carried: ``before`` uint64 (words,) the last row,
    ``since`` int64 (lines, SINCE_SIZE), ``total`` int64 (TOTAL_SIZE,), ``rests`` int64 (2 * lines, REST_SIZE).
    """
    lines, many = bits.shape[0], before.shape[0]
    watched = np.zeros(many, np.uint64)
    for line in range(lines):
        watched[words[line]] |= bits[line]
    for i in range(time.shape[0]):
        if total[T_BEGUN] == 0:
            total[T_BEGUN] = 1
            for w in range(many):
                before[w] = levels[i, w]
            for line in range(lines):
                since[line, S_TIME] = time[i]
            continue
        moves, edges, some = np.uint64(0), np.uint64(0), np.uint64(0)
        for w in range(many):
            changed = levels[i, w] ^ before[w]
            moves |= changed & address[w]
            edges |= changed & writes[w]
            some |= changed & watched[w]
        total[T_MOVES] += moves != np.uint64(0)
        total[T_WRITES] += edges != np.uint64(0)
        for line in range(lines if some != np.uint64(0) else 0):
            w = words[line]
            if (levels[i, w] ^ before[w]) & bits[line] != np.uint64(0):
                level = np.int64(1) if before[w] & bits[line] != np.uint64(0) else np.int64(0)
                _end_rest(line, level, time[i], 0, since, total, rests)
                since[line, S_TIME] = time[i]
                since[line, S_MOVES] = total[T_MOVES]
                since[line, S_WRITES] = total[T_WRITES]
        for w in range(many):
            before[w] = levels[i, w]
        total[T_LAST] = time[i]
    return np.int64(0)


@njit(cache=True, nogil=True, _nrt=False)
def end_rests(words, bits, before, since, total, rests):
    """What still rests at the end of the capture."""
    for line in range(bits.shape[0]):
        level = np.int64(1) if before[words[line]] & bits[line] != np.uint64(0) else np.int64(0)
        _end_rest(line, level, total[T_LAST], 1, since, total, rests)
    return np.int64(0)
