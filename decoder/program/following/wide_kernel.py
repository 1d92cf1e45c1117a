"""Cycles gathered under instructions of words, where the bus marks the first word of each; one pass a block.

Kinds, parts and states are those of ``gather_kernel``; a cycle brings a word, its high byte first.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner
from busledger.decoder.program.following.gather_kernel import (
    CUT,
    DATA,
    DOUBTFUL,
    IO_READ,
    IO_WRITE,
    NO_PART,
    OPCODE,
    OPERAND,
    READ,
    WHOLE,
    WRITE,
)


@inner(_nrt=False)
def put_word(packed, tail, k, got, word):
    """Put a word behind the ``got`` bytes of instruction k; the bytes that it has then."""
    for byte in (word >> 8 & 0xFF, word & 0xFF):
        if got < 8:
            packed[k] |= np.uint64(byte) << np.uint64(8 * got)
        else:
            tail[k] |= np.uint16(byte << 8 * (got - 8))
        got += 1
    return got


@nb.njit(cache=True, nogil=True, _nrt=False)
def gather_words(given, mask, words, of, part, found):
    """Parts of all rows (``GatherRows``), and the instructions among them (into ``FoundWords``).

    ``mask``: all bits of the program counter. ``words`` uint8, shape (65536,): of the instruction that each word
    begins, 0 for none. ``of`` and ``part`` out, as ``gather_kernel.gather`` has them.

    Returns
    -------
    (instructions, row of the last one's first word while it may still grow, else the number of rows)
    """
    kind, fetch, address, address_bad, data, data_bad, gap = given
    row, end, first_address, packed, tail, size, state = found
    rows = kind.shape[0]
    count = 0
    start = np.int64(-1)
    wanted = 0
    following = np.uint32(0)
    for i in range(rows):
        of[i] = -1
        part[i] = NO_PART
        if start >= 0 and (gap[i] or fetch[i]):
            end[count] = i
            if wanted > 0 and state[count] == WHOLE:
                state[count] = CUT
            count += 1
            start = -1
        word = np.int64(data[i] & np.uint32(0xFFFF))
        if fetch[i]:
            start = i
            row[count] = i
            first_address[count] = address[i] & mask
            packed[count] = 0
            tail[count] = 0
            state[count] = DOUBTFUL if address_bad[i] or data_bad[i] else WHOLE
            size[count] = put_word(packed, tail, count, 0, word)
            wanted = 0 if data_bad[i] else max(0, np.int64(words[word]) - 1)
            following = (address[i] + np.uint32(2)) & mask
            of[i] = start
            part[i] = OPCODE
            continue
        if start < 0:
            continue
        if kind[i] == READ and wanted > 0 and address[i] & mask == following and not address_bad[i]:
            size[count] = put_word(packed, tail, count, np.int64(size[count]), word)
            if data_bad[i]:
                state[count] = DOUBTFUL
            wanted -= 1
            following = (following + np.uint32(2)) & mask
            of[i] = start
            part[i] = OPERAND
        elif kind[i] in (READ, WRITE, IO_READ, IO_WRITE):
            of[i] = start
            part[i] = DATA
    if start < 0:
        return count, rows
    return count, start
