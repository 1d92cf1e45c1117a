"""Replaying a capture as hardware with one address, select or write fault would have run it.

Two theories run side by side. *Hard*: the fault acts at every access, memory
follows exactly. *Now and then*: the fault acts at some accesses; memory follows
what the reads show, and each cell remembers what it would hold had the fault
acted at its last write, until a read tells.
"""

from typing import NamedTuple

import numba as nb
import numpy as np

from busledger.decoder.diagnosis.replay.effect_kernel import mix, ones
from busledger.decoder.diagnosis.replay.memory_kernel import (
    BENDS_FLOAT,
    BENDS_NOT,
    CORRUPT,
    COUNT,
    DID_ACT,
    DOUBT,
    FULL,
    HARD,
    HARD_KNOWN,
    HELD,
    HELD_KNOWN,
    LOST,
    LOST2,
    LOST2_KNOWN,
    LOST2_LANES,
    LOST_KNOWN,
    LOST_LANES,
    NOBODY_KNOWS,
    ON_READS,
    ON_WRITES,
    OPEN,
    OVER,
    OVER_KNOWN,
    OVER_LANES,
    OWNER,
    OWNER_COUNT,
    OWNER_WHEN,
    REFUTED,
    STATE,
    STORES_DATA,
    WAS_IDLE,
    WHEN,
    acted,
    answer,
    bend,
    fits,
    in_doubt,
    store,
    stored,
    undriven,
    was_astray,
    write,
)
from busledger.decoder.inner_kernel import inner

# Columns of a tally.
HIT, MISS, OTHER, EXPLAINED, UNSURE_BITS, CONTRADICTED, EXCUSED, TWO_WAYS = range(8)
TALLY = 8
# A capture is cut into this many windows of equal time; hits and misses are also counted window by window.
WINDOWS = 256
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


class OtherCell(NamedTuple):
    """What the fault would have given had it acted at this read: the cell that is reached and what is known of it.

    ``elsewhere``: that is not what the cell holds; ``both``: two cells answer; ``fights``: and nobody knows with what;
    ``strange``: one other cell does.
    """

    q1: int
    elsewhere: bool
    value: int
    known: int
    bends: int
    both: bool
    fights: bool
    strange: bool


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
def note_miss(index, window, bits, judged, tally, chances, hashes):
    """One chance of the fault that the read refutes."""
    if judged:
        tally[MISS] += 1
        chances[window, MISS] += 1
        hashes[1] += mix(index, bits)


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
    links[c, DOUBT] = 0
    if links[c, STATE] == OPEN and words[c, LOST_LANES]:
        d = ((words[c, LOST] ^ words[c, HELD]) | ~words[c, LOST_KNOWN]) & words[c, LOST_LANES] & cmp
        if d:
            links[c, STATE] = WAS_IDLE
            note_miss(index, links[c, WHEN], d, judged, tally, chances, hashes)
    o = links[c, OWNER]
    if o >= 0:
        d = ((words[c, OVER] ^ words[c, HELD]) | ~words[c, OVER_KNOWN]) & words[c, OVER_LANES] & cmp
        if d:
            fresh = True
            if links[o, COUNT] == links[c, OWNER_COUNT]:
                fresh = links[o, STATE] == OPEN
                links[o, STATE] = WAS_IDLE
            links[c, OWNER] = -1
            if fresh:
                note_miss(index, links[c, OWNER_WHEN], d, judged, tally, chances, hashes)
    if other.elsewhere:
        d = (value ^ words[c, HELD]) & known & cmp
        # Lanes that fight, or whose other cell nobody knows, read right by luck: more than one such lane at once is a
        # chance missed, a single one every second time.
        open_lanes = ones(cmp & ~known)
        if d == 0 and (other.both or other.strange) and (open_lanes > 1 or (open_lanes == 1 and index & 1)):
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
def read_written(c, window, read, cmp, w1, w2, words, links):
    """(explained, unsure lanes, window): the fault acted at a write that this cell has met."""
    if links[c, STATE] == OPEN and words[c, LOST_LANES]:
        hit, unsure = fits(c, read, cmp, LOST, LOST_LANES, words)
        if hit:
            acted(c, w1[c], w2[c], words, links)
            store(words, HELD, c, cmp, read, cmp)
            return True, unsure, links[c, WHEN]
        if words[c, LOST2_LANES]:
            hit, unsure = fits(c, read, cmp, LOST2, LOST2_LANES, words)
            if hit:
                acted(c, w1[c], w2[c], words, links)
                store(words, HELD, c, cmp, read, cmp)
                return True, unsure, links[c, WHEN]
    o = links[c, OWNER]
    if o >= 0 and not (links[o, COUNT] == links[c, OWNER_COUNT] and links[o, STATE] == WAS_IDLE):
        hit, unsure = fits(c, read, cmp, OVER, OVER_LANES, words)
        if hit:
            if links[o, COUNT] == links[c, OWNER_COUNT]:
                acted(o, w1[o], w2[o], words, links)
            store(words, HELD, c, cmp, read, cmp)
            links[c, CORRUPT] = 1
            links[c, OWNER] = -1
            return True, unsure, links[c, OWNER_WHEN]
    return False, np.uint32(0), window


@inner(_nrt=False, forceinline=True)
def written_too(c, read, cmp, words, links):
    """Whether an act at a write would explain the read as well, by what is known of the cell's other value."""
    if links[c, STATE] == OPEN and words[c, LOST_LANES]:
        hit, unsure = fits(c, read, cmp, LOST, LOST_LANES, words)
        if hit and unsure == 0:
            return True
    o = links[c, OWNER]
    if o < 0 or (links[o, COUNT] == links[c, OWNER_COUNT] and links[o, STATE] == WAS_IDLE):
        return False
    hit, unsure = fits(c, read, cmp, OVER, OVER_LANES, words)
    return hit and unsure == 0


@inner(_nrt=False, forceinline=True)
def could_differ(c, cmp, words, links):
    """Whether an act at a write that this cell has met could have left anything else than is believed to be there."""
    lanes = np.uint32(0)
    if links[c, STATE] == OPEN:
        lanes |= ((words[c, LOST] ^ words[c, HELD]) | ~words[c, LOST_KNOWN]) & words[c, LOST_LANES]
        lanes |= ((words[c, LOST2] ^ words[c, HELD]) | ~words[c, LOST2_KNOWN]) & words[c, LOST2_LANES]
    if links[c, OWNER] >= 0:
        lanes |= ((words[c, OVER] ^ words[c, HELD]) | ~words[c, OVER_KNOWN]) & words[c, OVER_LANES]
    return lanes & cmp != 0


@inner(_nrt=False, forceinline=True)
def read_wrong(seen, off, other, hard, tables, cells, counts):
    """(explained, excused): a read that is not what the cell is believed to hold; memory follows it.

    Tried in turn: the fault acted at this read; at a write to the cell or to
    another; at every access so far; at this read, which reached a cell that
    nobody knows the contents of (``strange``: it reaches one other cell). ``off``: the lanes in which it is not.
    """
    index, window, c, read, cmp, wrong, judged = seen
    q1, elsewhere, value, known, bends, _, fights, strange = other
    words, links = cells
    tally, chances, hashes = counts.some, counts.chances, counts.hashes
    if wrong == 0 and links[c, DOUBT]:
        was_astray(c, judged, links, HIT, chances)
        store(words, HELD, c, cmp, read, cmp)
        return False, False
    hit, unsure, when = False, np.uint32(0), window
    blind = strange and off & known == 0 and ((read ^ value) & known & cmp) == 0
    # A write of what the cell held already is no chance, as it is none where the read is right.
    at_write = could_differ(c, cmp, words, links)
    open_chance = elsewhere or at_write
    if elsewhere:
        hit, unsure = read_elsewhere(c, read, cmp, off, q1, value, known, bends, fights, words, links)
        if hit and judged and written_too(c, read, cmp, words, links):
            tally[TWO_WAYS] += 1
    if not hit:
        hit, unsure, when = read_written(c, window, read, cmp, tables.w1, tables.w2, words, links)
        if hit and blind and off & ~unsure == 0:
            # Or this read went astray, to a cell that nobody knows the contents of: the next one will tell.
            links[c, DOUBT] = in_doubt(when, window)
            store(words, HELD, q1, cmp & ~known, read, cmp & ~known)
    if not hit and hard.differs and ((read ^ hard.value) & hard.known & cmp) == 0:
        if not elsewhere:
            store(words, HELD, c, cmp, read, cmp)
            links[c, CORRUPT] = 1
            if links[c, STATE] == OPEN:
                links[c, STATE] = DID_ACT
        hit, unsure, when = True, cmp & ~hard.known, window
    if not hit and blind:
        # The other cell's contents are not known; now they are.
        hit, unsure = True, cmp & ~known
        store(words, HELD, q1, unsure, read, unsure)
    if hit and judged:
        tally[HIT] += 1
        chances[when, HIT] += 1
        # One unknown lane that is wrong has but one level to show.
        guessed = ones(unsure)
        tally[UNSURE_BITS] += 0 if guessed == 1 and off & ~unsure == 0 else guessed
        hashes[1] += mix(index, wrong)
    if hit:
        return True, False
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
    return False, wrong != 0 and open_chance


@nb.njit(cache=True, nogil=True, _nrt=False)
def replay(rows, tables, fault, cells, counts, want_rows, given):
    """One block of accesses under one theory.

    ``rows`` to ``given``: ``ReplayRows``, ``CellTables``, ``Acts``, ``CellState`` (carried), ``Counts`` (added to)
    and, if ``want_rows``, ``Given`` (filled) of ``arrays.py``.
    """
    cell, is_write, data, lanes_in, sure_in, kept, expected, compared, wrong_in, index, window, rest, rest_read = rows
    part, w1, w2, r1, r2 = tables
    mask, stores, floats, joins, bends, bad_lanes, acts = fault
    words, links = cells
    hard_tally, some_tally, hashes, first = counts.hard, counts.some, counts.hashes, counts.first
    hard_value, hard_sure, some_explained = given
    read_bends = bends if acts & ON_READS else BENDS_NOT
    write_bends = bends if acts & ON_WRITES else BENDS_NOT
    plain = (stores == STORES_DATA or bends == BENDS_FLOAT) and write_bends == BENDS_NOT
    for i in range(cell.shape[0]):
        c = cell[i]
        if part[c] & TAKES_PART == 0:
            continue
        if is_write[i]:
            lanes = lanes_in[i] & mask
            if lanes:
                sure = sure_in[i] & lanes
                bad, bad_known = stored(
                    STORES_DATA if plain else stores, data[i], sure, lanes, rest_read[i], write_bends, bad_lanes
                )
                write(c, window[i], data[i], sure, lanes, w1[c], w2[c], plain, bad, bad_known, words, links)
            continue
        read = data[i]
        cmp = compared[i] & mask
        exp = expected[i]
        wrong = wrong_in[i] & mask
        outside = wrong_in[i] & ~mask
        judged = part[c] & JUDGED != 0
        q1 = r1[c]
        q2 = r2[c]
        floating = undriven(floats, kept[i], rest[i])
        hv, hk = answer(words, HARD, q1, q2, floating, joins)
        hv, hk = bend(read_bends, bad_lanes, hv, hk, floating, FULL)
        read_hard(index[i], c, read, cmp, exp, wrong, outside, judged, hv, hk, hard_tally, hashes)
        if want_rows:
            hard_value[i] = hv
            hard_sure[i] = hk & mask
            some_explained[i] = 0
        if q1 >= 0 and q2 < 0 and read_bends == BENDS_NOT:
            learn = sure_in[i] & mask & ~words[q1, HARD_KNOWN]
            store(words, HARD, q1, learn, read, learn)
        learn = cmp & ~words[c, HELD_KNOWN]
        if links[c, CORRUPT]:
            # It kept what it held before, which nobody knew: now it shows.
            store(words, HELD, c, learn, read, learn)
            some_tally[UNSURE_BITS] += ones(learn) if judged else 0
        else:
            store(words, HELD, c, learn, exp, learn)
        # A read that nothing could be held against tells what the cell holds: a write lost after it leaves just that.
        learn = sure_in[i] & mask & ~cmp & ~words[c, HELD_KNOWN]
        store(words, HELD, c, learn, read, learn)
        off = (read ^ words[c, HELD]) & cmp
        elsewhere = q1 != c or q2 >= 0 or read_bends != BENDS_NOT
        value = words[c, HELD]
        known = FULL
        if elsewhere:
            value, known = answer(words, HELD, q1, q2, floating, joins)
            value, known = bend(read_bends, bad_lanes, value, known, floating, FULL)
        both = q1 >= 0 and q2 >= 0
        fights = joins == NOBODY_KNOWS and both
        strange = q1 >= 0 and q1 != c and q2 < 0 and read_bends == BENDS_NOT
        explained = wrong != 0
        seen = SeenRead(index[i], window[i], c, read, cmp, wrong, judged)
        other = OtherCell(q1, elsewhere, value, known, read_bends, both, fights, strange)
        if off == 0:
            read_right(seen, other, cells, counts)
        else:
            differs = ((hv ^ exp) & hk & cmp) != 0 and not links[c, REFUTED]
            hit, excused = read_wrong(seen, off, other, HardRead(hv, hk, differs), tables, cells, counts)
            explained = hit and wrong != 0
            if want_rows and excused and outside == 0:
                some_explained[i] = EXCUSES
        if (read ^ hv) & hk & cmp:
            links[c, REFUTED] = 1
        if explained and outside == 0:
            if judged:
                some_tally[EXPLAINED] += 1
                if first[0] < first.shape[0] - 1:
                    first[0] += 1
                    first[first[0]] = index[i]
            if want_rows:
                some_explained[i] = EXPLAINS
