"""What became of each cell, access by access: whether writes took, whether reads repeat, what else was held there."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

HELD = 6  # different contents that are remembered of a cell
SIDES = 6  # of a cell that two may answer for: each one's, and what was written to either since
# ``took``: what the first read after a write that changes something shows.
NO_TEST, TOOK, STAYED, NEITHER, TO_AND_FRO = range(5)
# ``repeat``: a read beside the last one of its cell, no write between.
FIRST, SAME, OTHER = range(3)
RIGHT = 4  # bit of ``pending``: the last access was a read that came right
BACK = 2  # bits of ``older`` below how many different contents have come since the one that is given


@nb.njit(cache=True, nogil=True, _nrt=False)
def tell(rows, memory, told):
    """Follow every cell through ``StoryRows``; ``CellMemory`` goes on, ``BecameOf`` is filled."""
    cell, is_write, data, sure, lanes, compared, wrong = rows
    held, count, content, known, last_read, read_known, pending, sound = memory
    took, repeat, older, since = told
    for i in range(cell.shape[0]):
        c = cell[i]
        took[i] = NO_TEST
        repeat[i] = FIRST
        older[i] = 0
        since[i] = sound[c]
        if is_write[i]:
            changes = known[c] & sure[i] & (content[c] ^ data[i])
            pending[c] = 1 | (2 if changes else 0)
            _remember(held, count, c, data[i])
            content[c] = (content[c] & ~sure[i]) | (data[i] & sure[i])
            known[c] = (known[c] & ~lanes[i]) | sure[i]
            sound[c] = i
            continue
        # After a read that came right the cell holds what it should, also on lanes that the read left in doubt.
        last = content[c] if pending[c] & RIGHT else last_read[c]
        last_known = known[c] if pending[c] & RIGHT else read_known[c]
        if pending[c] & 1 == 0 and last_known & sure[i]:
            repeat[i] = SAME if (last ^ data[i]) & last_known & sure[i] == 0 else OTHER
        before = last_known & compared[i]
        if pending[c] & 2 and compared[i]:
            if wrong[i] == 0:
                # Written to and fro since the last read, the cell may have held that all along.
                to_and_fro = before == compared[i] and (last ^ data[i]) & before == 0
                took[i] = TO_AND_FRO if to_and_fro else TOOK
            elif before and (last ^ data[i]) & before == 0:
                took[i] = STAYED
            else:
                took[i] = NEITHER
        if wrong[i]:
            for k in range(count[c]):
                if (held[c, k] ^ data[i]) & compared[i] == 0:
                    older[i] = 1 | (count[c] - 1 - k) << BACK
            if before and (last ^ data[i]) & before == 0:
                older[i] |= 2
        elif compared[i]:
            sound[c] = i
        pending[c] = RIGHT if compared[i] and wrong[i] == 0 else 0
        last_read[c] = (last_read[c] & ~sure[i]) | (data[i] & sure[i])
        read_known[c] |= sure[i]
        _remember(held, count, c, data[i])
        content[c] = (content[c] & ~sure[i]) | (data[i] & sure[i])
        known[c] |= sure[i]
    return np.int64(0)


@inner(_nrt=False)
def _remember(held, count, c, value):
    """``value`` as the latest content of cell ``c``."""
    at = count[c]
    for k in range(count[c]):
        if held[c, k] == value:
            at = k
    if at == count[c]:
        if count[c] < held.shape[1]:
            count[c] += 1
        else:
            at = 0
    last = count[c] - 1
    for k in range(at, last):
        held[c, k] = held[c, k + 1]
    held[c, last] = value


@nb.njit(cache=True, nogil=True, _nrt=False)
def either(cell, is_write, data, sure, compared, wrong, first, partner, held, count, hit, open_):
    """A clip is off from row ``first`` on, so that each access may belong to its cell or to that cell's partner.

    ``partner`` int32 a cell, the cell on the other side of the line, -1 = none. Carried: ``held`` uint32
    (cells × SIDES), ``count`` int8: the latest contents seen or written there. Filled, one a row: ``hit`` uint8, 1 = a
    wrong read that one of the two cells explains, 2 = one that a cell may explain of which nothing is known;
    ``open_`` uint8, 1 = a right read at which the other cell held something else.
    """
    for i in range(cell.shape[0]):
        c = cell[i]
        hit[i] = 0
        open_[i] = 0
        p = partner[c]
        if is_write[i] == 0 and compared[i] and p >= 0 and i >= first:
            found = False
            differs = False
            for side in range(2):
                d = c if side == 0 else p
                for k in range(count[d]):
                    if (held[d, k] ^ data[i]) & compared[i] == 0:
                        found = True
                    else:
                        differs = True
            if wrong[i]:
                hit[i] = 1 if found else 2 if count[p] == 0 or count[c] == 0 else 0
            elif differs:
                open_[i] = 1
        # What a wrong read gave that is not explained is no content of either cell.
        if is_write[i] or (sure[i] and (wrong[i] == 0 or hit[i])):
            if i < first:
                count[c] = 0  # the clip is on: what the cell held before is gone
            _remember(held, count, c, data[i])
    return np.int64(0)


@nb.njit(cache=True, nogil=True, _nrt=False)
def folded(cell, is_write, data, sure, lanes, compared, wrong, target, memory, known, verdict):
    """The accesses as memory gives them whose cell c lives in ``target[c]``.

    ``memory``, ``known`` uint32 a cell, carried. ``verdict`` uint8, one a row: 0 nothing to tell, 1 hit (wrong, and
    as the folded memory has it), 2 miss (it would differ from what was read right), 3 other (wrong another way), 4 the
    first that is known of that cell of the folded memory.
    """
    for i in range(cell.shape[0]):
        c = target[cell[i]]
        verdict[i] = 0
        if c < 0:
            continue
        if is_write[i]:
            memory[c] = (memory[c] & ~sure[i]) | (data[i] & sure[i])
            known[c] = (known[c] & ~lanes[i]) | sure[i]
            continue
        told = compared[i] & known[c]
        if told == 0:
            if compared[i]:
                verdict[i] = 4
            memory[c] = (memory[c] & ~sure[i]) | (data[i] & sure[i])
            known[c] |= sure[i]
            continue
        differs = (memory[c] ^ data[i]) & told
        if wrong[i]:
            verdict[i] = 1 if differs == 0 else 3
        elif differs:
            verdict[i] = 2
    return np.int64(0)
