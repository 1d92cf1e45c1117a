"""A part that is deaf for a while after a write, and shows the complement of what was written on its top lane."""

import numba as nb
import numpy as np

UNKNOWN, FORETOLD, POLLED, AGAINST = range(4)


@nb.njit(cache=True, nogil=True, _nrt=False)
def play(cell, is_write, data, sure, time, busy, top, content, known, verdict):
    """What each read of such a part gives, if it is ``busy`` ticks after a write.

    A value a row, in the order of time: ``cell`` int32, from 0 on, ``is_write`` bool, ``data``, ``sure`` uint32,
    ``time`` int64 ticks. ``top``: its highest lane, a mask; ``content``, ``known`` uint32 (cells,), zeros at first.
    ``verdict`` uint8 is filled: POLLED, read while it was busy and right on the top lane; FORETOLD, read as the cell
    holds it; AGAINST; UNKNOWN, nothing was known.
    """
    ready, last = np.int64(-1), np.uint32(0)
    for i in range(cell.shape[0]):
        c = cell[i]
        idle = time[i] >= ready
        if is_write[i]:
            if idle:
                content[c], known[c], last = data[i], sure[i], data[i]
                ready = time[i] + busy
        elif not idle:
            verdict[i] = POLLED if (data[i] ^ last) & top else AGAINST
        elif known[c] & sure[i] == 0:
            verdict[i] = UNKNOWN
            content[c], known[c] = data[i], sure[i]
        else:
            verdict[i] = FORETOLD if (data[i] ^ content[c]) & known[c] & sure[i] == 0 else AGAINST
    return np.int64(0)
