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
    bits_in,
    blur,
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
# Address bits that a read may leave open: past that nothing of it is compared.
MOST_OPEN = 10
# Columns of ``totals``, a region's sums, and of ``lane_counts``.
N_WRITES, N_READS, N_COMPARED, N_WRONG, N_UNKNOWN, N_STALE, N_DISAGREE, N_AMBIGUOUS, N_UNWRITTEN, N_DIFFER = range(10)
SEEN, LOW_FOR_HIGH, HIGH_FOR_LOW = range(3)
# What happened to a cell, bits of ``story``.
READ_UNWRITTEN, RIGHT, WRONG, DISAGREED = 1, 2, 4, 8


@nb.njit(cache=True, nogil=True, _nrt=False)
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


@inner(_nrt=False)
def _refresh(cell, state, cells):
    """What a cell is still known to hold after the gaps since its last access."""
    known, stale, seen_known = cells.known, cells.stale, cells.seen_known
    epoch, fixed, writer = cells.epoch, cells.fixed, cells.writer
    if epoch[cell] != state[EPOCH]:
        if epoch[cell] < state[FORGOTTEN]:
            known[cell] &= fixed[cell]
            writer[cell] = max(writer[cell], state[FORGETTER])
        epoch[cell] = state[EPOCH]
        stale[cell] = known[cell] & ~fixed[cell]
        seen_known[cell] = 0


@inner(_nrt=False)
def _together(space, address, unknown, state, placing, cells):
    """(value, sure, stale, writer): what is known whichever of the cells answers that ``unknown`` bits leave open."""
    all_lanes = np.uint32(0xFFFFFFFF)
    sure, either, high, low = all_lanes, all_lanes, all_lanes, all_lanes
    writer = np.int64(-1)
    if bits_in(np.int64(unknown)) > MOST_OPEN:
        return np.uint32(0), np.uint32(0), np.uint32(0), writer
    part = np.int64(unknown)
    while True:
        cell = cell_of(space, (np.int64(address) | part) >> placing.shift, placing.pages_a_space, placing.slot_of_page)
        if cell < 0:
            either = np.uint32(0)
        else:
            _refresh(cell, state, cells)
            sure &= cells.known[cell] & ~cells.stale[cell]
            either &= cells.known[cell]
            high &= cells.value[cell]
            low &= ~cells.value[cell]
            writer = max(writer, cells.writer[cell])
        if part == 0:
            break
        part = (part - 1) & np.int64(unknown)
    settled = either & (high | low)
    return high & settled, sure & settled, settled & ~sure, writer


@inner(_nrt=False)
def _elsewhere(space, address, hidden, data, clear, state, placing, cells):
    """Whether another cell that differs in ``hidden`` address bits only is known to hold what was read."""
    part = hidden
    while part:
        cell = cell_of(space, (np.int64(address) ^ part) >> placing.shift, placing.pages_a_space, placing.slot_of_page)
        if cell >= 0:
            _refresh(cell, state, cells)
            known = cells.known[cell] & clear
            if known and (cells.value[cell] ^ data) & known == 0:
                return True
        part = (part - 1) & hidden
    return False


@nb.njit(cache=True, nogil=True, _nrt=False)
def feed(block, first_index, hidden, areas, reach, gap_ends, state, placing, cells, out):
    """One block of cycles through the ledger.

    ``areas`` int64, one row an area of ``areas.TABLE``; ``reach`` bool, one row for each MAYBE in order: the areas
    that the write may have reached. ``hidden`` int64: address bits that no channel carries. Where one is unknown, a
    write may have gone to any of the cells that differ in it, and a read is wrong where all of them agree on another
    level, right where they agree on all of it. Where it is known it was counted along, and a read is no mismatch if a
    cell that differs in it alone holds it. ``state`` int64 (6,), carried to the next block. The others are
    ``Accesses``, ``Placing``, ``Cells`` (changed in place) and ``Verdicts`` (filled) of ``arrays.py``.
    """
    action, space, treat, address, unknown, data, data_unknown, width, time = block
    shift, data_bytes, pages_a_space, slot_of_page = placing
    open_bits = np.uint32(hidden)
    value, known, stale, seen, seen_known, _, _, writer, story = cells
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
            if unknown[i] != 0 and unknown[i] & ~open_bits == 0:
                verdict[i] = WRITE
            continue
        if unknown[i] & ~open_bits:
            continue
        if unknown[i] != 0:
            if action[i] == IS_READ:
                clear = lanes_of(width[i], data_bytes) & ~data_unknown[i]
                held, sure, old, last = _together(space[i], address[i], unknown[i], state, placing, cells)
                wrong = (held ^ data[i]) & sure & clear
                out_expected[i], out_known[i], out_mismatch[i], out_writer[i] = held, sure & clear, wrong, last
                if wrong:
                    verdict[i] = MISMATCH
                elif (held ^ data[i]) & old & clear:
                    verdict[i] = STALE
                else:  # right on the lanes on which the cells agree; of the others nobody can say
                    verdict[i] = AGREES if clear and sure & clear == clear else AMBIGUOUS
            continue
        cell = cell_of(space[i], np.int64(address[i]) >> shift, pages_a_space, slot_of_page)
        if cell < 0:
            continue
        _refresh(cell, state, cells)
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
        if wrong and hidden and _elsewhere(space[i], address[i], hidden, data[i], clear, state, placing, cells):
            verdict[i] = AMBIGUOUS
            out_known[i] = 0
            out_mismatch[i] = 0
        elif wrong:
            verdict[i] = MISMATCH
        elif disagree:
            verdict[i] = DISAGREES
        elif stale_wrong:
            verdict[i] = STALE
        elif sure:
            verdict[i] = AGREES
        else:
            verdict[i] = UNKNOWN


@nb.njit(cache=True, nogil=True, _nrt=False)
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
