"""The memory of a faulty card: what writes leave in the cells, and what reads find there."""

import numpy as np

from busledger.decoder.inner_kernel import inner

# What an undriven bus shows; how two answering regions join; what a stray write stores.
KEEPS, PULLED_UP, PULLED_DOWN, KEPT_BY_CARD = 0, 1, 2, 3
KEPT_FROM_BUS = 4  # played as KEPT_BY_CARD, with what the bus carried before in place of what the card did
LOW_WINS, HIGH_WINS, NOBODY_KNOWS = 0, 1, 2
STORES_DATA, STORES_RUBBISH, STORES_HIGH, STORES_LOW, STORES_REST = 0, 1, 2, 3, 4
STORES_CARD, STORES_BUS = 5, 6  # played as STORES_REST, with what the card or the bus carried before
# What the lanes of the part do to data that passes (as in lanes_kernel), and in which direction.
BENDS_NOT, BENDS_LOW, BENDS_HIGH, BENDS_FLOAT, BENDS_AND, BENDS_OR = 0, 1, 2, 3, 4, 5
ON_READS, ON_WRITES = 1, 2

# Columns of ``words`` (uint32 a cell): levels and known lanes of the hard theory's memory, of the other's,
# of what the cell holds if its last write met the fault, or the last two did (or where it is in doubt what the last but
# one has left, of the other value), and of what another cell's write may have left here, or before that a third cell's.
HARD, HARD_KNOWN, HELD, HELD_KNOWN, LOST, LOST_KNOWN, LOST_LANES = range(7)
LOST2, LOST2_KNOWN, LOST2_LANES, OVER, OVER_KNOWN, OVER_LANES = range(7, 13)
OVER2, OVER2_KNOWN, OVER2_LANES = range(13, 16)
WORDS = 16
# Columns of ``links`` (int32 a cell): state of the last write and its window, writes so far, the cell whose write
# may have come here (-1 none) with its count and window then (and, after the others, the one before it), whether the
# cell is believed to hold a wrong value, and whether a read of it has shown that the fault did not act at every access,
# and whether its last wrong read may as well have gone astray itself: 0 = no, else the windows of that write and of
# that read (see ``in_doubt``). ``EITHER``: its last wrong read met the fault, or its last write, which shows the same.
STATE, WHEN, COUNT, OWNER, OWNER_COUNT, OWNER_WHEN, CORRUPT, REFUTED, DOUBT = range(9)
OWNER2, OWNER2_COUNT, OWNER2_WHEN, EITHER = range(9, 13)
LINKS = 13
SETTLED, OPEN, WAS_IDLE, DID_ACT = 0, 1, 2, 3
# Of each window, whether a fault that comes in bursts was at work in it.
ANY_TIME, ASLEEP, AWAKE = 0, 1, 2
# Of two writes one after the other, what is kept of the first: nothing, for the fault slept then; what it would have
# left; what the first one of all since the fault woke would have, for it likely met them all.
FORGOTTEN, LAST, OLDEST = 0, 1, 2

FULL = np.uint32(0xFFFFFFFF)


@inner(_nrt=False, forceinline=True)
def bend(bends, lanes, value, known, floating, floating_known):
    """(levels, known lanes) of data that pass through the part's bad lanes."""
    if bends == BENDS_LOW:
        return value & ~lanes, known | lanes
    if bends == BENDS_HIGH:
        return value | lanes, known | lanes
    if bends == BENDS_FLOAT:
        return (value & ~lanes) | (floating & lanes), (known & ~lanes) | (floating_known & lanes)
    if bends in (BENDS_AND, BENDS_OR):
        decided = known & lanes & (~value if bends == BENDS_AND else value)
        if decided:
            return (value & ~lanes if bends == BENDS_AND else value | lanes), known | lanes
        if known & lanes != lanes:
            return value, known & ~lanes
    return value, known


@inner(_nrt=False, forceinline=True)
def undriven(floats, kept, rest):
    """What lines show that nobody drives."""
    if floats == KEEPS:
        return kept
    if floats == KEPT_BY_CARD:
        return rest
    return FULL if floats == PULLED_UP else np.uint32(0)


@inner(_nrt=False, forceinline=True)
def answer(words, column, first, second, floating, joins):
    """(levels, known lanes) of a read that reaches up to two cells, -1 = none."""
    if first < 0 and second < 0:
        return floating, FULL
    if first < 0 or second < 0:
        one = second if first < 0 else first
        return words[one, column], words[one, column + 1]
    a, a_known = words[first, column], words[first, column + 1]
    return joined(a, a_known, words[second, column], words[second, column + 1], joins)


@inner(_nrt=False, forceinline=True)
def joined(a, a_known, b, b_known, joins):
    """(levels, known lanes) of two cells that answer at once."""
    if joins == LOW_WINS:
        return a & b, (a_known & b_known) | (a_known & ~a) | (b_known & ~b)
    if joins == HIGH_WINS:
        return a | b, (a_known & b_known) | (a_known & a) | (b_known & b)
    return a & b, a_known & b_known & ~(a ^ b)


@inner(_nrt=False, forceinline=True)
def store(words, column, cell, lanes, data, sure):
    """Put ``data`` on ``lanes`` of one memory; lanes outside ``sure`` become unknown."""
    words[cell, column] = (words[cell, column] & ~lanes) | (data & lanes)
    words[cell, column + 1] = (words[cell, column + 1] & ~lanes) | (sure & lanes)


@inner(_nrt=False, forceinline=True)
def stored(stores, data, sure, lanes, rest, bends, bad_lanes):
    """(levels, known lanes) that a write leaves in the cell when the fault acts: on floating lanes, or on all,
    what ``stores`` says."""
    if stores == STORES_HIGH:
        other, other_known = FULL, FULL
    elif stores == STORES_LOW:
        other, other_known = np.uint32(0), FULL
    elif stores == STORES_REST:
        other, other_known = rest, FULL
    else:
        other, other_known = np.uint32(0), np.uint32(0)
    if stores == STORES_DATA or bends == BENDS_FLOAT:
        return bend(bends, bad_lanes, data, sure, other, other_known)
    return other, other_known & lanes


@inner(_nrt=False, forceinline=True)
def before_this(now, then):
    """What a write keeps of the one before it, by what the fault was at each (``ASLEEP``, ``AWAKE``)."""
    if now == AWAKE and then == AWAKE:
        return OLDEST
    return FORGOTTEN if now == AWAKE and then == ASLEEP else LAST


@inner(_nrt=False, forceinline=True)
def write(c, window, data, sure, lanes, to1, to2, plain, bad, bad_known, before, cells):
    """One write: both memories move on, and what the fault could have done is noted.

    ``bad``: what the fault leaves where the write goes; ``plain`` where that is the data; ``before``: what
    the cell's last write may have left if this one and that one met the fault (``FORGOTTEN``, ``LAST``, ``OLDEST``).
    """
    words, links = cells
    if to1 >= 0:
        store(words, HARD, to1, lanes, bad, bad_known)
    if to2 >= 0:
        store(words, HARD, to2, lanes, bad, bad_known)
    # A write that the fault bends settles the cell whatever came before it; only writes that miss it add up.
    open_before = to1 != c and to2 != c and links[c, STATE] == OPEN and words[c, LOST_LANES]
    # A cell whose last wrong read may have gone astray holds what that showed, or else what was written before.
    doubted = to1 != c and to2 != c and links[c, STATE] != OPEN and links[c, DOUBT]
    if not doubted and (not open_before or before != OLDEST):
        words[c, LOST2_LANES] = 0
    if open_before and before != FORGOTTEN and not words[c, LOST2_LANES]:
        words[c, LOST2] = words[c, LOST]
        words[c, LOST2_KNOWN] = words[c, LOST_KNOWN]
        words[c, LOST2_LANES] = words[c, LOST_LANES]
    links[c, STATE] = SETTLED
    links[c, WHEN] = window
    links[c, COUNT] += 1
    links[c, OWNER] = -1
    links[c, OWNER2] = -1
    links[c, DOUBT] = 0
    links[c, EITHER] = 0
    words[c, LOST_LANES] = 0
    if to1 != c and to2 != c:
        words[c, LOST] = words[c, HELD]
        words[c, LOST_KNOWN] = words[c, HELD_KNOWN]
        words[c, LOST_LANES] = lanes
        links[c, STATE] = OPEN
    elif not plain:
        words[c, LOST] = bad
        words[c, LOST_KNOWN] = bad_known
        words[c, LOST_LANES] = lanes
        links[c, STATE] = OPEN
    for k in range(2):
        t = to1 if k == 0 else to2
        if t >= 0 and t != c:
            if links[t, OWNER] >= 0:
                for column in range(3):
                    links[t, OWNER2 + column] = links[t, OWNER + column]
                    words[t, OVER2 + column] = words[t, OVER + column]
            links[t, OWNER] = c
            links[t, OWNER_COUNT] = links[c, COUNT]
            links[t, OWNER_WHEN] = window
            words[t, OVER] = bad
            words[t, OVER_KNOWN] = bad_known
            words[t, OVER_LANES] = lanes
            links[c, STATE] = OPEN
    store(words, HELD, c, lanes, data, sure)


@inner(_nrt=False)
def acted(c, to1, to2, awake, words, links):
    """The last write to ``c`` is now known to have met the fault: memory follows. ``awake``: the fault was at work
    then, so that a write before it which nothing has refuted met it too."""
    before = links[c, STATE] == OPEN and words[c, LOST2_LANES]
    links[c, STATE] = DID_ACT
    if awake and before:
        store(words, HELD, c, words[c, LOST2_LANES], words[c, LOST2], words[c, LOST2_KNOWN])
        links[c, CORRUPT] = 1
    elif words[c, LOST_LANES]:
        store(words, HELD, c, words[c, LOST_LANES], words[c, LOST], words[c, LOST_KNOWN])
        links[c, CORRUPT] = 1
    for k in range(2):
        t = to1 if k == 0 else to2
        if t >= 0 and t != c and links[t, OWNER] == c and links[t, OWNER_COUNT] == links[c, COUNT]:
            store(words, HELD, t, words[t, OVER_LANES], words[t, OVER], words[t, OVER_KNOWN])
            links[t, CORRUPT] = 1
            links[t, OWNER] = -1


@inner(_nrt=False)
def in_doubt(written, seen):
    """What DOUBT holds of a wrong read in window ``seen`` of what was written in window ``written``."""
    return (written << 16 | seen) + 1


@inner(_nrt=False)
def was_astray(c, judged, links, hit, chances):
    """The cell reads as it was written: its wrong read went astray, and counts where it was read."""
    both = links[c, DOUBT] - 1
    links[c, DOUBT] = 0
    links[c, CORRUPT] = 0
    links[c, STATE] = WAS_IDLE
    if judged:
        chances[both >> 16, hit] -= 1
        chances[both & 0xFFFF, hit] += 1


@inner(_nrt=False)
def fits(c, read, cmp, column, lanes_column, words):
    """(fits, lanes that fit only for want of knowledge): the cell's other value on its lanes, else what it holds."""
    lanes = words[c, lanes_column]
    sure = ((words[c, column + 1] & lanes) | (words[c, HELD_KNOWN] & ~lanes)) & cmp
    want = (words[c, column] & lanes) | (words[c, HELD] & ~lanes)
    return ((read ^ want) & sure) == 0, cmp & ~sure
