"""What a 68000 ran of the words that it read ahead: streams of words, and where each of them was left.

The processor always has the word behind the one it is about to run, so that a jump is taken when the word behind it, or
its own last one, has been read and no other (M68000 User's Manual, section on prefetch; the microprogram). ``word`` and
``address`` are those of ``AheadCode``, ``stream`` numbers the words of one stream.

A read of data relative to the program counter is marked as program too: its address tells it from a jump.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner
from busledger.decoder.program.following.words_68000_kernel import (
    ANYWHERE,
    DIRECT,
    NOWHERE,
    OTHER,
    TRAPPED,
    always_leaves,
    leads,
    ones_of,
    reads_of_program,
    target,
)

NONE = 0
OPCODE = 1
OPERAND = 2
DATA = 3
PEEK = 4
INTERRUPT = 5

LONGEST_STREAM = 8192


@inner(_nrt=False)
def _excursion(k, x, stream, m, word, address, mask):
    """Words from k on that the instruction at stream place ``x`` reads as data; 0 where it does not.

    It reads them when the word behind its displacement is there.
    """
    if x < 0 or x + 1 >= m:
        return 0
    op = word[stream[x]]
    if op < 0:
        return 0
    place = x + 1
    ones = 0
    if op & 0xFF80 == 0x4C80:
        if x + 2 >= m:
            return 0
        ones = ones_of(word[stream[x + 1]])
        place = x + 2
    elif op & 0xFFC0 == 0x0800:
        place = x + 2
    if place + 2 != m or word[stream[place]] < 0 or word[stream[x + 1]] < 0:
        return 0
    count, indexed = reads_of_program(op, ones)
    if count == 0:
        return 0
    behind = word[stream[place]]
    if not indexed:
        there = (address[stream[place]] + ((behind ^ 0x8000) - 0x8000)) & mask
        if address[k] & ~1 != there & ~1:
            return 0
    return count


@inner(_nrt=False)
def _out_of_reset(i, n, word, address, mask):
    """Whether four words from i on are the reset vectors, and the program begins where they say."""
    if address[i] != 0 or i + 4 >= n or address[i + 3] != 6 or word[i + 2] < 0 or word[i + 3] < 0:
        return False
    return address[i + 4] == (word[i + 2] << 16 | word[i + 3]) & mask


@inner(_nrt=False)
def _may_go_on(place, size, stream, word, address, there, mask):
    """Whether the instruction at a stream place, which always leaves, may have gone on at ``there``."""
    op = word[stream[place]]
    how = leads(op)
    if how != DIRECT:
        return how == ANYWHERE
    one = word[stream[place + 1]]
    two = word[stream[place + 2]] if size > 2 else np.int64(0)
    return one >= 0 and two >= 0 and target(op, address[stream[place]], one, two, mask) == there


@nb.njit(cache=True, nogil=True)
def follow_ahead(code, words, late, mask, locked, last, marks, gaps):
    """Mark the words that were run, and say whose the accesses between two words are.

    Parameters
    ----------
    code : ``AheadCode``
    words, late : uint8, shape (65536,), of the instruction that a word begins: how many, and how many writes it makes
        after the word two behind it was read
    mask : all bits of the program counter
    locked : whether word 0 begins an instruction
    last : no words come after these
    marks, gaps : ``AheadMarks`` and ``AheadGaps``, filled; ``mark`` zero at first

    Returns
    -------
    (words of which all is known, whether an instruction begins behind them)
    """
    word, address, fresh, vector, _, busy = code
    mark, owner, first, length, counts = marks
    gap_owner, gap_late, gap_writes = gaps
    n = word.shape[0]
    stream = np.empty(n + 1, np.int64)
    begin = np.empty(n + 1, np.int64)  # stream places of instructions
    size = np.empty(n + 1, np.int64)
    skipped = np.zeros(n + 1, np.uint8)  # 1: the word behind the instruction was thrown away, 2: nobody knows
    total = 0
    before = np.int64(-2)  # the instruction that ran last
    for i in range(n):
        owner[i] = -1
        gap_owner[i] = -1
        gap_late[i] = -1
    i = 0
    while i < n:
        # Out of reset: four words of vectors, then the program.
        if address[i] == 0 and not (i + 4 < n or last):
            break
        if _out_of_reset(i, n, word, address, mask):
            for k in range(i, i + 4):
                mark[k] = INTERRUPT
            i += 4
            locked = True
            before = -1
            continue
        m = 0
        stream[m] = i
        m += 1
        parsed = 0  # stream place that is not parsed yet
        made = 0
        lost = not locked
        began_locked = locked
        out = False
        gone = False  # samples missing
        final = False  # no more words come
        before_final = (0, 0, False)
        k = i + 1
        way = NOWHERE
        jumper = -1
        while True:
            # Instructions as far as the words go.
            while not lost and parsed < m:
                if made > 0 and skipped[made - 1] == 0 and always_leaves(word[stream[begin[made - 1]]]):
                    one = size[made - 1] == 1
                    if one and parsed + 1 >= m:
                        break  # what stands behind it was read ahead
                    there = address[stream[parsed + 1 if one else parsed]]
                    if not _may_go_on(begin[made - 1], size[made - 1], stream, word, address, there, mask):
                        lost = True
                        break
                    if one:
                        skipped[made - 1] = 1
                        parsed += 1
                        continue
                op = word[stream[parsed]]
                if op < 0 or words[op] == 0:
                    lost = parsed + 2 < m  # else it was read ahead, and perhaps no more than that
                    break
                some = np.int64(words[op])
                if parsed + some > m:
                    break
                unsure = some == 1 and op >> 12 == 6 and op & 0xFF == 2 and op >> 9 != 0x30
                if unsure and parsed + 3 >= m:
                    if not final:
                        break
                    unsure = False  # a branch that is taken reads two words more
                if unsure and busy[stream[parsed + 2]]:
                    unsure = False  # it did not lead over what reads or writes
                begin[made] = parsed
                size[made] = some
                skipped[made] = 2 if unsure else 0
                made += 1
                parsed += some + (1 if unsure else 0)
                if unsure and (word[stream[parsed - 1]] < 0 or words[word[stream[parsed - 1]]] != 1):
                    lost = True
            if k >= n:
                out = True
                break
            if fresh[k] or address[k] < 0:
                gone = True
                break
            if address[k] == (address[stream[m - 1]] + 2) & mask:
                stream[m] = k
                m += 1
                k += 1
                continue
            if lost:
                break
            if not final:
                final = True
                before_final = (made, parsed, lost)
                continue
            final = False
            # Something else was read: data relative to the program counter, or the program went elsewhere.
            count = _excursion(k, parsed, stream, m, word, address, mask)
            for back in range(max(0, made - 2), made):
                count = max(count, _excursion(k, begin[back], stream, m, word, address, mask))
            jumper = -1
            way = NOWHERE
            for back in range(max(0, made - 3), made):
                p = begin[back]
                op = word[stream[p]]
                how = leads(op)
                if how == OTHER or max(p + 2, p + size[back]) != m:
                    continue
                if how == DIRECT:
                    one = word[stream[p + 1]] if p + 1 < m else np.int64(0)
                    two = word[stream[p + 2]] if p + 2 < m else np.int64(0)
                    if size[back] > 1 and (one < 0 or (size[back] > 2 and two < 0)):
                        continue
                    if target(op, address[stream[p]], one, two, mask) != address[k]:
                        continue
                elif (how == TRAPPED) != (vector[k] >= 0 and vector[k] == address[k]):
                    continue
                jumper = back
                way = how
            if jumper >= 0 and way == DIRECT and word[stream[begin[jumper]]] & 0xF0F8 == 0x50C8:
                # A loop that is over reads one word from where it would have gone on, and comes back.
                if k + 1 >= n:
                    out = True
                    break
                if not fresh[k + 1] and address[k + 1] == (address[stream[m - 1]] + 2) & mask:
                    made, parsed, lost = before_final
                    mark[k] = PEEK
                    k += 1
                    stream[m] = k
                    m += 1
                    k += 1
                    jumper = -1
                    way = NOWHERE
                    continue
            if jumper < 0 and count > 0:
                if k + count >= n:
                    out = True
                    break
                if not fresh[k + count] and address[k + count] == (address[stream[m - 1]] + 2) & mask:
                    made, parsed, lost = before_final
                    for e in range(k, k + count):
                        mark[e] = DATA
                        owner[e] = -3  # of the instruction that the word before belongs to; set below
                    k += count
                    stream[m] = k
                    m += 1
                    k += 1
                    continue
            if jumper < 0 and vector[k] >= 0 and vector[k] == address[k]:
                way = TRAPPED
            break
        if out and not last and m < LONGEST_STREAM:
            for e in range(i, n):
                mark[e] = NONE
                owner[e] = -1
            counts[0] = total
            counts[1] = before
            return i, locked
        # What of the stream was run.
        run = 0
        for back in range(made):
            done = begin[back] + size[back] <= m - 2
            if jumper >= 0 and not (out or gone):
                done = back <= jumper
            if not done:
                break
            run += 1
        base = total
        earlier = before
        for back in range(run):
            first[total] = stream[begin[back]]
            length[total] = size[back]
            for e in range(size[back]):
                at = stream[begin[back] + e]
                mark[at] = OPCODE if e == 0 else OPERAND
                owner[at] = total
            if skipped[back] == 1:
                mark[stream[begin[back] + size[back]]] = PEEK
            total += 1
        if jumper >= 0 and not (out or gone):
            for place in range(begin[jumper] + size[jumper], m):
                mark[stream[place]] = PEEK
        # Accesses behind each word belong to the instruction whose second word it is, or follows.
        at = 0
        for place in range(m):
            w = stream[place]
            here = place - 1
            gap_owner[w] = before if here < 0 else -1
            if here >= 0:
                while at < run and begin[at] + size[at] + (1 if skipped[at] else 0) <= here:
                    at += 1
                if at < run and begin[at] <= here:
                    gap_owner[w] = base + at
                    if begin[at] == here and at > 0:
                        gap_late[w] = base + at - 1
                elif run > 0 and at >= run and here == begin[run - 1] + size[run - 1]:
                    gap_late[w] = base + run - 1
                if gap_late[w] >= 0:
                    op = word[first[gap_late[w]]]
                    gap_writes[w] = late[op]
            # Data read relative to the program counter, up to the next word of the stream.
            stop = stream[place + 1] if place + 1 < m else w + 1
            for e in range(w + 1, stop):
                if owner[e] == -3:
                    owner[e] = gap_owner[w]
                    if gap_owner[w] < 0:
                        mark[e] = NONE
                gap_owner[e] = gap_owner[w]
        if way == TRAPPED and jumper < 0 and not (out or gone):
            gap_owner[stream[m - 1]] = -4
        for e in range(i, k if k < n else n):
            if owner[e] == -3:
                owner[e] = -1
                mark[e] = NONE
        if run > 0:
            before = total - 1
        if out:
            counts[0] = total
            counts[1] = before
            return n, False
        was = not lost
        if gone:
            locked = False
            before = -1
        elif was:
            locked = jumper >= 0 or way == TRAPPED
            if jumper < 0:
                before = -1
        else:
            # Nothing was known: a jump reads two words, and does not come back to the very next word at once.
            e = k + 1
            while e < n and not fresh[e] and address[e] == (address[e - 1] + 2) & mask:
                e += 1
            if e >= n and not last and e - k < LONGEST_STREAM:
                counts[0] = base
                counts[1] = earlier
                return i, began_locked
            before = -1
            if e < n and not fresh[e] and address[e] == (address[stream[m - 1]] + 2) & mask:
                i = e
                locked = False
                continue
            locked = m > 1 and e - k > 1
        i = k
    counts[0] = total
    counts[1] = before
    return i, locked
