"""The ledger's hot loops: plain functions of arrays.

Cells live in pages of ``1 << PAGE_BITS`` words that are allocated as traffic
touches them; ``slot_of_page`` maps (space, page) to a slot, -1 where none.
The caller makes sure that every page a block touches has a slot.
"""

import numba as nb
import numpy as np

PAGE_BITS = 10
PAGE_MASK = (1 << PAGE_BITS) - 1

NOT_TAKEN, WRITE, AGREES, MISMATCH, UNKNOWN, STALE, DISAGREES, AMBIGUOUS = range(8)
# How a region is treated: see RegionMap.
RAM, ROM, SKIP = 0, 1, 2
# What a rule's kind does to memory.
IS_NOTHING, IS_READ, IS_WRITE = 0, 1, 2

MAX_VALUES = 8  # distinct values a shared entry may hold before it counts as unknown


@nb.njit(cache=True, nogil=True)
def locate(space, address, unknown, starts, ends, spaces, lanes, width, data_bytes, out):
    """Region index of each cycle, -1 outside all.

    An address with unknown bits is located only where its lowest and its
    highest reading fall in one region, as then all readings do.
    ``lanes`` (uint32 a region) are the data bits the region owns, 0 = all.
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
        use = np.uint32(0)
        for b in range(data_bytes):
            if (width[i] >> b) & 1:
                use |= np.uint32(0xFF) << np.uint32(8 * b)
        for k in range(n_regions):
            r = last + k
            if r >= n_regions:
                r -= n_regions
            if spaces[r] == where and starts[r] <= low and high <= ends[r] and (lanes[r] == 0 or lanes[r] & use):
                out[i] = r
                last = r
                break


@nb.njit(cache=True, nogil=True, _nrt=False)
def _cell(space, word, pages_a_space, slot_of_page):
    slot = slot_of_page[space * pages_a_space + (word >> PAGE_BITS)]
    if slot < 0:
        return np.int64(-1)
    return (np.int64(slot) << PAGE_BITS) | (word & PAGE_MASK)


@nb.njit(cache=True, nogil=True, _nrt=False)
def _blur(space, address, unknown, shift, pages_a_space, slot_of_page, known, stale, writer, index):
    """A write somewhere among several cells: what they held is stale from here on."""
    word = np.int64(address) >> shift
    mask = np.int64(unknown) >> shift
    part = mask
    while True:
        cell = _cell(space, word | part, pages_a_space, slot_of_page)
        if cell >= 0:
            stale[cell] = known[cell]
            writer[cell] = index
        if part == 0:
            break
        part = (part - 1) & mask


@nb.njit(cache=True, nogil=True)
def feed(
    action, space, treat, address, unknown, data, data_unknown, width, time, first_index,
    gap_ends, epoch_now, gap_next,
    shift, data_bytes, pages_a_space, slot_of_page,
    value, known, stale, seen, seen_known, epoch, fixed, writer,
    verdict, out_expected, out_known, out_mismatch, out_writer,
):  # fmt: skip
    """One block of cycles through the ledger; every address line that matters is wired.

    Returns ``(epoch_now, gap_next)`` for the next block. Arrays ``value`` …
    ``writer`` are the cells, changed in place; ``verdict`` … ``out_writer`` are
    filled. ``fixed`` marks bits known from a ROM image: never stale, never written.
    """
    for i in range(action.shape[0]):
        while gap_next < gap_ends.shape[0] and gap_ends[gap_next] <= time[i]:
            gap_next += 1
            epoch_now += 1
        verdict[i] = NOT_TAKEN
        out_expected[i] = 0
        out_known[i] = 0
        out_mismatch[i] = 0
        out_writer[i] = -1
        if treat[i] == SKIP or action[i] == IS_NOTHING:
            continue
        if unknown[i] != 0:
            if action[i] == IS_WRITE and treat[i] == RAM:
                bits = 0
                rest = np.int64(unknown[i])
                while rest:
                    rest &= rest - 1
                    bits += 1
                if bits > 10:
                    epoch_now += 1
                else:
                    _blur(space[i], address[i], unknown[i], shift, pages_a_space, slot_of_page, known, stale, writer,
                          first_index + i)  # fmt: skip
            continue
        cell = _cell(space[i], np.int64(address[i]) >> shift, pages_a_space, slot_of_page)
        if cell < 0:
            continue
        if epoch[cell] != epoch_now:
            epoch[cell] = epoch_now
            stale[cell] = known[cell] & ~fixed[cell]
            seen_known[cell] = 0
        lanes = np.uint32(0)
        for b in range(data_bytes):
            if (width[i] >> b) & 1:
                lanes |= np.uint32(0xFF) << np.uint32(8 * b)
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
        # A stale bit that reads right is known again; one that reads wrong is unknown from here.
        stale[cell] &= ~old
        known[cell] &= ~stale_wrong
        free = clear & ~known[cell]
        both = free & seen_known[cell] & ~stale_wrong
        disagree = (seen[cell] ^ data[i]) & both
        seen[cell] = (seen[cell] & ~free) | (data[i] & free)
        seen_known[cell] |= free
        if wrong:
            verdict[i] = MISMATCH
        elif stale_wrong:
            verdict[i] = STALE
        elif disagree:
            verdict[i] = DISAGREES
        elif sure:
            verdict[i] = AGREES
        else:
            verdict[i] = UNKNOWN
    return epoch_now, gap_next


@nb.njit(cache=True, nogil=True)
def feed_shared(
    action, space, treat, address, unknown, data, data_unknown, width, time, first_index, unwired,
    gap_ends, epoch_now, gap_next,
    shift, data_bytes, pages_a_space, slot_of_page,
    values, count, writes, epoch, writer, needed,
    verdict, out_expected, out_known, out_mismatch, out_writer,
):  # fmt: skip
    """As ``feed``, where unwired address lines make several cells share an entry.

    An entry holds every distinct value that was written through it and could
    still stand in one of its cells; ``needed`` writes must have been seen
    before the entry can be believed complete. A lane is wrong only where all
    possible values agree on it and the read does not.
    """
    for i in range(action.shape[0]):
        while gap_next < gap_ends.shape[0] and gap_ends[gap_next] <= time[i]:
            gap_next += 1
            epoch_now += 1
        verdict[i] = NOT_TAKEN
        out_expected[i] = 0
        out_known[i] = 0
        out_mismatch[i] = 0
        out_writer[i] = -1
        if treat[i] == SKIP or action[i] == IS_NOTHING:
            continue
        if unknown[i] & ~unwired:
            if action[i] == IS_WRITE and treat[i] == RAM:
                epoch_now += 1
            continue
        cell = _cell(space[i], np.int64(address[i]) >> shift, pages_a_space, slot_of_page)
        if cell < 0:
            continue
        if epoch[cell] != epoch_now:
            epoch[cell] = epoch_now
            count[cell] = 0
            writes[cell] = 0
        lanes = np.uint32(0)
        for b in range(data_bytes):
            if (width[i] >> b) & 1:
                lanes |= np.uint32(0xFF) << np.uint32(8 * b)
        clear = lanes & ~data_unknown[i]
        out_writer[i] = writer[cell]
        if action[i] == IS_WRITE:
            if treat[i] == ROM:
                continue
            verdict[i] = WRITE
            writer[cell] = first_index + i
            writes[cell] += 1
            seen = False
            for k in range(min(count[cell], MAX_VALUES)):
                if (values[cell, k] & clear) == (data[i] & clear):
                    seen = True
            if not seen:
                if count[cell] < MAX_VALUES:
                    values[cell, count[cell]] = data[i] & clear
                    count[cell] += 1
                else:
                    count[cell] = MAX_VALUES + 1
            continue
        if writes[cell] < needed or count[cell] > MAX_VALUES or count[cell] == 0:
            verdict[i] = UNKNOWN if writes[cell] < needed else AMBIGUOUS
            continue
        ones = np.uint32(0xFFFFFFFF)
        zeros = np.uint32(0xFFFFFFFF)
        hit = False
        for k in range(count[cell]):
            ones &= values[cell, k]
            zeros &= ~values[cell, k]
            if (values[cell, k] & clear) == (data[i] & clear):
                hit = True
        agreed = (ones | zeros) & clear
        out_expected[i] = ones & agreed
        out_known[i] = agreed
        wrong = (ones ^ data[i]) & agreed
        if hit:
            verdict[i] = AGREES if count[cell] == 1 else AMBIGUOUS
        elif wrong:
            verdict[i] = MISMATCH
            out_mismatch[i] = wrong
        else:
            verdict[i] = AMBIGUOUS
    return epoch_now, gap_next


@nb.njit(cache=True, nogil=True)
def count_block(region, verdict, action, known, expected, mismatch, totals, lane_counts):
    """Add a block to ``totals`` (int64, regions × 8: writes, reads, compared,
    mismatches, unknown, stale, disagree, ambiguous) and ``lane_counts``
    (int64, regions × 32 × 3: compared, low for high, high for low)."""
    for i in range(region.shape[0]):
        r = region[i]
        if r < 0:
            continue
        v = verdict[i]
        if v == NOT_TAKEN:
            continue
        if v == WRITE:
            totals[r, 0] += 1
            continue
        if action[i] != IS_READ:
            continue
        totals[r, 1] += 1
        if known[i] and v != AMBIGUOUS:
            totals[r, 2] += 1
            rest = known[i]
            lane = 0
            while rest:
                if rest & np.uint32(1):
                    lane_counts[r, lane, 0] += 1
                    if (mismatch[i] >> np.uint32(lane)) & np.uint32(1):
                        if (expected[i] >> np.uint32(lane)) & np.uint32(1):
                            lane_counts[r, lane, 1] += 1
                        else:
                            lane_counts[r, lane, 2] += 1
                rest >>= np.uint32(1)
                lane += 1
        if v == MISMATCH:
            totals[r, 3] += 1
        elif v == UNKNOWN:
            totals[r, 4] += 1
        elif v == STALE:
            totals[r, 5] += 1
        elif v == DISAGREES:
            totals[r, 6] += 1
        elif v == AMBIGUOUS:
            totals[r, 7] += 1
