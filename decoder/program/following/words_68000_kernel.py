"""What the operation words of a 68000 do to the stream: where they may leave it, and what they read beside it.

Sources: M68000 Programmer's Reference Manual, instruction formats; User's Manual, section on prefetch.
"""

from __future__ import annotations

from busledger.decoder.inner_kernel import inner

OTHER = 0
DIRECT = 1  # it may go where its bytes say
ANYWHERE = 2  # it goes where a register or memory says
TRAPPED = 3  # by an exception of its own
NOWHERE = 4  # a jump whose way is not known


@inner(_nrt=False)
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


@inner(_nrt=False)
def always_leaves(op):
    """Whether what stands behind the operation is not run next."""
    how = leads(op)
    return (
        (how == DIRECT and (op >> 8 in (0x60, 0x61) or op >> 12 == 4))
        or how == ANYWHERE
        or (how == TRAPPED and op != 0x4E76)
    )


@inner(_nrt=False, forceinline=True)
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


@inner(_nrt=False)
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


@inner(_nrt=False)
def ones_of(value):
    """How many bits are one: of a register mask, how many registers it names."""
    count = 0
    while value > 0:
        count += value & 1
        value >>= 1
    return count
