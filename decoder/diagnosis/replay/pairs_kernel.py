"""What other regions held at the place of a wrong read: a plain function of arrays."""

import numba as nb


@nb.njit(cache=True, nogil=True, _nrt=False)
def same_place(rows, row_of, base, size, held, known, joined, given):
    """Compare wrong reads with what every other region held at the same low address.

    ``rows``: ``PlaceRows``. ``row_of`` int64 a region, its row in the tables (-1: none); ``base``, ``size`` int64 a
    region. ``held``, ``known`` uint32 a cell, what was last written, carried. Added to, int64 (rows × regions):
    ``joined``, reads that are the AND or the OR of what is
    due and what the other region held; ``given``, reads that are what the other region held.
    """
    cell, region, is_write, data, sure, expected, compared, word, asked = rows
    for i in range(cell.shape[0]):
        c = cell[i]
        if is_write[i]:
            held[c] = (held[c] & ~sure[i]) | (data[i] & sure[i])
            known[c] |= sure[i]
            continue
        if not asked[i]:
            continue
        r = row_of[region[i]]
        if r < 0:
            continue
        for other in range(base.shape[0]):
            if other == region[i]:
                continue
            q = base[other] + (word[i] & (size[other] - 1))
            lanes = known[q] & compared[i]
            if lanes == 0:
                continue
            low = (data[i] ^ (expected[i] & held[q])) & lanes
            high = (data[i] ^ (expected[i] | held[q])) & lanes
            same = (data[i] ^ held[q]) & lanes
            off = (data[i] ^ expected[i]) & lanes
            if off == 0:
                continue
            if low == 0 or high == 0:
                joined[r, other] += 1
            if same == 0:
                given[r, other] += 1
