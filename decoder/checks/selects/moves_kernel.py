"""The rows of a block that matter to a decoder: one quick pass tells which kinds of its lines moved in each."""

import numpy as np

from busledger.decoder.inner_kernel import inner

# Kinds of lines, as rows of ``relevant`` and as bits of what moved.
R_INPUTS, R_OUTPUTS, R_STROBE, R_AROUND = range(4)
ALL_NEW = np.uint8((1 << R_INPUTS) | (1 << R_OUTPUTS) | (1 << R_STROBE))
NONE = np.uint64(0)


@inner(_nrt=False)
def _kinds(high, lost, relevant, w):
    """Which kinds of lines are among those in word ``w`` whose level (``high``) or whether they are known (``lost``)
    changed: a bit each. Of the other address lines only the level counts."""
    moved = high | lost
    return (
        np.uint8(moved & relevant[R_INPUTS, w] != np.uint64(0))
        | np.uint8(moved & relevant[R_OUTPUTS, w] != np.uint64(0)) << R_OUTPUTS
        | np.uint8(moved & relevant[R_STROBE, w] != np.uint64(0)) << R_STROBE
        | np.uint8(high & relevant[R_AROUND, w] != np.uint64(0)) << R_AROUND
    )


@inner(_nrt=False)
def rows_that_matter(levels, unknown, fresh, relevant, rows, what):
    """Fills ``rows`` with those in which some line of the decoder moved, ``what`` with a bit for each kind of line.

    Lines are compared with the row before; of the first row, and of those that are
    ``fresh``, every kind but the last is said to have moved. Returns how many there are.
    """
    n, words = fresh.shape[0], relevant.shape[1]
    count = 0
    if words == 1:
        was, gone = NONE, NONE
        for i in range(n):
            now, lost = levels[i], unknown[i]
            found = _kinds(now ^ was, lost ^ gone, relevant, 0)
            was, gone = now, lost
            if i == 0 or fresh[i]:
                found = ALL_NEW
            rows[count], what[count] = i, found
            count += found != 0
        return count
    for i in range(n):
        found = np.uint8(0)
        if i == 0 or fresh[i]:
            found = ALL_NEW
        else:
            for w in range(words):
                here, before = i * words + w, (i - 1) * words + w
                found |= _kinds(levels[here] ^ levels[before], unknown[here] ^ unknown[before], relevant, w)
        rows[count], what[count] = i, found
        count += found != 0
    return count
