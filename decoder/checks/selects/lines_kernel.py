"""What a decoder's lines make of a row: packed numbers, and whether conditions hold.

Few patterns come all the time: what they made is kept in ``patterns`` and ``packed`` (``decoder_arrays``) and mostly
looked up.
"""

import numpy as np

from busledger.decoder.checks.selects.moves_kernel import R_INPUTS, R_OUTPUTS
from busledger.decoder.inner_kernel import inner

# 2^64 / golden ratio: multiplied by it, words differ in their top bits, which number the slots of ``patterns``.
SPREAD, SLOT_SHIFT = np.uint64(0x9E3779B97F4A7C15), np.uint64(56)


@inner(_nrt=False, forceinline=True)
def gather(levels, base, word, bit):
    """The lines of the row at ``base`` packed into an int64, first line lowest."""
    value = np.int64(0)
    for k in range(word.shape[0]):
        value |= np.int64((levels[base + word[k]] >> bit[k]) & np.uint64(1)) << k
    return value


@inner(_nrt=False, forceinline=True)
def holds(levels, base, mask, want):
    """Whether any term of a condition holds: ``mask``, ``want`` uint64 (terms, words)."""
    for term in range(mask.shape[0]):
        found = True
        for w in range(mask.shape[1]):
            if levels[base + w] & mask[term, w] != want[term, w]:
                found = False
                break
        if found:
            return True
    return False


@inner(_nrt=False, forceinline=True)
def _inputs(levels, base, lines):
    if holds(levels, base, lines.idle_mask, lines.idle_want):
        return np.int64(-1)
    return gather(levels, base, lines.in_word, lines.in_bit)


@inner(_nrt=False, forceinline=True)
def inputs(levels, unknown, base, blank, lines, patterns, packed):
    """The inputs of the row at ``base``; -1 while the bus is idle, or one of them unknown. ``blank``: some line is."""
    if blank:
        lost = gather(unknown, base, lines.in_word, lines.in_bit)
        return _inputs(levels, base, lines) if lost == 0 else np.int64(-1)
    if lines.relevant.shape[1] > 1:
        return _inputs(levels, base, lines)
    high = levels[base] & lines.relevant[R_INPUTS, 0]
    slot = (high * SPREAD) >> SLOT_SHIFT
    if patterns[0, slot] != high:
        patterns[0, slot], packed[0, slot] = high, _inputs(levels, base, lines)
    return packed[0, slot]


@inner(_nrt=False, forceinline=True)
def outputs(levels, base, blank, lines, patterns, packed):
    """The outputs of the row at ``base``."""
    if blank or lines.relevant.shape[1] > 1:
        return gather(levels, base, lines.out_word, lines.out_bit)
    high = levels[base] & lines.relevant[R_OUTPUTS, 0]
    slot = (high * SPREAD) >> SLOT_SHIFT
    if patterns[1, slot] != high:
        patterns[1, slot], packed[1, slot] = high, gather(levels, base, lines.out_word, lines.out_bit)
    return packed[1, slot]
