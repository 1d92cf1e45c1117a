"""What a 68000 ran of the words that it read ahead: streams of words, and where each of them was left.

The processor always has the word behind the one it is about to run, so that a jump is taken when the word behind it, or
its own last one, has been read and no other (M68000 User's Manual, section on prefetch; the microprogram). All arrays
are of words of the program in the order in which they were read:

``word`` int64 (-1 a bit was not seen), ``address`` int64 (-1), ``fresh`` bool (samples are missing before it),
``vector`` int64 (where an exception taken before it leads, -1 none), ``busy`` bool (data are read or written behind it
before the next word). ``words`` uint8 (65536,): of the instruction that
a word begins, 0 none.

A read of data relative to the program counter is marked as program too: its address tells it from a jump.
"""

from __future__ import annotations

import numba as nb
import numpy as np

NONE = 0
OPCODE = 1
OPERAND = 2
DATA = 3
PEEK = 4
INTERRUPT = 5

LONGEST_STREAM = 8192

OTHER = 0
DIRECT = 1  # it may go where its bytes say
ANYWHERE = 2  # it goes where a register or memory says
TRAPPED = 3  # by an exception of its own
NOWHERE = 4  # a jump whose way is not known


@nb.njit(cache=True, nogil=True)
def leads(op):
    """How an operation word may leave the straight line."""
    line = op >> 12
    if line == 6 or op & 0xF0F8 == 0x50C8:
        return DIRECT
    if op & 0xFF80 == 0x4E80:  # JSR, JMP
        return DIRECT if op & 0x3F in (0x38, 0x39, 0x3A) else ANYWHERE
    if op in (0x4E73, 0x4E75, 0x4E77):
        return ANYWHERE
    if op & 0xFFF0 == 0x4E40 or op in (0x4AFC, 0x4E76) or line in (10, 15):
        return TRAPPED
    return OTHER


@nb.njit(cache=True, nogil=True)
def always_leaves(op):
    """Whether what stands behind the operation is not run next."""
    how = leads(op)
    return (how == DIRECT and (op >> 8 in (0x60, 0x61) or op >> 12 == 4)) or how == ANYWHERE or (
        how == TRAPPED and op != 0x4E76
    )


@nb.njit(cache=True, nogil=True)
def target(op, here, first, second, mask):
    """Where a DIRECT operation at ``here`` leads; ``first`` and ``second`` are the words behind it."""
    signed = (first ^ 0x8000) - 0x8000
    if op >> 12 == 6:
        short = ((op & 0xFF) ^ 0x80) - 0x80
        return (here + 2 + (short if short != 0 else signed)) & mask
    if op & 0xF0F8 == 0x50C8 or op & 0x3F == 0x3A:
        return (here + 2 + signed) & mask
    if op & 0x3F == 0x38:
        return signed & mask
    return (first << 16 | second) & mask


@nb.njit(cache=True, nogil=True)
def reads_of_program(op, words_of_mask):
    """(words that it reads relative to the program counter, 0 none; whether an index makes their address unknown)."""
    ea = op & 0x3F
    if ea not in (0x3A, 0x3B):
        return 0, False
    line = op >> 12
    mode = op >> 6 & 7
    count = 1
    if line == 0:
        if op & 0xF1C0 != 0x0100 and op & 0xFFC0 != 0x0800:
            return 0, False
    elif line == 4:
        if op & 0xFF80 == 0x4C80:
            count = words_of_mask * (2 if op & 0x40 else 1) + 1  # it reads one word more than it needs
        elif op & 0xF1C0 != 0x4180 and op & 0xFDC0 != 0x44C0:
            return 0, False
    elif line == 2:
        count = 2
    elif line in (8, 9, 11, 12, 13):
        if mode == 2 or (mode == 7 and line in (9, 11, 13)):
            count = 2
        elif mode in (4, 5, 6):
            return 0, False
    elif line not in (1, 3):
        return 0, False
    return count, ea == 0x3B


@nb.njit(cache=True, nogil=True)
def _ones(value):
    count = 0
    while value > 0:
        count += value & 1
        value >>= 1
    return count


@nb.njit(cache=True, nogil=True)
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
        ones = _ones(word[stream[x + 1]])
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


@nb.njit(cache=True, nogil=True)
def _out_of_reset(i, n, word, address, mask):
    """Whether four words from i on are the reset vectors, and the program begins where they say."""
    if address[i] != 0 or i + 4 >= n or address[i + 3] != 6 or word[i + 2] < 0 or word[i + 3] < 0:
        return False
    return address[i + 4] == (word[i + 2] << 16 | word[i + 3]) & mask


@nb.njit(cache=True, nogil=True)
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
def follow_ahead(
    word, address, fresh, vector, busy, words, late, mask, locked, last,
    mark, owner, gap_owner, gap_late, gap_writes, first, length, counts,
):  # fmt: skip
    """Mark the words that were run, and say whose the accesses between two words are.

    Parameters
    ----------
    locked : whether word 0 begins an instruction
    last : no words come after these
    mark : uint8 out, zero at first
    owner : int64 out, instruction (its number) that a word belongs to, -1
    gap_owner, gap_late : int64 out, instructions of the accesses behind a word: those of ``gap_late`` are its first
        ``gap_writes`` (uint8 out) writes; -1 of none, -2 of the last instruction of the call before, -4 of an exception
    first, length : int64 out, of each instruction: its first word, how many
    counts : int64 out, (instructions, the last of them)

    Returns
    -------
    (words of which all is known, whether an instruction begins behind them)
    """
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
                counts[0] = total
                counts[1] = before
                return i, False
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
