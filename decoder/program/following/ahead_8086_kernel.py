"""What an 8088 ran of the bytes that it read ahead: runs of bytes, and where each of them was left.

Up to four bytes wait in the queue (iAPX 86,88 User's Manual, bus interface unit), so that a jump is taken with at most
four bytes read behind it.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner
from busledger.decoder.program.following.ahead_68000_kernel import LONGEST_STREAM, OPCODE, OPERAND, PEEK
from busledger.decoder.program.following.words_68000_kernel import ANYWHERE, DIRECT, NOWHERE, OTHER, TRAPPED

QUEUE = 4
UNKNOWN = 255
PREFIX = 254
TOO_SHORT = -1


@nb.njit(cache=True, nogil=True, _nrt=False)
def length_at(value, at, stop, more, modes, fields):
    """(bytes of the instruction at ``at``, where its opcode stands): 0 for none, -1 where ``stop`` cuts it off."""
    op_at = at
    while op_at < stop and value[op_at] >= 0 and more[value[op_at]] == PREFIX:
        op_at += 1
    if op_at >= stop:
        return TOO_SHORT, op_at
    op = value[op_at]
    if op < 0 or more[op] == UNKNOWN or op_at - at > 3:
        return 0, op_at
    end = op_at + 1 + np.int64(more[op])
    if modes[op]:
        if op_at + 1 >= stop:
            return TOO_SHORT, op_at
        byte = value[op_at + 1]
        if byte < 0 or not fields[op] >> (byte >> 3 & 7) & 1:
            return 0, op_at
        end += 1
        mode = byte >> 6
        if mode == 3 and (modes[op] == 2 or (op == 0xFF and byte & 0x38 in (0x18, 0x28))):
            return 0, op_at  # LEA, LDS, LES and far jumps want memory
        if mode == 1:
            end += 1
        elif mode == 2 or (mode == 0 and byte & 7 == 6):
            end += 2
        if op in (0xF6, 0xF7) and byte >> 3 & 7 == 0:
            end += op - 0xF5
    if end > stop:
        return TOO_SHORT, op_at
    for e in range(op_at, end):
        if value[e] < 0:
            return 0, op_at
    return end - at, op_at


@inner(_nrt=False)
def leads_8086(op, second):
    """How an opcode may leave the straight line; ``second`` is the byte behind it."""
    if 0x70 <= op < 0x80 or 0xE0 <= op <= 0xE3 or op in (0xE8, 0xE9, 0xEB, 0x9A, 0xEA):
        return DIRECT
    if op in (0xC2, 0xC3, 0xCA, 0xCB, 0xCF) or (op == 0xFF and 2 <= (second >> 3 & 7) <= 5):
        return ANYWHERE
    return TRAPPED if op in (0xCC, 0xCD, 0xCE) else OTHER


@inner(_nrt=False)
def target_of(value, op_at, after, mask):
    """Where a DIRECT instruction leads; ``after`` is the address behind it."""
    op = value[op_at]
    if op in (0x9A, 0xEA):
        offset = value[op_at + 1] | value[op_at + 2] << 8
        return (offset + 16 * (value[op_at + 3] | value[op_at + 4] << 8)) & mask
    if op in (0xE8, 0xE9):
        word = value[op_at + 1] | value[op_at + 2] << 8
        return (after + (word ^ 0x8000) - 0x8000) & mask
    return (after + (value[op_at + 1] ^ 0x80) - 0x80) & mask


@inner(_nrt=False)
def _always(op):
    return op in (0xE8, 0xE9, 0xEB, 0x9A, 0xEA)


@nb.njit(cache=True, nogil=True)
def follow_queue(code, opcodes, mask, locked, last, marks):
    """Mark the bytes that were run.

    Parameters
    ----------
    code : ``AheadCode``
    opcodes : ``Opcodes8086``
    mask : all bits of an address
    locked : whether byte 0 begins an instruction
    last : no bytes come after these
    marks : ``AheadMarks``, filled; ``mark`` zero at first

    Returns
    -------
    (bytes of which all is known, whether an instruction begins behind them)
    """
    value, address, fresh, vector, reads, _ = code
    more, modes, fields = opcodes
    mark, owner, first, length, counts = marks
    n = value.shape[0]
    begin = np.empty(n + 1, np.int64)
    size = np.empty(n + 1, np.int64)
    place = np.empty(n + 1, np.int64)  # of the opcode
    sure = np.empty(n + 1, np.bool_)
    total = 0
    for k in range(n):
        owner[k] = -1
    i = 0
    while i < n:
        stop = i + 1
        while stop < n and not fresh[stop] and address[stop] >= 0 and address[stop] == (address[stop - 1] + 1) & mask:
            stop += 1
        ends = stop < n
        if not ends and not last and stop - i < LONGEST_STREAM:
            break
        made = 0
        at = i
        doubtful = -1  # bytes before it may have been jumped over
        lost = False
        while locked and at < stop:
            some, op_at = length_at(value, at, stop, more, modes, fields)
            if some <= 0:
                lost = some == 0 and at + QUEUE < stop
                break
            op = value[op_at]
            begin[made] = at
            size[made] = some
            place[made] = op_at
            sure[made] = at >= doubtful
            made += 1
            at += some
            second = value[op_at + 1] if op_at + 1 < stop else np.int64(0)
            how = leads_8086(op, second)
            if how == DIRECT:
                to = target_of(value, op_at, (address[i] + at - i) & mask, mask)
                over = (to - address[i] - (at - i)) & mask
                near = over <= QUEUE and at + over < stop  # the next byte read may be where it leads
                if _always(op):
                    if not near or (ends and to == address[stop] and stop - at <= QUEUE):
                        if at + QUEUE < stop:  # it cannot have gone on here
                            lost = True
                        break
                    for e in range(at, at + over):
                        mark[e] = PEEK
                    at += over
                elif near and over > 0:
                    doubtful = max(doubtful, at + over)
            elif how in (ANYWHERE, TRAPPED) and op != 0xCE:
                lost = at + QUEUE < stop
                break
            if at < doubtful:
                continue
            if doubtful >= 0 and at > doubtful and not sure[made - 1]:
                lost = True  # two readings
                break
        jumper = -1
        way = NOWHERE
        if ends and not lost and not fresh[stop] and address[stop] >= 0:
            for back in range(made):
                end = begin[back] + size[back]
                if stop - end > QUEUE:
                    continue
                op_at = place[back]
                second = value[op_at + 1] if op_at + 1 < stop else np.int64(0)
                how = leads_8086(value[op_at], second)
                if how == OTHER or (how != DIRECT and not sure[back]):
                    continue
                if how == DIRECT and target_of(value, op_at, (address[i] + end - i) & mask, mask) != address[stop]:
                    continue
                if (how == TRAPPED) != (vector[stop] >= 0 and vector[stop] == address[stop]):
                    continue
                if how == ANYWHERE and value[op_at] != 0xFF and reads[stop] - reads[begin[back]] < 2:
                    continue
                jumper = back if jumper < 0 else -2
                way = how
                if jumper == -2:
                    break
            # What jumps from where a branch may have led over it was run, and so was what stands before it.
            back = jumper
            while back >= 0 and not sure[back]:
                sure[back] = True
                back -= 1
            if jumper == -1 and vector[stop] >= 0 and vector[stop] == address[stop]:
                way = TRAPPED
        for back in range(made):
            end = begin[back] + size[back]
            done = end <= stop - QUEUE
            if jumper >= 0:
                done = back <= jumper
            if not done:
                break
            if not sure[back]:
                continue
            first[total] = begin[back]
            length[total] = size[back]
            for e in range(begin[back], end):
                mark[e] = OPCODE if e == begin[back] else OPERAND
                owner[e] = total
            total += 1
        if jumper >= 0:
            for e in range(begin[jumper] + size[jumper], stop):
                mark[e] = PEEK
        if not ends:
            i = n
            locked = False
            break
        if locked:
            locked = not lost and (jumper >= 0 or jumper == -2 or (jumper == -1 and way == TRAPPED))
        else:
            locked = not fresh[stop] and address[stop] >= 0
        i = stop
    counts[0] = total
    counts[1] = total - 1 if total > 0 else -1
    return i, locked
