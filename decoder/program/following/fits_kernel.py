"""Which instruction fits at a row of a bus that does not tell its fetches, and where it can end.

All functions take rows of the processor's own cycles only (``rows`` of them): ``read`` bool, ``address`` int64 (-1
where a bit was not seen), ``data`` int64 (-1 likewise), and the tables of ``InstructionSet``: ``timing`` is a tuple of

    (known, operands, next_page, flow, target, cycles, cycle_kind, late, post, post_bytes, post_cycles, pushed)

(``late``: row, counted from the opcode, at which the last operand byte is read, 0 where it comes in order) and
``shape`` one of

    (mask, peeks, big endian, what a return adds, vectors, cycles of the longest instruction, int64 a row and one
     more: the first row from there on that reads the first byte of a vector, the next row reading the second)

An instruction fits at row i if its bytes are read in order, its cycles end at a row that reads where it must go on, and
(``peeks``) the byte behind a single-byte instruction is read too. Nothing is taken on trust: another must fit behind
it, and where it may end in several ways, others for ``DEPTH`` instructions behind one of them only.
"""

from __future__ import annotations

import numpy as np

from busledger.decoder.bits_kernel import lowest_bit
from busledger.decoder.inner_kernel import inner

NEXT = 0
JUMP = 1
BRANCH = 2
CALL = 3
CALL_IF = 4
RETURN = 5
RETURN_IF = 6
RESTART = 7
INDIRECT = 8
REPEAT = 9
HALT = 10
SKIP = 11
SKIP_ONE = 12
SOFTWARE_INTERRUPT = 13

BY_INDEX = 1
BY_PUSH = 2
NO_POSTBYTE = 255
NO_BANK = 9

DEPTH = 3
"""Instructions that must fit behind an end before it is taken, where more than one is possible."""
LONGEST_CYCLES = 32
LONGEST_INTERRUPT = 24
RAN_OUT = -2


@inner(_nrt=False, forceinline=True)
def hopeless(i, rows, read, address, data, timing, shape):
    """Whether no instruction can begin at row i, told at a glance: to call ``fits`` takes far longer, as all tables are
    handed over. Whatever the byte is, the next one is read behind it on a bus that peeks."""
    if not read[i] or data[i] < 0 or address[i] < 0:
        return True
    if not shape[1] or i + 1 >= rows or timing[7][0, data[i]] > 0:
        return False
    return not read[i + 1] or address[i + 1] != ((address[i] + 1) & shape[0])


@inner(_nrt=False)
def shape_at(i, rows, read, address, data, timing, shape):
    """(bytes, page, opcode, row of the opcode, postbyte) of the instruction at row i; bytes 0 where none fits."""
    known, operands, next_page = timing[0], timing[1], timing[2]
    late, post, post_bytes = timing[7], timing[8], timing[9]
    mask = shape[0]
    page = 0
    at = i
    here = address[i]
    if here < 0 or not read[i] or data[i] < 0:
        return 0, 0, 0, 0, 0
    while next_page[page, data[at]] >= 0:
        page = next_page[page, data[at]]
        at += 1
        if at >= rows:
            return RAN_OUT, 0, 0, 0, 0
        if not read[at] or data[at] < 0 or address[at] != ((here + at - i) & mask):
            return 0, 0, 0, 0, 0
    op = data[at]
    if not known[page, op]:
        return 0, 0, 0, 0, 0
    count = np.int64(operands[page, op])
    byte = np.int64(0)
    if count > 0:
        if at + 1 >= rows:
            return RAN_OUT, 0, 0, 0, 0
        byte = data[at + 1]
    if post[page, op]:
        if byte < 0 or post_bytes[byte] == NO_POSTBYTE:
            return 0, 0, 0, 0, 0
        count += post_bytes[byte]
    length = at - i + 1 + count
    for k in range(1, count + 1):
        row = at + k
        if k == count and late[page, op] > 0:
            row = at + late[page, op]
        if row >= rows:
            return RAN_OUT, 0, 0, 0, 0
        if not read[row] or data[row] < 0 or address[row] != ((here + at - i + k) & mask):
            return 0, 0, 0, 0, 0
    if shape[1] and length == 1:
        if i + 1 >= rows:
            return RAN_OUT, 0, 0, 0, 0
        if not read[i + 1] or address[i + 1] != ((here + 1) & mask):
            return 0, 0, 0, 0, 0
    return length, page, op, at, byte


@inner(_nrt=False, forceinline=True)
def _target(i, at, length, page, op, address, data, timing, shape):
    """Where the bytes of the instruction lead; -1 where they do not say."""
    kind = timing[4][page, op]
    mask = shape[0]
    count = length - (at - i) - 1
    after = (address[i] + length) & mask
    last = at + count
    if timing[7][page, op] > 0:
        last = at + timing[7][page, op]
    if kind == 1:
        return (after + (data[last] ^ 0x80) - 0x80) & mask
    if kind == 2:
        return data[at + count - 1] | data[last] << 8
    if kind == 3:
        return data[at + count - 1] << 8 | data[last]
    if kind == 4:
        return (after + (data[at + count - 1] << 8 | data[last])) & mask
    if kind == 5:
        return ((after - 1) & mask & ~0xFF) | data[last]
    if kind in (6, NO_BANK):
        return (after & mask & ~0x7FF) | (op & 0xE0) << 3 | data[last]
    return -1


@inner(_nrt=False, forceinline=True)
def _was_read(i, stop, wanted, read, data, shape):
    """Whether the word ``wanted`` (or the one before it, as a return counts) was read in rows between."""
    for k in range(i + 1, stop - 1):
        if not (read[k] and read[k + 1]) or data[k] < 0 or data[k + 1] < 0:
            continue
        word = data[k] << 8 | data[k + 1] if shape[2] else data[k] | data[k + 1] << 8
        if word == wanted or ((word + shape[3]) & shape[0]) == wanted:
            return True
    return False


@inner(_nrt=False)
def fits(i, rows, read, address, data, timing, shape, ends):
    """Rows at which the instruction at row i may end, into ``ends``; how many, or RAN_OUT where rows are missing."""
    length, page, op, at, byte = shape_at(i, rows, read, address, data, timing, shape)
    if length <= 0:
        return length
    flow = timing[3][page, op]
    if flow in (HALT, REPEAT, SKIP, SKIP_ONE, RESTART):
        return 0
    may = np.int64(timing[5][page, op])
    more = np.int64(0)
    if timing[6][page, op] == BY_INDEX:
        more = np.int64(timing[10][byte]) if timing[8][page, op] else 0
    elif timing[6][page, op] == BY_PUSH:
        more = np.int64(timing[11][byte])
    mask = shape[0]
    behind = (address[i] + length) & mask
    leads = _target(i, at, length, page, op, address, data, timing, shape)
    found = 0
    least = -1
    out = False
    left = np.uint64(may) & np.uint64((1 << LONGEST_CYCLES) - 2)  # a bit for each number of cycles, 0 is none
    while left != np.uint64(0):
        cycles = lowest_bit(left)
        left &= left - np.uint64(1)
        if least < 0:
            least = cycles
        end = i + cycles + more
        if end >= rows:
            out = True
            break
        there = address[end]
        if there < 0 or not read[end]:
            continue
        good = False
        if flow == NEXT:
            good = there == behind
        elif flow in (JUMP, CALL):
            good = there == leads or (timing[4][page, op] == NO_BANK and (there ^ leads) & 0x7FF == 0)
        elif flow in (BRANCH, CALL_IF):
            if not may & (may - 1):
                good = there in (behind, leads)
            elif cycles == least:
                good = there == behind
            elif cycles == least + 1:
                good = there == leads and (not (may >> (least + 2)) & 1 or (leads ^ behind) & ~0xFF == 0)
            else:
                good = there == leads and (leads ^ behind) & ~0xFF != 0
        elif flow == INDIRECT:
            good = True
        elif flow == RETURN_IF:
            good = there == behind or _was_read(i, end, there, read, data, shape)
        else:
            good = _was_read(i, end, there, read, data, shape)
        if good and found < ends.shape[0]:
            ends[found] = end
            found += 1
    return RAN_OUT if out else found


@inner(_nrt=False, forceinline=True)
def interrupted(i, rows, read, address, data, shape):
    """The row that fetches the first instruction of the interrupt's routine, where one is taken at row i; 0 where not.

    A vector is read within some rows, behind at least three writes in a row, and the next fetch is where it leads.
    """
    if i >= rows:
        return 0
    next_vector, writes, before = shape[6], 0, i
    stop = min(i + LONGEST_INTERRUPT, rows - 3)
    k = next_vector[i]
    while k < stop:
        while before < k:
            writes += not read[before]
            before += 1
        if writes >= 3:
            word = data[k] << 8 | data[k + 1] if shape[2] else data[k] | data[k + 1] << 8
            for end in range(k + 2, min(k + 5, rows)):
                if address[end] == word and read[end]:
                    return end
        k = next_vector[k + 1]
    return 0


@inner(_nrt=False)
def goes_on(i, depth, rows, read, address, data, timing, shape, work):
    """Whether ``depth`` instructions fit one behind the other from row i; rows that are missing speak against none."""
    _, at, left, ends = work
    at[0] = i
    level = 0
    left[0] = -1
    while level >= 0:
        if level >= depth:
            return True
        if left[level] < 0:
            count = fits(at[level], rows, read, address, data, timing, shape, ends[level])
            if count == RAN_OUT:
                return True
            if count == 0:
                end = interrupted(at[level], rows, read, address, data, shape)
                if end > 0:
                    ends[level, 0] = end
                    count = 1
            left[level] = count
        if left[level] == 0:
            level -= 1
            continue
        left[level] -= 1
        at[level + 1] = ends[level, left[level]]
        level += 1
        if level <= depth:
            left[level] = -1
    return False


@inner(_nrt=False)
def only_end(i, rows, read, address, data, timing, shape, work):
    """The only row at which the instruction at row i can end; 0 where there is none or more than one, RAN_OUT."""
    ends = work[0]
    count = fits(i, rows, read, address, data, timing, shape, ends)
    if count == RAN_OUT:
        return RAN_OUT
    found = 0
    depth = DEPTH if count > 1 else 1
    for k in range(count):
        if goes_on(ends[k], depth, rows, read, address, data, timing, shape, work):
            if found > 0:
                return 0
            found = ends[k]
    return found
