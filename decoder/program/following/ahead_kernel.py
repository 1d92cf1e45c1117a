"""Cycles beside a program that is read ahead: whose each access is, and the bytes of each instruction."""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.program.following.ahead_68000_kernel import DATA, INTERRUPT, OPCODE, OPERAND
from busledger.decoder.program.following.gather_kernel import IO_READ, IO_WRITE, READ, WRITE
from busledger.decoder.program.following.wide_kernel import put_word


@nb.njit(cache=True, nogil=True, _nrt=False)
def share_out(kind, code, marks, gaps, row, before, of, part):
    """Fill ``of`` (a row, -1) and ``part`` of all rows from what is known of the words between them.

    ``code``: ``CodeRows``; ``marks`` and ``gaps`` what ``follow_ahead`` says of each word; ``row`` (in the whole list)
    the first row of each instruction, ``before`` that of the one that ran last in an earlier call, -1.
    """
    code_row, code_last = code
    mark, owner = marks.mark, marks.owner
    gap_owner, gap_late, gap_writes = gaps
    words = code_row.shape[0]
    k = -1
    writes = 0
    reads = 0
    for i in range(of.shape[0]):
        if k + 1 < words and code_row[k + 1] <= i:
            k += 1
            writes = 0
            reads = 0
        if k < 0:
            continue
        if i == code_row[k] or i == code_last[k]:
            part[i] = mark[k]
            if owner[k] >= 0:
                of[i] = row[owner[k]]
            if part[i] == OPCODE and i != code_row[k]:
                part[i] = OPERAND
            continue
        if kind[i] not in (READ, WRITE, IO_READ, IO_WRITE):
            continue
        whose = gap_owner[k]
        if kind[i] == WRITE:
            if reads == 0 and gap_late[k] >= 0 and writes < gap_writes[k]:
                whose = gap_late[k]
            writes += 1
        else:
            reads += 1
        if whose == -4:
            part[i] = INTERRUPT
        elif whose >= 0:
            of[i] = row[whose]
            part[i] = DATA
        elif whose == -2 and before >= 0:
            of[i] = before
            part[i] = DATA


@nb.njit(cache=True, nogil=True, _nrt=False)
def pack_words(value, marks, packed, tail, seen):
    """The bytes of each instruction: of words that belong to it, from its first on; ``seen``: all of them are known."""
    mark, owner, first, length, _ = marks
    for k in range(packed.shape[0]):
        got = 0
        done = 0
        e = first[k]
        seen[k] = True
        while done < length[k] and e < value.shape[0]:
            if owner[e] == k and mark[e] in (OPCODE, OPERAND):
                seen[k] = seen[k] and value[e] >= 0
                got = put_word(packed, tail, k, got, value[e] & 0xFFFF)
                done += 1
            e += 1


@nb.njit(cache=True, nogil=True, _nrt=False)
def pack_bytes(value, first, length, packed):
    """The bytes of each instruction, eight at most; prefixes that are more are left out of it."""
    for k in range(first.shape[0]):
        for e in range(min(length[k], 8)):
            packed[k] |= np.uint64(value[first[k] + e] & 0xFF) << np.uint64(8 * e)
