"""What a right read refutes: the writes that, had they met the fault, would have left something else there."""

import numpy as np

from busledger.decoder.diagnosis.replay.effect_kernel import mix, ones
from busledger.decoder.diagnosis.replay.memory_kernel import (
    COUNT,
    HELD,
    LOST,
    LOST_KNOWN,
    LOST_LANES,
    OPEN,
    OVER,
    OVER2,
    OWNER,
    OWNER2,
    STATE,
    WAS_IDLE,
    WHEN,
)
from busledger.decoder.inner_kernel import inner

# Columns of a tally.
HIT, MISS, OTHER, EXPLAINED, UNSURE_BITS, CONTRADICTED, EXCUSED, TWO_WAYS, BOTH_OR_NONE = range(9)
TALLY = 9


@inner(_nrt=False)
def note_miss(index, window, bits, judged, tally, chances, hashes):
    """One chance of the fault that the read refutes."""
    if judged:
        tally[MISS] += 1
        chances[window, MISS] += 1
        hashes[1] += mix(index, bits)


@inner(_nrt=False)
def every_second(index):
    """Of reads, one in two, in no step with what a program does in turn (Thue-Morse)."""
    return ones(np.uint32(index)) & 1 != 0


@inner(_nrt=False)
def could_be_other(c, cmp, column, words):
    """Whether what a write may have left (``column`` and the two after it) could be anything else than is there."""
    return ((words[c, column] ^ words[c, HELD]) | ~words[c, column + 1]) & words[c, column + 2] & cmp != 0


@inner(_nrt=False)
def refuted(index, c, cmp, value, known, lanes, words):
    """The lanes in which the cell would hold something else had the write met the fault; 0 where it could look the same
    by luck: of one lane that nobody knew every second time."""
    d = (value ^ words[c, HELD]) & known & lanes & cmp
    if d == 0:
        d = ~known & lanes & cmp
        if d & (d - np.uint32(1)) == 0 and not every_second(index):
            return np.uint32(0)
    return d | (~known & lanes & cmp)


@inner(_nrt=False)
def refute(index, c, cmp, judged, cells, counts):
    """The cell is seen to hold what it is believed to: no write that met the fault has left anything else there."""
    words, links = cells
    tally, chances, hashes = counts.some, counts.chances, counts.hashes
    if links[c, STATE] == OPEN and could_be_other(c, cmp, LOST, words):
        links[c, STATE] = WAS_IDLE
        d = refuted(index, c, cmp, words[c, LOST], words[c, LOST_KNOWN], words[c, LOST_LANES], words)
        if d:
            note_miss(index, links[c, WHEN], d, judged, tally, chances, hashes)
    for back in range(2):
        word, link = (OVER, OWNER) if back == 0 else (OVER2, OWNER2)
        o = links[c, link]
        if o < 0 or not could_be_other(c, cmp, word, words):
            continue
        fresh = True
        if links[o, COUNT] == links[c, link + 1]:
            fresh = links[o, STATE] == OPEN
            links[o, STATE] = WAS_IDLE
        links[c, link] = -1
        d = refuted(index, c, cmp, words[c, word], words[c, word + 1], words[c, word + 2], words)
        if d and fresh:
            note_miss(index, links[c, link + 2], d, judged, tally, chances, hashes)
