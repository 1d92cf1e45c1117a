"""Access rows as the replays need them: what a healthy card would have read."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

# Verdicts of the ledger (decoder.ledger.columns.Verdict).
AGREES, MISMATCH, UNKNOWN, STALE, DISAGREES, AMBIGUOUS = 2, 3, 4, 5, 6, 7


@inner(_nrt=False)
def lanes_of(width):
    """Mask of the byte lanes in use."""
    lanes = np.uint32(0)
    for b in range(4):
        if (width >> b) & 1:
            lanes |= np.uint32(0xFF) << np.uint32(8 * b)
    return lanes


@nb.njit(cache=True, nogil=True, _nrt=False)
def count_unwritten(rows, written, value, settled, votes):
    """How often each bit that nobody has written yet was read high and low, in ``PlainRows`` of ``arrays.py``.

    What the image of a ROM says goes into ``value`` and ``settled`` (uint32 a cell) at once. ``written`` uint32 a
    cell, lanes written so far, carried; ``votes`` int32 (cells × lanes × 2), [·, ·, 1] counts high.
    """
    cell, fixed, is_write, data, data_unknown, width, verdict, expected, known, in_doubt = rows
    bits = votes.shape[1]
    for i in range(cell.shape[0]):
        c = cell[i]
        lanes = lanes_of(width[i])
        if is_write[i]:
            written[c] |= lanes
            continue
        if verdict[i] < AGREES or verdict[i] in (AMBIGUOUS, STALE):
            continue
        if fixed[i]:
            value[c] |= expected[i] & known[i]
            settled[c] |= known[i]
        free = lanes & ~data_unknown[i] & ~known[i] & ~written[c]
        if free == 0 or in_doubt[i]:
            continue
        for b in range(bits):
            if (free >> b) & 1:
                votes[c, b, (data[i] >> b) & 1] += 1


@nb.njit(cache=True, nogil=True, _nrt=False)
def elect(votes, value, settled):
    """The level that most reads of a bit gave, where it was read twice or more and three in four agree.

    Where fewer do, nobody can say which of the two is wrong.
    """
    for c in range(votes.shape[0]):
        for b in range(votes.shape[1]):
            low = votes[c, b, 0]
            high = votes[c, b, 1]
            if low + high < 2 or (low < 3 * high and high < 3 * low):
                continue
            settled[c] |= np.uint32(1) << np.uint32(b)
            if high > low:
                value[c] |= np.uint32(1) << np.uint32(b)


@nb.njit(cache=True, nogil=True, _nrt=False)
def prepare(rows, card, elected, settled, state, out):
    """One block of accesses: ``PlainRows``, ``RowState`` and ``PreparedRows`` of ``arrays.py``.

    ``card`` int16 a row: the group of regions behind the same data buffer. ``elected``, ``settled`` uint32 a cell: see
    ``elect``.
    """
    cell, fixed, is_write, data, data_unknown, width, verdict, expected, known, in_doubt = rows
    written, last, last_known, card_last, card_read = state
    lanes_out, sure_out, exp_out, cmp_out, wrong_out, event_out, rest_out, rest_read_out = out
    for i in range(cell.shape[0]):
        c = cell[i]
        lanes = lanes_of(width[i])
        carried = lanes & ~data_unknown[i]
        sure = np.uint32(0) if in_doubt[i] else carried
        lanes_out[i] = lanes
        sure_out[i] = sure
        exp_out[i] = 0
        cmp_out[i] = 0
        wrong_out[i] = 0
        event_out[i] = 0
        g = card[i]
        rest_out[i] = card_last[g]
        rest_read_out[i] = card_read[g]
        card_last[g] = (card_last[g] & ~carried) | (data[i] & carried)
        if is_write[i]:
            written[c] |= lanes
            last_known[c] &= ~lanes
            continue
        card_read[g] = card_last[g]
        v = verdict[i]
        if v < AGREES or v in (AMBIGUOUS, STALE):
            last_known[c] = 0
            continue
        cmp = known[i] & sure
        want = expected[i] & cmp
        extra = settled[c] & sure & ~cmp & ~written[c]
        # The ledger alone knows where a gap makes an old read stale: it then calls a difference no disagreement.
        if v != DISAGREES and not fixed[i]:
            extra &= ~(elected[c] ^ data[i])
        cmp |= extra
        want |= elected[c] & extra
        wrong = (want ^ data[i]) & cmp
        exp_out[i] = want
        cmp_out[i] = cmp
        wrong_out[i] = wrong
        if wrong:
            repeat = (last_known[c] & cmp) == cmp and ((last[c] ^ data[i]) & cmp) == 0
            event_out[i] = 0 if repeat else 1
        last[c] = (last[c] & ~sure) | (data[i] & sure)
        last_known[c] |= sure
