"""What else might have given a read: an act at a write, or the same value by way of the other cell."""

from busledger.decoder.diagnosis.replay.memory_kernel import (
    ASLEEP,
    BENDS_NOT,
    COUNT,
    LOST,
    LOST2,
    LOST_LANES,
    OPEN,
    OVER,
    OVER2,
    OVER_LANES,
    OWNER,
    OWNER2,
    OWNER_COUNT,
    OWNER_WHEN,
    STATE,
    WAS_IDLE,
    fits,
)
from busledger.decoder.diagnosis.replay.refute_kernel import could_be_other
from busledger.decoder.inner_kernel import inner

# What a right read says of a fault that is at work: something; nothing, whatever it did; that it met the write and the
# read, or neither of them.
OTHERWISE, SAME_EITHER_WAY, TWICE_OR_NEVER = range(3)


@inner(_nrt=False, forceinline=True)
def written_too(c, read, cmp, words, links):
    """Whether an act at a write would explain the read as well, by what is known of the cell's other value."""
    if links[c, STATE] == OPEN and words[c, LOST_LANES]:
        hit, unsure = fits(c, read, cmp, LOST, LOST_LANES, words)
        if hit and unsure == 0:
            return True
    o = links[c, OWNER]
    if o < 0 or (links[o, COUNT] == links[c, OWNER_COUNT] and links[o, STATE] == WAS_IDLE):
        return False
    hit, unsure = fits(c, read, cmp, OVER, OVER_LANES, words)
    return hit and unsure == 0


@inner(_nrt=False, forceinline=True)
def says_nothing(read, cmp, other, hours, words, links):
    """Whether a right read had come out the same, had the fault led it to the other cell: to what that holds, or
    (``TWICE_OR_NEVER``) to what a write that the fault met has left there, if it was at work then (``hours``). While it
    is at work no such read refutes anything."""
    if cmp & ~other.known == 0 and ((read ^ other.value) & cmp) == 0:
        return SAME_EITHER_WAY
    q1 = other.q1
    if q1 < 0 or other.bends != BENDS_NOT or other.both or links[q1, OWNER] < 0:
        return OTHERWISE
    if hours[links[q1, OWNER_WHEN]] == ASLEEP:
        return OTHERWISE
    hit, unsure = fits(q1, read, cmp, OVER, OVER_LANES, words)
    return TWICE_OR_NEVER if hit and unsure == 0 else OTHERWISE


@inner(_nrt=False, forceinline=True)
def could_differ(c, cmp, words, links):
    """Whether an act at a write that this cell has met could have left anything else than is believed to be there."""
    if links[c, STATE] == OPEN and (could_be_other(c, cmp, LOST, words) or could_be_other(c, cmp, LOST2, words)):
        return True
    if links[c, OWNER] >= 0 and could_be_other(c, cmp, OVER, words):
        return True
    return links[c, OWNER2] >= 0 and could_be_other(c, cmp, OVER2, words)
