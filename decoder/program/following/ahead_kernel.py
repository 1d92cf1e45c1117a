"""Cycles beside a program that is read ahead: whose each access is, and the bytes of each instruction."""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.program.following.ahead_68000_kernel import DATA, INTERRUPT, OPCODE, OPERAND
from busledger.decoder.program.following.gather_kernel import IO_READ, IO_WRITE, READ, WRITE
from busledger.decoder.program.following.wide_kernel import put_word


@nb.njit(cache=True, nogil=True)
def share_out(
    kind, code_row, code_last, mark, owner, gap_owner, gap_late, gap_writes, row, before, of, part,
):  # fmt: skip
    """Fill ``of`` (a row, -1) and ``part`` of all rows from what is known of the words between them.

    ``code_row`` and ``code_last`` are the first and last row of each word; ``mark``, ``owner`` and ``gap_*`` what
    ``follow_ahead`` says of it; ``row`` (in the whole list) the first row of each instruction, ``before`` that of the
    one that ran last in an earlier call, -1.
    """
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


@nb.njit(cache=True, nogil=True)
def pack_words(value, first, length, mark, owner, packed, tail):
    """The bytes of each instruction: of words that belong to it, from its first on."""
    for k in range(first.shape[0]):
        got = 0
        done = 0
        e = first[k]
        while done < length[k]:
            if owner[e] == k and mark[e] in (OPCODE, OPERAND):
                got = put_word(packed, tail, k, got, value[e])
                done += 1
            e += 1


@nb.njit(cache=True, nogil=True)
def pack_bytes(value, first, length, packed):
    """The bytes of each instruction, eight at most; prefixes that are more are left out of it."""
    for k in range(first.shape[0]):
        for e in range(min(length[k], 8)):
            packed[k] |= np.uint64(value[first[k] + e] & 0xFF) << np.uint64(8 * e)
