"""Memory that is switched in banks by something that was not clipped: which bank each access fell in."""

import numba as nb
import numpy as np

MOST_BANKS = 8
PENDING = 4096
WAITS = 5
_CELL, _OLD, _OLD_KNOWN, _NEW, _NEW_KNOWN = range(WAITS)
# What a read says of the bank that is switched in; LEARNS: the bank knew nothing of that cell.
SILENT, AGREES, SWITCHES, CONTRADICTS, LEARNS = range(5)


@nb.njit(cache=True, nogil=True, _nrt=False)
def follow(cell, is_write, data, sure, lanes, inside, content, known, mark, waits, bank_out, said):
    """Follow the banks greedily: as long as reads fit the bank switched in, it stays.

    ``inside`` bool a row: the access lies in the block that is switched. Carried: ``content``, ``known`` uint32
    (MOST_BANKS x cells), what each bank holds, ``mark`` int32 a cell, zeros at first. ``waits``: uint32 (PENDING x
    WAITS), to work in: cells written, what they held in the bank before, and what they hold now. A read that the
    present bank contradicts switches to the bank that holds just this value; to one that says nothing of the cell
    where none does. What was written since the last read that spoke for the bank before goes along, as it may have
    come after the switch. Filled, one a row: ``bank_out`` int8, ``said`` uint8 (see above). Gives the number of
    banks used.
    """
    bank = 0
    used = 1
    waiting = 0
    hint = -1
    hinted = 0
    for i in range(cell.shape[0]):
        bank_out[i] = bank
        said[i] = SILENT
        if not inside[i]:
            continue
        c = cell[i]
        if is_write[i]:
            if mark[c] == 0 and waiting < PENDING:
                waits[waiting, _CELL] = c
                waits[waiting, _OLD] = content[bank, c]
                waits[waiting, _OLD_KNOWN] = known[bank, c]
                waiting += 1
                mark[c] = waiting
            content[bank, c] = (content[bank, c] & ~sure[i]) | (data[i] & sure[i])
            known[bank, c] = (known[bank, c] & ~lanes[i]) | sure[i]
            if mark[c]:
                waits[mark[c] - 1, _NEW] = content[bank, c]
                waits[mark[c] - 1, _NEW_KNOWN] = known[bank, c]
            continue
        told = known[bank, c] & sure[i]
        if told and (content[bank, c] ^ data[i]) & told == 0:
            said[i] = AGREES
            hint = -1
            tells = mark[c] == 0
            for b in range(used):
                if b != bank and known[b, c] & told and (content[b, c] ^ data[i]) & known[b, c] & told == 0:
                    tells = False
            if tells:
                for k in range(waiting):
                    mark[waits[k, _CELL]] = 0
                waiting = 0
        else:
            fits = -1
            blank = -1
            for b in range(used):
                if b == bank:
                    continue
                there = known[b, c] & sure[i]
                if there == sure[i] and (content[b, c] ^ data[i]) & there == 0:
                    fits = b
                elif there == 0 and blank < 0:
                    blank = b
            if told == 0 and (fits < 0 or fits != hint):
                # Another bank knows this value: one such read may be chance, a second one is a switch.
                hint = fits
                said[i] = LEARNS
                hinted = c
                known[bank, c] |= sure[i]
                content[bank, c] = (content[bank, c] & ~sure[i]) | (data[i] & sure[i])
                continue
            if told == 0:
                known[bank, hinted] = 0  # that read was of the other bank already
            hint = -1
            said[i] = SWITCHES
            if fits < 0:
                fits = blank
            if fits < 0 and used < MOST_BANKS:
                fits = used
                used += 1
            if fits < 0:
                said[i] = CONTRADICTS
                content[bank, c] = (content[bank, c] & ~sure[i]) | (data[i] & sure[i])
            else:
                for k in range(waiting):
                    w = waits[k, _CELL]
                    content[bank, w] = waits[k, _OLD]
                    known[bank, w] = waits[k, _OLD_KNOWN]
                    if w != c:
                        content[fits, w] = waits[k, _NEW]
                        known[fits, w] = waits[k, _NEW_KNOWN]
                    mark[w] = 0
                waiting = 0
                bank = fits
                bank_out[i] = bank
        known[bank, c] |= sure[i]
        content[bank, c] = (content[bank, c] & ~sure[i]) | (data[i] & sure[i])
    return np.int64(used)
