"""The ledger's hot loops: plain functions of arrays.

Cells live in pages of ``1 << PAGE_BITS`` words that are allocated as traffic
touches them; ``slot_of_page`` maps (space, page) to a slot, -1 where none.
The caller makes sure that every page a block touches has a slot.
"""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner
from busledger.decoder.ledger.blur_kernel import (
    INSIDE,
    LANES,
    MAX_VALUES,
    add_value,
    bits_in,
    blur,
    blur_shared,
    cell_of,
    lanes_of,
)

NOT_TAKEN, WRITE, AGREES, MISMATCH, UNKNOWN, STALE, DISAGREES, AMBIGUOUS = range(8)
# How an access is treated: see RegionMap. MAYBE: a write that may have gone to any of several cells, or to none.
RAM, ROM, SKIP, MAYBE = 0, 1, 2, 3
# What a rule's kind does to memory.
IS_NOTHING, IS_READ, IS_WRITE = 0, 1, 2
# The ledger's state between blocks: gaps passed, the next gap, the epoch in which all was forgotten and the write
# that made it so, cells visited by writes in doubt, and how many they may visit: past that such a write makes all of
# memory unknown.
EPOCH, GAP_NEXT, FORGOTTEN, FORGETTER, VISITED, MOST_VISITS = range(6)
# Cells that one write in doubt may visit; the caller makes sure that all their pages have a slot.
MOST_AT_ONCE = 1 << 20
# Columns of ``totals``, a region's sums, and of ``lane_counts``.
N_WRITES, N_READS, N_COMPARED, N_WRONG, N_UNKNOWN, N_STALE, N_DISAGREE, N_AMBIGUOUS, N_UNWRITTEN, N_DIFFER = range(10)
SEEN, LOW_FOR_HIGH, HIGH_FOR_LOW = range(3)
# What happened to a cell, bits of ``story``.
READ_UNWRITTEN, RIGHT, WRONG, DISAGREED = 1, 2, 4, 8


@nb.njit(cache=True, nogil=True)
def locate(space, address, unknown, starts, ends, spaces, lanes, width, data_bytes, out):
    """Region index of each cycle, -1 outside all.

    An address with unknown bits is located only where its lowest and its
    highest reading fall in one region, as then all readings do.
    ``lanes`` (uint32 a region) are the data bits the region owns, 0 = all.
    A region whose space is 255 is told otherwise than by address alone.
    """
    last = 0
    n_regions = starts.shape[0]
    for i in range(address.shape[0]):
        out[i] = -1
        if n_regions == 0:
            continue
        low = np.int64(address[i])
        high = low | np.int64(unknown[i])
        where = space[i]
        use = lanes_of(width[i], data_bytes)
        for k in range(n_regions):
            r = last + k
            if r >= n_regions:
                r -= n_regions
            if spaces[r] == where and starts[r] <= low and high <= ends[r] and (lanes[r] == 0 or lanes[r] & use):
                out[i] = r
                last = r
                break


@inner(_nrt=False)
def _visits(areas, reach, k, unknown, shift):
    """How many cells the write of row ``k`` of ``reach`` may have gone to, at most."""
    visits = 0
    for r in range(areas.shape[0]):
        if reach[k, r]:
            visits += np.int64(1) << bits_in((np.int64(unknown) & areas[r, INSIDE]) >> shift)
    return visits


@nb.njit(cache=True, nogil=True)
def feed(block, first_index, areas, reach, gap_ends, state, placing, cells, out):
    """One block of cycles through the ledger; every address line that matters is wired.

    ``areas`` int64, one row an area of ``areas.TABLE``; ``reach`` bool, one row for each MAYBE in order: the areas
    that the write may have reached. ``state`` int64 (6,), carried to the next block. The others are ``Accesses``,
    ``Placing``, ``Cells`` (changed in place) and ``Verdicts`` (filled) of ``arrays.py``.
    """
    action, space, treat, address, unknown, data, data_unknown, width, time = block
    shift, data_bytes, pages_a_space, slot_of_page = placing
    value, known, stale, seen, seen_known, epoch, fixed, writer, story = cells
    verdict, out_expected, out_known, out_mismatch, out_writer = out
    doubted = 0
    for i in range(action.shape[0]):
        while state[GAP_NEXT] < gap_ends.shape[0] and gap_ends[state[GAP_NEXT]] <= time[i]:
            state[GAP_NEXT] += 1
            state[EPOCH] += 1
        verdict[i] = NOT_TAKEN
        out_expected[i] = 0
        out_known[i] = 0
        out_mismatch[i] = 0
        out_writer[i] = -1
        if treat[i] == SKIP or action[i] == IS_NOTHING:
            continue
        if treat[i] == MAYBE:
            lanes = lanes_of(width[i], data_bytes)
            visits = _visits(areas, reach, doubted, unknown[i], shift)
            state[VISITED] += visits
            if visits > MOST_AT_ONCE or state[VISITED] > state[MOST_VISITS]:
                state[EPOCH] += 1
                state[FORGOTTEN] = state[EPOCH]
                state[FORGETTER] = first_index + i
            else:
                for r in range(areas.shape[0]):
                    if reach[doubted, r]:
                        own = lanes & np.uint32(areas[r, LANES])
                        clear = own & ~data_unknown[i]
                        blur(areas[r], address[i], unknown[i], own, clear, data[i], placing, cells, first_index + i)
            doubted += 1
            continue
        if unknown[i] != 0:
            continue
        cell = cell_of(space[i], np.int64(address[i]) >> shift, pages_a_space, slot_of_page)
        if cell < 0:
            continue
        if epoch[cell] != state[EPOCH]:
            if epoch[cell] < state[FORGOTTEN]:
                known[cell] &= fixed[cell]
                writer[cell] = max(writer[cell], state[FORGETTER])
            epoch[cell] = state[EPOCH]
            stale[cell] = known[cell] & ~fixed[cell]
            seen_known[cell] = 0
        lanes = lanes_of(width[i], data_bytes)
        clear = lanes & ~data_unknown[i]
        out_expected[i] = value[cell] & known[cell]
        out_writer[i] = writer[cell]
        if action[i] == IS_WRITE:
            if treat[i] == ROM:
                continue
            out_known[i] = known[cell] & ~stale[cell]
            value[cell] = (value[cell] & ~lanes) | (data[i] & clear)
            known[cell] = (known[cell] & ~lanes) | clear
            stale[cell] &= ~lanes
            seen_known[cell] &= ~lanes
            writer[cell] = first_index + i
            verdict[i] = WRITE
            continue
        sure = known[cell] & ~stale[cell] & clear
        differ = (value[cell] ^ data[i]) & clear
        out_known[i] = sure
        wrong = differ & sure
        out_mismatch[i] = wrong
        old = known[cell] & stale[cell] & clear
        stale_wrong = differ & old
        # A stale bit that reads right is known again; one that reads wrong proves nothing and stays stale.
        stale[cell] &= ~(old & ~differ)
        free = clear & ~known[cell]
        both = free & seen_known[cell]
        disagree = (seen[cell] ^ data[i]) & both
        seen[cell] = (seen[cell] & ~free) | (data[i] & free)
        seen_known[cell] |= free
        if writer[cell] < 0:
            story[cell] |= READ_UNWRITTEN
        if wrong:
            story[cell] |= WRONG
        elif sure:
            story[cell] |= RIGHT
        if disagree:
            story[cell] |= DISAGREED
        if wrong:
            verdict[i] = MISMATCH
        elif disagree:
            verdict[i] = DISAGREES
        elif stale_wrong:
            verdict[i] = STALE
        elif sure:
            verdict[i] = AGREES
        else:
            verdict[i] = UNKNOWN


@nb.njit(cache=True, nogil=True)
def feed_shared(block, first_index, unwired, areas, reach, gap_ends, state, placing, entries, out):
    """As ``feed``, where unwired address lines make several cells share an entry.

    An entry holds every distinct value that was written through it and could
    still stand in one of its cells; as many writes as it has cells must have
    been seen before the entry can be believed complete. A lane is wrong only
    where all possible values agree on it and the read does not.
    """
    action, space, treat, address, unknown, data, data_unknown, width, time = block
    shift, data_bytes, pages_a_space, slot_of_page = placing
    values, cares, count, writes, epoch, fixed, writer = entries
    verdict, out_expected, out_known, out_mismatch, out_writer = out
    doubted = 0
    for i in range(action.shape[0]):
        while state[GAP_NEXT] < gap_ends.shape[0] and gap_ends[state[GAP_NEXT]] <= time[i]:
            state[GAP_NEXT] += 1
            state[EPOCH] += 1
        verdict[i] = NOT_TAKEN
        out_expected[i] = 0
        out_known[i] = 0
        out_mismatch[i] = 0
        out_writer[i] = -1
        if treat[i] == SKIP or action[i] == IS_NOTHING:
            continue
        if treat[i] == MAYBE:
            lanes = lanes_of(width[i], data_bytes)
            visits = _visits(areas, reach, doubted, unknown[i] & ~unwired, shift)
            state[VISITED] += visits
            if visits > MOST_AT_ONCE or state[VISITED] > state[MOST_VISITS]:
                state[EPOCH] += 1
            else:
                for r in range(areas.shape[0]):
                    if reach[doubted, r]:
                        clear = lanes & np.uint32(areas[r, LANES]) & ~data_unknown[i]
                        blur_shared(areas[r], address[i], unknown[i], unwired, clear, data[i], placing, entries,
                                    first_index + i)  # fmt: skip
            doubted += 1
            continue
        if unknown[i] & ~unwired:
            continue
        cell = cell_of(space[i], np.int64(address[i]) >> shift, pages_a_space, slot_of_page)
        if cell < 0:
            continue
        needed = 1 << bits_in((np.int64(unknown[i]) & np.int64(unwired)) >> shift)
        if epoch[cell] != state[EPOCH] and not fixed[cell]:
            epoch[cell] = state[EPOCH]
            count[cell] = 0
            writes[cell] = 0
        lanes = lanes_of(width[i], data_bytes)
        clear = lanes & ~data_unknown[i]
        out_writer[i] = writer[cell]
        if action[i] == IS_WRITE:
            if treat[i] == ROM:
                continue
            verdict[i] = WRITE
            writer[cell] = first_index + i
            writes[cell] += 1
            if needed == 1 and clear == lanes:
                count[cell] = 0  # the one cell of this entry was written anew
            add_value(cell, data[i], clear, values, cares, count)
            continue
        complete = fixed[cell] or writes[cell] >= needed
        if not complete or count[cell] > MAX_VALUES or count[cell] == 0:
            verdict[i] = AMBIGUOUS if complete else UNKNOWN
            continue
        ones = np.uint32(0xFFFFFFFF)
        zeros = np.uint32(0xFFFFFFFF)
        hit = False
        for k in range(count[cell]):
            ones &= values[cell, k] & cares[cell, k]
            zeros &= ~values[cell, k] & cares[cell, k]
            if (values[cell, k] ^ data[i]) & clear & cares[cell, k] == 0:
                hit = True
        agreed = (ones | zeros) & clear
        out_expected[i] = ones & agreed
        out_known[i] = agreed
        wrong = (ones ^ data[i]) & agreed
        if hit:
            verdict[i] = AGREES if count[cell] == 1 and agreed else AMBIGUOUS
        elif wrong:
            verdict[i] = MISMATCH
            out_mismatch[i] = wrong
        else:
            verdict[i] = AMBIGUOUS


@nb.njit(cache=True, nogil=True)
def load_shared(cell, data, lanes, values, cares, count, fixed):
    """Words of a ROM image into the entries ``cell`` that they share."""
    for i in range(cell.shape[0]):
        fixed[cell[i]] = 1
        add_value(cell[i], data[i], lanes[i], values, cares, count)


@nb.njit(cache=True, nogil=True)
def count_block(region, verdict, action, known, expected, mismatch, writer, totals, lane_counts):
    """Add a block to ``totals`` (int64, regions × 10: ``N_…``, the last two reads of cells never written and of
    these such that disagree) and ``lane_counts`` (int64, regions × 32 × 3)."""
    for i in range(region.shape[0]):
        r = region[i]
        if r < 0:
            continue
        v = verdict[i]
        if v == NOT_TAKEN:
            continue
        if v == WRITE:
            totals[r, N_WRITES] += 1
            continue
        if action[i] != IS_READ:
            continue
        totals[r, N_READS] += 1
        if known[i] and v != AMBIGUOUS:
            totals[r, N_COMPARED] += 1
            rest = known[i]
            lane = 0
            while rest:
                if rest & np.uint32(1):
                    lane_counts[r, lane, SEEN] += 1
                    if (mismatch[i] >> np.uint32(lane)) & np.uint32(1):
                        if (expected[i] >> np.uint32(lane)) & np.uint32(1):
                            lane_counts[r, lane, LOW_FOR_HIGH] += 1
                        else:
                            lane_counts[r, lane, HIGH_FOR_LOW] += 1
                rest >>= np.uint32(1)
                lane += 1
        if v == MISMATCH:
            totals[r, N_WRONG] += 1
        elif v == UNKNOWN:
            totals[r, N_UNKNOWN] += 1
        elif v == STALE:
            totals[r, N_STALE] += 1
        elif v == DISAGREES:
            totals[r, N_DISAGREE] += 1
        elif v == AMBIGUOUS:
            totals[r, N_AMBIGUOUS] += 1
        if writer[i] < 0 and known[i] == 0:
            totals[r, N_UNWRITTEN] += 1
            if v == DISAGREES:
                totals[r, N_DIFFER] += 1
