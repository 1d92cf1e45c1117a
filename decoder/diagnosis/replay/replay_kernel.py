"""Replaying a capture as hardware with one address, select or write fault would have run it.

Two theories run side by side. *Hard*: the fault acts at every access, memory
follows exactly. *Now and then*: the fault acts at some accesses; memory follows
what the reads show, and each cell remembers what it would hold had the fault
acted at its last write, until a read tells.
"""

import numba as nb
import numpy as np

from busledger.decoder.diagnosis.replay.effect_kernel import mix, ones
from busledger.decoder.diagnosis.replay.memory_kernel import (
    AWAKE,
    BENDS_FLOAT,
    BENDS_NOT,
    CORRUPT,
    FULL,
    HARD,
    HARD_KNOWN,
    HELD,
    HELD_KNOWN,
    KEPT_BY_CARD,
    KEPT_FROM_BUS,
    LINKS,
    NOBODY_KNOWS,
    ON_READS,
    ON_WRITES,
    OWNER,
    OWNER2,
    REFUTED,
    STORES_BUS,
    STORES_CARD,
    STORES_DATA,
    STORES_REST,
    WHEN,
    WORDS,
    answer,
    before_this,
    bend,
    store,
    stored,
    undriven,
    write,
)
from busledger.decoder.diagnosis.replay.reads_kernel import (
    EXCUSES,
    EXPLAINS,
    JUDGED,
    TAKES_PART,
    WINDOWS,
    HardRead,
    OtherCell,
    SeenRead,
    Sums,
    note_explained,
    read_hard,
    read_right,
    read_wrong,
)
from busledger.decoder.diagnosis.replay.refute_kernel import BOTH_OR_NONE, HIT, TALLY, UNSURE_BITS
from busledger.decoder.diagnosis.replay.same_way_kernel import (
    OTHERWISE,
    TWICE_OR_NEVER,
    could_differ,
    says_nothing,
)
from busledger.decoder.inner_kernel import inner

__all__ = ["EXCUSES", "EXPLAINS", "JUDGED", "TAKES_PART", "TALLY", "WINDOWS", "replay"]


@inner(_nrt=False)
def _lay(few, k, tables, cells):
    """What fault ``k`` does to its few cells, laid into ``tables``; ``cells`` of them as before any access."""
    part, w1, w2, r1, r2, _ = tables
    words, links = cells
    for i in range(few.begin[k], few.end[k]):
        c = few.cell[i]
        part[c] = few.goes[i, 0]
        w1[c] = few.goes[i, 1]
        w2[c] = few.goes[i, 2]
        r1[c] = few.goes[i, 3]
        r2[c] = few.goes[i, 4]
        for column in range(WORDS):
            words[c, column] = few.fresh[c, column]
        for column in range(LINKS):
            links[c, column] = 0
        links[c, OWNER] = -1
        links[c, OWNER2] = -1


@nb.njit(cache=True, nogil=True, _nrt=False)
def replay(rows, tables, few, faults, cells, sums, want_rows, given):
    """One block of accesses under one theory after the other, each from the first row on.

    ``rows`` to ``given``: ``ReplayRows``, ``CellTables``, ``FewCells``, int64[faults, 7] (a row of ``Acts`` each),
    ``CellState`` (carried, of one fault on all cells), ``Counts`` (added to) and, if ``want_rows``, ``Given`` (filled,
    of one fault) of ``arrays.py``.
    """
    cell, is_write, data, lanes_in, sure_in, kept, expected, compared, wrong_in, index, window, _, _, _ = rows
    part, w1, w2, r1, r2, hours = tables
    words, links = cells
    hard_value, hard_sure, some_explained, some_found = given
    for k in range(faults.shape[0]):
        _lay(few, k, tables, cells)
        mask, bad_lanes = np.uint32(faults[k, 0]), np.uint32(faults[k, 5])
        stores, floats, joins, bends, acts = faults[k, 1], faults[k, 2], faults[k, 3], faults[k, 4], faults[k, 6]
        counts = Sums(sums.hard[k], sums.some[k], sums.chances[k], sums.hashes[k], sums.first[k])
        hard_tally, some_tally, _, hashes, first = counts
        rest, rest_read, rest_bus = rows.rest, rows.rest_read, rows.rest_bus
        read_bends = bends if acts & ON_READS else BENDS_NOT
        write_bends = bends if acts & ON_WRITES else BENDS_NOT
        if stores in (STORES_CARD, STORES_BUS):
            rest_read = rest if stores == STORES_CARD else rest_bus
            stores = STORES_REST
        if floats == KEPT_FROM_BUS:
            rest = rest_bus
            floats = KEPT_BY_CARD
        plain = (stores == STORES_DATA or bends == BENDS_FLOAT) and write_bends == BENDS_NOT
        for i in range(cell.shape[0]):
            c = cell[i]
            if part[c] & TAKES_PART == 0:
                continue
            awake = hours[window[i]] == AWAKE
            if is_write[i]:
                lanes = lanes_in[i] & mask
                if lanes:
                    sure = sure_in[i] & lanes
                    bad, bad_known = stored(
                        STORES_DATA if plain else stores, data[i], sure, lanes, rest_read[i], write_bends, bad_lanes
                    )
                    before = before_this(hours[window[i]], hours[links[c, WHEN]])
                    write(c, window[i], data[i], sure, lanes, w1[c], w2[c], plain, bad, bad_known, before, cells)
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
            elsewhere = q1 != c or q2 >= 0 or read_bends != BENDS_NOT
            learn = cmp & ~words[c, HELD_KNOWN]
            if awake and links[c, CORRUPT] and learn and q1 != c and q2 < 0:
                value, known = answer(words, HELD, q1, q2, floating, joins)
                if cmp & ~known == 0 and ((read ^ value) & cmp) == 0:
                    # What it kept nobody knows, and what the other cell holds is what was read: it was led there again.
                    if wrong and judged:
                        some_tally[HIT] += 1
                        counts.chances[window[i], HIT] += 1
                        hashes[1] += mix(index[i], wrong)
                    if wrong and outside == 0:
                        note_explained(index[i], i, judged, want_rows, some_tally, first, some_explained)
                    continue
            if links[c, CORRUPT]:
                # It kept what it held before, which nobody knew: now it shows.
                store(words, HELD, c, learn, read, learn)
                if judged:
                    some_tally[UNSURE_BITS] += ones(learn)
                    if want_rows:
                        some_found[i] = learn
            else:
                store(words, HELD, c, learn, exp, learn)
            # A read that nothing could be held against tells what the cell holds: a write lost after it leaves that.
            learn = sure_in[i] & mask & ~cmp & ~words[c, HELD_KNOWN]
            store(words, HELD, c, learn, read, learn)
            off = (read ^ words[c, HELD]) & cmp
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
            beside = (q2 if q1 == c else q1 if q2 == c else -1) if both else -1
            other = OtherCell(q1, elsewhere, value, known, read_bends, both, fights, strange, joins, beside)
            if off == 0:
                silent = says_nothing(read, cmp, other, hours, words, links) if awake and elsewhere else OTHERWISE
                if silent == OTHERWISE:
                    read_right(seen, other, cells, counts)
                elif silent == TWICE_OR_NEVER and judged:
                    some_tally[BOTH_OR_NONE] += 2
                elif judged and could_differ(c, cmp, words, links):
                    some_tally[BOTH_OR_NONE] += 1  # a write that met the fault, and this read alone did not, would show
            else:
                differs = ((hv ^ exp) & hk & cmp) != 0 and not links[c, REFUTED]
                hit, excused, unsure = read_wrong(seen, off, other, HardRead(hv, hk, differs), tables, cells, counts)
                explained = hit and wrong != 0
                if want_rows and judged and unsure:
                    some_found[i] |= unsure
                if want_rows and excused and outside == 0:
                    some_explained[i] = EXCUSES
            if (read ^ hv) & hk & cmp:
                links[c, REFUTED] = 1
            if explained and outside == 0:
                note_explained(index[i], i, judged, want_rows, some_tally, first, some_explained)
        for i in range(few.begin[k], few.end[k]):
            part[few.cell[i]] = 0
