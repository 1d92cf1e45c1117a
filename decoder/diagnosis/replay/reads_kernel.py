"""What one read says of a fault: under the theory that it always acts, and under the one that it comes and goes."""

from typing import NamedTuple

import numpy as np

from busledger.decoder.diagnosis.replay.effect_kernel import mix, ones
from busledger.decoder.diagnosis.replay.memory_kernel import (
    ASLEEP,
    AWAKE,
    BENDS_NOT,
    CORRUPT,
    COUNT,
    DID_ACT,
    DOUBT,
    EITHER,
    FULL,
    HELD,
    HELD_KNOWN,
    HIGH_WINS,
    LOST,
    LOST2,
    LOST2_KNOWN,
    LOST2_LANES,
    LOST_LANES,
    NOBODY_KNOWS,
    OPEN,
    OVER,
    OVER2,
    OVER_LANES,
    OWNER,
    OWNER2,
    OWNER_COUNT,
    STATE,
    WAS_IDLE,
    WHEN,
    acted,
    fits,
    in_doubt,
    joined,
    store,
    was_astray,
)
from busledger.decoder.diagnosis.replay.refute_kernel import (
    CONTRADICTED,
    EXCUSED,
    EXPLAINED,
    HIT,
    MISS,
    OTHER,
    TWO_WAYS,
    UNSURE_BITS,
    every_second,
    note_miss,
    refute,
)
from busledger.decoder.diagnosis.replay.same_way_kernel import could_differ, written_too
from busledger.decoder.inner_kernel import inner

# A capture is cut into this many windows of equal time; hits and misses are also counted window by window.
WINDOWS = 1024
# uint8 a cell: which cells take part, and which of those are judged.
TAKES_PART, JUDGED = 1, 2
# What the theory that it acts now and then says of a wrong read.
EXPLAINS, EXCUSES = 1, 2


class SeenRead(NamedTuple):
    """One read: the cycle, its window, the cell, what it gave, on which lanes it is compared, which are wrong."""

    cycle: int
    window: int
    cell: int
    read: int
    cmp: int
    wrong: int
    judged: bool


class Sums(NamedTuple):
    """Of one fault: a row of each of ``Counts``."""

    hard: int
    some: int
    chances: int
    hashes: int
    first: int


class OtherCell(NamedTuple):
    """What the fault would have given had it acted at this read: the cell that is reached and what is known of it.

    ``elsewhere``: that is not what the cell holds; ``both``: two cells answer; ``fights``: and nobody knows with what;
    ``strange``: one other cell does; ``joins``: how two that answer do; ``beside``: the one that answers beside the
    cell itself, -1 = none.
    """

    q1: int
    elsewhere: bool
    value: int
    known: int
    bends: int
    both: bool
    fights: bool
    strange: bool
    joins: int
    beside: int


class HardRead(NamedTuple):
    """What a fault that always acts would have given; ``differs``: not what is due, and nothing has refuted it."""

    value: int
    known: int
    differs: bool


@inner(_nrt=False, forceinline=True)
def read_hard(index, c, read, cmp, exp, wrong, outside, judged, value, known, tally, hashes):
    """Judge one read by the theory that the fault acts always."""
    if not judged:
        return
    agrees = ((read ^ value) & known & cmp) == 0
    differ = (value ^ exp) & known & cmp
    tally[UNSURE_BITS] += ones(cmp & ~known)
    if differ:
        hashes[0] += mix(index, differ)
        if agrees:
            tally[HIT] += 1
        elif wrong == 0:
            tally[MISS] += 1
        else:
            tally[OTHER] += 1
    if agrees and wrong and outside == 0:
        tally[EXPLAINED] += 1


@inner(_nrt=False)
def note_explained(index, row, judged, want_rows, tally, first, explained):
    """One wrong read explained."""
    if judged:
        tally[EXPLAINED] += 1
        if first[0] < first.shape[0] - 1:
            first[0] += 1
            first[first[0]] = index
    if want_rows:
        explained[row] = EXPLAINS


@inner(_nrt=False, forceinline=True)
def read_right(seen, other, cells, counts):
    """A read of what the cell is believed to hold: every open chance of the fault that it refutes is a miss.

    What the fault would have left is not always known; it would hardly have been the right value.
    """
    index, window, c, cmp, judged = seen.cycle, seen.window, seen.cell, seen.cmp, seen.judged
    value, known = other.value, other.known
    words, links = cells
    tally, chances, hashes = counts.some, counts.chances, counts.hashes
    words[c, LOST2_LANES] = 0
    links[c, EITHER] = 0
    if links[c, DOUBT]:
        # It is there again: that two reads went astray alike is less likely than that the write was lost, and then
        # nobody has seen yet what the other cell holds.
        q1 = other.q1
        if cmp & ~words[q1, HELD_KNOWN] == 0 and (words[q1, HELD] ^ words[c, HELD]) & cmp == 0:
            words[q1, HELD_KNOWN] &= ~np.uint32(cmp)
        links[c, DOUBT] = 0
    refute(index, c, cmp, judged, cells, counts)
    if other.elsewhere:
        d = (value ^ words[c, HELD]) & known & cmp
        # Lanes that fight, or whose other cell nobody knows, read right by luck: more than one such lane at once is a
        # chance missed, a single one every second time.
        open_lanes = ones(cmp & ~known)
        if d == 0 and (other.both or other.strange) and (open_lanes > 1 or (open_lanes == 1 and every_second(index))):
            d = cmp & ~known
        if d:
            note_miss(index, window, d, judged, tally, chances, hashes)


@inner(_nrt=False, forceinline=True)
def read_elsewhere(c, read, cmp, off, q1, value, known, bends, fights, words, links):
    """(explained, unsure lanes): the fault acts at this read, on what the other cell holds or may hold."""
    if ((off & known) != 0 or fights) and ((read ^ value) & known & cmp) == 0:
        return True, cmp & ~known
    if q1 < 0 or q1 == c or bends != BENDS_NOT:
        return False, np.uint32(0)
    if links[q1, STATE] == OPEN and words[q1, LOST_LANES]:
        hit, unsure = fits(q1, read, cmp, LOST, LOST_LANES, words)
        if hit and unsure == 0:
            return True, unsure
    if links[q1, OWNER] >= 0:
        hit, unsure = fits(q1, read, cmp, OVER, OVER_LANES, words)
        if hit and unsure == 0:
            return True, unsure
    return False, np.uint32(0)


@inner(_nrt=False, forceinline=True)
def left_to(c, joins, cmp, words):
    """The lanes on which a cell leaves it to the one that answers beside it."""
    return ~words[c, HELD] & cmp if joins == HIGH_WINS else words[c, HELD] & cmp


@inner(_nrt=False, forceinline=True)
def read_beside(c, read, cmp, other, words, links):
    """(explained, unsure lanes): the fault acts at this read: the cell and another one answer, and that one holds what
    one of its last two writes that the fault may have brought it left there, or one before them. Memory follows."""
    t = other.beside
    if t < 0 or other.fights or other.bends != BENDS_NOT:
        return False, np.uint32(0)
    for back in range(2):
        word, link = (OVER, OWNER) if back == 0 else (OVER2, OWNER2)
        if links[t, link] < 0:
            continue
        lanes = words[t, word + 2]
        there = (words[t, word] & lanes) | (words[t, HELD] & ~lanes)
        known = (words[t, word + 1] & lanes) | (words[t, HELD_KNOWN] & ~lanes)
        both, sure = joined(words[c, HELD], words[c, HELD_KNOWN], there, known, other.joins)
        if cmp & ~sure == 0 and (read ^ both) & cmp == 0:
            store(words, HELD, t, lanes, words[t, word], words[t, word + 1])
            links[t, link] = -1
            return True, np.uint32(0)
    if links[t, OWNER2] < 0 or cmp & ~words[c, HELD_KNOWN] or other.joins == NOBODY_KNOWS:
        return False, np.uint32(0)
    decides = left_to(c, other.joins, cmp, words)
    if (read ^ words[c, HELD]) & cmp & ~decides:
        return False, np.uint32(0)
    store(words, HELD, t, cmp, read, decides)
    links[t, OWNER] = -1
    links[t, OWNER2] = -1
    return True, decides


@inner(_nrt=False, forceinline=True)
def read_written(c, window, read, cmp, w1, w2, hours, words, links):
    """(explained, unsure lanes, window): the fault acted at a write that this cell has met."""
    if links[c, STATE] == OPEN and words[c, LOST_LANES]:
        hit, unsure = fits(c, read, cmp, LOST, LOST_LANES, words)
        if hit:
            acted(c, w1[c], w2[c], False, words, links)
            store(words, HELD, c, cmp, read, cmp)
            return True, unsure, links[c, WHEN]
        if words[c, LOST2_LANES]:
            hit, unsure = fits(c, read, cmp, LOST2, LOST2_LANES, words)
            if hit:
                acted(c, w1[c], w2[c], False, words, links)
                store(words, HELD, c, cmp, read, cmp)
                return True, unsure, links[c, WHEN]
    for back in range(2):
        word, link = (OVER, OWNER) if back == 0 else (OVER2, OWNER2)
        o = links[c, link]
        if o < 0 or (links[o, COUNT] == links[c, link + 1] and links[o, STATE] == WAS_IDLE):
            continue
        hit, unsure = fits(c, read, cmp, word, word + 2, words)
        if not hit or (back and unsure):
            continue
        if links[o, COUNT] == links[c, link + 1]:
            acted(o, w1[o], w2[o], hours[links[o, WHEN]] == AWAKE, words, links)
        later = links[c, OWNER]
        if back and later >= 0 and links[later, COUNT] == links[c, OWNER_COUNT]:
            links[later, STATE] = WAS_IDLE  # the one before met the fault, and it did not
        store(words, HELD, c, cmp, read, cmp)
        links[c, CORRUPT] = 1
        links[c, OWNER] = -1
        links[c, OWNER2] = -1
        return True, unsure, links[c, link + 2]
    return False, np.uint32(0), window


@inner(_nrt=False, forceinline=True)
def read_wrong(seen, off, other, hard, tables, cells, counts):
    """(explained, excused, unsure lanes): a read that is not what the cell is believed to hold; memory follows it.

    Tried in turn: the fault acted at this read; at a write to the cell or to
    another; at every access so far; at this read, which reached a cell that
    nobody knows the contents of (``strange``: it reaches one other cell). ``off``: the lanes in which it is not.
    """
    index, window, c, read, cmp, wrong, judged = seen
    q1, elsewhere, value, known, bends, _, fights, strange, _, also = other
    words, links = cells
    tally, chances, hashes = counts.some, counts.chances, counts.hashes
    if wrong == 0 and links[c, DOUBT]:
        was_astray(c, judged, links, HIT, chances)
        store(words, HELD, c, cmp, read, cmp)
        return False, False, np.uint32(0)
    hit, unsure, when = False, np.uint32(0), window
    blind = strange and off & known == 0 and ((read ^ value) & known & cmp) == 0
    # A write of what the cell held already is no chance, as it is none where the read is right.
    at_write = could_differ(c, cmp, words, links)
    open_chance = elsewhere or at_write
    if links[c, EITHER]:
        links[c, EITHER] = 0
        if wrong and written_too(c, read, cmp, words, links):
            # Wrong again in the same way: it was the write, once, and not two reads.
            read_written(c, window, read, cmp, tables.w1, tables.w2, tables.hours, words, links)
            if judged:
                tally[TWO_WAYS] -= 1
            return True, False, np.uint32(0)
    asleep = tables.hours[window] == ASLEEP
    if asleep and at_write and written_too(c, read, cmp, words, links):
        hit, unsure, when = read_written(c, window, read, cmp, tables.w1, tables.w2, tables.hours, words, links)
    if elsewhere and not hit:
        hit, unsure = read_elsewhere(c, read, cmp, off, q1, value, known, bends, fights, words, links)
        if hit and strange and unsure == 0 and ((read ^ value) & cmp & known) == 0 and off & known:
            # The other cell holds what it did, so that the fault met none of the writes that it could have brought it.
            refute(index, q1, cmp, judged, cells, counts)
        if hit and also >= 0 and not fights and bends == BENDS_NOT:
            # Nor, where both cells answer, has the one beside it taken what was written since to this one.
            refute(index, also, left_to(c, other.joins, cmp, words) & words[also, HELD_KNOWN], judged, cells, counts)
        if not hit:
            hit, unsure = read_beside(c, read, cmp, other, words, links)
        if hit and written_too(c, read, cmp, words, links):
            links[c, EITHER] = 1
            if judged:
                tally[TWO_WAYS] += 1
    if not hit:
        was, was_known = words[c, HELD], words[c, HELD_KNOWN]
        hit, unsure, when = read_written(c, window, read, cmp, tables.w1, tables.w2, tables.hours, words, links)
        led = (read ^ words[q1, HELD]) & words[q1, HELD_KNOWN] & cmp if strange else np.uint32(0)
        if q1 < 0 and elsewhere and known == FULL and bends == BENDS_NOT:
            led = (read ^ value) & cmp  # to no cell at all: what the lanes show then it did not give
        if hit and led:
            # It did not act at this read, which would have come to what that write left in the other cell.
            note_miss(index, window, led, judged, tally, chances, hashes)
        if hit and blind and off & ~unsure == 0:
            # Or this read went astray, to a cell that nobody knows the contents of: the next one will tell, be it after
            # a write that was lost.
            links[c, DOUBT] = in_doubt(when, window)
            if links[c, STATE] != OPEN:
                words[c, LOST2] = was
                words[c, LOST2_KNOWN] = was_known
                words[c, LOST2_LANES] = cmp
            store(words, HELD, q1, cmp & ~known, read, cmp & ~known)
    if not hit and hard.differs and ((read ^ hard.value) & hard.known & cmp) == 0:
        if not elsewhere:
            store(words, HELD, c, cmp, read, cmp)
            links[c, CORRUPT] = 1
            if links[c, STATE] == OPEN:
                links[c, STATE] = DID_ACT
        hit, unsure, when = True, cmp & ~hard.known, window
    beside = also >= 0 and not fights and bends == BENDS_NOT
    if not hit and (blind or (beside and off & known == 0 and ((read ^ value) & known & cmp) == 0)):
        # The other cell's contents are not known; now they are, of one that answers beside where that decides.
        hit, unsure = True, cmp & ~known
        store(words, HELD, q1 if blind else also, unsure, read, unsure)
        # Nor is it what a write that the fault met would have left there.
        if blind:
            refute(index, q1, cmp, judged, cells, counts)
        else:
            refute(index, also, unsure, judged, cells, counts)
    if hit and judged:
        tally[HIT] += 1
        chances[when, HIT] += 1
        tally[UNSURE_BITS] += ones(unsure)
        hashes[1] += mix(index, wrong)
    if hit:
        return True, False, unsure
    if wrong == 0:
        if judged:
            tally[CONTRADICTED] += links[c, CORRUPT]
        store(words, HELD, c, cmp, read, cmp)
        links[c, CORRUPT] = 0
    elif judged and open_chance:
        tally[EXCUSED] += 1
        chances[window, HIT] += 1
    elif judged:
        tally[OTHER] += 1
    if wrong and at_write:
        # Something of this kind happened here, though not as predicted: repeats of it are no news.
        store(words, HELD, c, cmp, read, cmp)
    return False, wrong != 0 and open_chance, np.uint32(0)
