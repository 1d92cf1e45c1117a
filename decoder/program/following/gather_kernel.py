"""Bus cycles gathered under the instructions that caused them, and instructions numbered; one pass a block.

The tables are those of ``InstructionSet`` (shape (pages, 256)); kinds, parts and states those of ``columns``.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

READ = 0
WRITE = 1
OPCODE_FETCH = 2
IO_READ = 3
IO_WRITE = 4
INT_ACK = 5

NO_PART = 0
OPCODE = 1
OPERAND = 2
DATA = 3
PEEK = 4

WHOLE = 0
CUT = 1
DOUBTFUL = 2
ACKNOWLEDGE = 3

LONGEST = 8
NO_POSTBYTE = 255


@nb.njit(cache=True, nogil=True, _nrt=False)
def gather(given, style, tables, of, part, found):
    """Parts of all rows (``GatherRows``), and the instructions among them (into ``Found``).

    ``style``: ``FetchStyle``. ``tables``: ``ByteTables``. ``of`` int64 out, the row of the instruction's first byte,
    -1; ``part`` uint8 out.

    Returns
    -------
    (instructions, row of the last one's first byte while it may still grow, else the number of rows)
    """
    kind, fetch, address, address_bad, data, data_bad, gap = given
    each, stream, peeks, mask = style
    operands, optional, next_page, post, post_bytes, operand_first = tables
    rows = kind.shape[0]
    count = 0
    start = np.int64(-1)
    page = 0
    wanted = 0  # operand bytes still to come
    more = 0  # further ones that may come
    opcode_due = False  # a prefix was the last byte
    post_due = False
    peeked = True
    here = np.uint32(0)
    following = np.uint32(0)
    held = np.uint64(0)
    got = 0
    how = WHOLE
    for i in range(rows):
        of[i] = -1
        part[i] = NO_PART
        k = kind[i]
        if gap[i] and start >= 0:
            count = _close(count, start, i, here, held, got, how, wanted > 0 or opcode_due, found)
            start = -1
        byte_of_program = k == OPCODE_FETCH if stream else k == READ
        opens = fetch[i]
        if opens and each and start >= 0 and opcode_due and address[i] == following and not address_bad[i]:
            opens = False
            byte_of_program = True
        acknowledged = k == INT_ACK
        if acknowledged and start >= 0 and how == ACKNOWLEDGE and wanted > 0:
            acknowledged = False
            following = address[i]
            byte_of_program = True
        if opens or acknowledged:
            if start >= 0:
                count = _close(count, start, i, here, held, got, how, wanted > 0 or opcode_due, found)
            start = i
            page = 0
            here = address[i] & mask
            following = here
            held = np.uint64(0)
            got = 0
            wanted = 0
            more = 0
            post_due = False
            peeked = False
            how = ACKNOWLEDGE if acknowledged else WHOLE
            opcode_due = True
            byte_of_program = True
            if address_bad[i]:
                how = DOUBTFUL
        if start < 0:
            continue
        sequential = byte_of_program and (address[i] & mask) == following and not address_bad[i]
        if opens or acknowledged or (sequential and got < LONGEST and (opcode_due or wanted > 0 or more > 0)):
            byte = np.int64(data[i] & np.uint32(0xFF))
            held |= np.uint64(byte) << np.uint64(8 * got)
            got += 1
            following = (following + np.uint32(1)) & mask
            of[i] = start
            part[i] = OPCODE if got == 1 else OPERAND
            if data_bad[i]:
                how = DOUBTFUL
            if opcode_due:
                if data_bad[i]:
                    opcode_due = False
                    more = LONGEST - 1
                elif next_page[page, byte] >= 0:
                    page = next_page[page, byte]
                    if operand_first[page]:  # a displacement and the opcode; neither is fetched as one
                        opcode_due = False
                        wanted = 2
                else:
                    opcode_due = False
                    wanted = operands[page, byte]
                    more = optional[page, byte]
                    post_due = post[page, byte]
            elif wanted > 0:
                wanted -= 1
                if post_due:
                    post_due = False
                    if post_bytes[byte] != NO_POSTBYTE:
                        wanted += post_bytes[byte]
            else:
                more -= 1
            continue
        if k in (READ, WRITE, IO_READ, IO_WRITE) or (stream and k == OPCODE_FETCH):
            of[i] = start
            part[i] = DATA
            if peeks and sequential and not peeked and wanted == 0:
                part[i] = PEEK
            peeked = True
            more = 0
    if start < 0:
        return count, rows
    return count, start


@inner(_nrt=False)
def _close(count, start, stop, here, held, got, how, cut, found):
    """Write one instruction; the number of them after it."""
    found.row[count] = start
    found.end[count] = stop
    found.first_address[count] = here
    found.packed[count] = held
    found.size[count] = got
    found.state[count] = CUT if cut and how != DOUBTFUL else how
    return count + 1


@nb.njit(cache=True, nogil=True, _nrt=False)
def number(given, wanted, slots, known, count, begin, out):
    """Give every different instruction (``Spelled``) a number, by a table of hashes.

    ``slots`` int32 (a power of two of them, -1 empty) lead into ``known`` (``Spelled``), of which ``count`` are taken.
    ``out`` int32 gets the numbers from row ``begin`` on, -1 where not ``wanted``.

    Returns
    -------
    (taken, row to go on with): fewer rows than there are when ``known`` or ``slots`` are full.
    """
    address, packed, tail, size = given
    known_address, known_packed, known_tail, known_size = known
    most = min(known_address.shape[0], slots.shape[0] // 2)
    last = np.uint64(slots.shape[0] - 1)
    for i in range(begin, address.shape[0]):
        if not wanted[i]:
            out[i] = -1
            continue
        mixed = (packed[i] ^ (np.uint64(address[i]) << np.uint64(32))) * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= np.uint64(tail[i]) << np.uint64(40)
        mixed ^= mixed >> np.uint64(29)
        mixed += np.uint64(size[i]) + np.uint64(address[i])
        at = (mixed * np.uint64(0xBF58476D1CE4E5B9) >> np.uint64(20)) & last
        while True:
            found = slots[at]
            if found < 0:
                if count >= most:
                    return count, i
                slots[at] = count
                known_address[count] = address[i]
                known_packed[count] = packed[i]
                known_tail[count] = tail[i]
                known_size[count] = size[i]
                out[i] = count
                count += 1
                break
            same = known_packed[found] == packed[i] and known_tail[found] == tail[i] and known_size[found] == size[i]
            if same and known_address[found] == address[i]:
                out[i] = found
                break
            at = (at + np.uint64(1)) & last
    return count, address.shape[0]
