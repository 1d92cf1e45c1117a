"""Cells that lose their value with time."""

import numba as nb
import numpy as np

from busledger.decoder.diagnosis.replay.effect_kernel import mix

# Columns of a tally: decayed as predicted, wrong in another way, explained rows; reads that a retention time of the
# cell's own does not allow, by what other reads of it showed; and those that it allows because it may lie at their very
# age, at which the cell has kept its value and lost it.
DECAYED, OTHER, EXPLAINED, AGAINST, EITHER = 0, 1, 2, 3, 4
BINS = 256  # ages in quarter octaves of ticks
BINS_AN_OCTAVE = 4
NEVER = np.int64(1 << 62)  # an age that no read has
SAME_AGE = 8  # judged: ages that differ by less than one in 2 ** 8 are one: a cell's own time is not kept better


@nb.njit(cache=True, nogil=True, _nrt=False)
def decay(rows, fault, state, counts):
    """One block of accesses (``CellRows``) under a fault (``Decays``); ``Charges`` go on, ``DecayCounts`` grow."""
    cell, is_write, _, sure, expected, compared, wrong, index, time = rows
    first_cell, only, mask, high, refreshes = fault
    stamp, gone, kept, lost = state
    tally, ages, hashes, first = counts
    for i in range(cell.shape[0]):
        c = cell[i]
        if only >= 0 and c != only:
            continue
        k = c - first_cell
        if is_write[i]:
            if sure[i] & mask:
                stamp[k] = time[i]
                gone[k] = 0
            continue
        cmp = compared[i] & mask
        if cmp == 0 or stamp[k] < 0:
            continue
        value = expected[i] | mask if high else expected[i] & ~mask
        differ = (value ^ expected[i]) & cmp
        bad = wrong[i] & mask
        if differ == 0:
            if bad:
                tally[OTHER] += 1
            elif refreshes and gone[k] == 0:
                stamp[k] = time[i]
            continue
        age = max(np.int64(1), time[i] - stamp[k])
        at = min(BINS - 1, np.int64(np.log2(np.float64(age)) * BINS_AN_OCTAVE))
        hashes[at] += mix(index[i], differ)
        if bad == 0:
            ages[0, at] += 1
            gone[k] = 0
            if lost[k] != NEVER and age > lost[k] + (lost[k] >> SAME_AGE):
                tally[AGAINST] += 1
            else:
                tally[EITHER] += age + (age >> SAME_AGE) >= lost[k]
                kept[k] = max(kept[k], age)
            if refreshes:
                stamp[k] = time[i]
        elif bad == differ:
            if gone[k] == 0:
                ages[1, at] += 1
                tally[DECAYED] += 1
                if age + (age >> SAME_AGE) < kept[k]:
                    tally[AGAINST] += 1
                else:
                    tally[EITHER] += age <= kept[k] + (kept[k] >> SAME_AGE)
                    lost[k] = min(lost[k], age)
            gone[k] = 1
            if wrong[i] == bad:
                tally[EXPLAINED] += 1
                if first[0] < first.shape[0] - 1:
                    first[0] += 1
                    first[first[0]] = index[i]
        else:
            tally[OTHER] += 1
