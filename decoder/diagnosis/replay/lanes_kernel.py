"""Faults that only bend what a read gives: all of them in one pass over the rows."""

import numba as nb

from busledger.decoder.diagnosis.replay.effect_kernel import mix
from busledger.decoder.inner_kernel import inner

# Columns of a tally, as in replay_kernel.
HIT, MISS, OTHER, EXPLAINED = range(4)

LOW, HIGH, KEPT, AND, OR, KEPT_BY_CARD = 0, 1, 2, 3, 4, 5
KEPT_FROM_BUS = 6  # played as KEPT_BY_CARD, with what the bus carried before in place of what the card did


@inner(_nrt=False)
def bend(does, mask, value, known, kept, rest):
    """(levels, known lanes) of a read of ``value`` through the fault."""
    if does == LOW:
        return value & ~mask, known | mask
    if does == HIGH:
        return value | mask, known | mask
    if does == KEPT:
        return (value & ~mask) | (kept & mask), known | mask
    if does == KEPT_BY_CARD:
        return (value & ~mask) | (rest & mask), known | mask
    seen = value & mask
    if does == AND:
        if known & mask & ~value:
            return value & ~mask, known | mask
        sure = (known & mask) == mask
        return value, known if sure else known & ~mask
    if known & seen:
        return value | mask, known | mask
    sure = (known & mask) == mask
    return value, known if sure else known & ~mask


@nb.njit(cache=True, nogil=True, _nrt=False)
def bend_all(does, mask, expected, compared, kept, rest, value, known):
    """``bend`` for every row: what each read gives through the fault, into ``value`` and ``known`` (uint32 a row)."""
    for i in range(expected.shape[0]):
        value[i], known[i] = bend(does, mask, expected[i], compared[i], kept[i], rest[i])


@nb.njit(cache=True, nogil=True, _nrt=False)
def lanes(rows, faults, counts):
    """One block of rows (``BentRows``) through the candidates (``Bends``) of each row's region, into ``BentCounts``."""
    cell, region, is_write, kept, rest, expected, compared, read, wrong, index, window = rows
    begin, end, does, mask, only = faults
    tally, chances, hashes, first = counts
    for i in range(cell.shape[0]):
        if is_write[i] or compared[i] == 0:
            continue
        r = region[i]
        for j in range(begin[r], end[r]):
            if only[j] >= 0 and only[j] != cell[i]:
                continue
            m = mask[j]
            value, known = bend(does[j], m, expected[i], compared[i], kept[i], rest[i])
            cmp = compared[i] & m & known
            differ = (value ^ expected[i]) & cmp
            if differ == 0:
                continue
            hashes[j] += mix(index[i], differ)
            if (read[i] ^ value) & cmp == 0:
                tally[j, HIT] += 1
                chances[j, window[i], HIT] += 1
                if wrong[i] & ~m == 0:
                    tally[j, EXPLAINED] += 1
                    if first[j, 0] < first.shape[1] - 1:
                        first[j, 0] += 1
                        first[j, first[j, 0]] = index[i]
            elif wrong[i] & m == 0:
                tally[j, MISS] += 1
                chances[j, window[i], MISS] += 1
            else:
                # Of what comes and goes a chance at which it did not act: it would have shown.
                tally[j, OTHER] += 1
                chances[j, window[i], MISS] += 1
