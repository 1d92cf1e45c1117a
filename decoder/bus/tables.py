"""What the cycle kernels work from: a profile on a wiring, as flat arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ACTIONS",
    "FIRST_LATCH",
    "MOST_ROWS",
    "NEVER",
    "PLANES",
    "SLOTS",
    "Columns",
    "Levels",
    "Memo",
    "Planes",
    "SpanState",
    "Tables",
]

I64 = NDArray[np.int64]
U64 = NDArray[np.uint64]

# Levels of all lines at the points of a span. ANYHIGH/ANYLOW: lines high/low at some time inside
# it; CHANGED: lines that moved inside it; PREV: the end of the previous span of the same strobe.
# NEVER: nothing is known there, for conditions on lines that are not wired.
PLANES = {"begin": 0, "middle": 1, "end": 2, "anyhigh": 3, "anylow": 4, "changed": 5, "prev": 6, "never": 7}
FIRST_LATCH = 8
ACTIONS = {"emit": 0, "skip": 1, "stretch": 2, "reject": 3}
NEVER = -2  # an expression that can never hold with this wiring; -1 always holds

# A span that outlasts this many rows is a stuck strobe: it is rejected, so that memory stays flat.
MOST_ROWS = 1 << 15

# Answers that the kernels remember, each for one pattern of the lines that it depends on.
SLOTS = 256


class Tables(NamedTuple):
    """Arrays only. Times are ticks; offsets are added to the time of an edge.

    The columns of ``strobe``, ``latch``, ``rule``, ``clock`` and ``look`` have their names in ``columns_kernel``.
    Expression e is the OR of terms expr[e]:expr[e+1]; a term is the AND of literals
    term[t]:term[t+1]; a literal holds when levels[spot] & mask == want.
    Source s gathers pieces piece_start[s]:piece_start[s+1], each ((levels[spot] >> right) << left) & mask.
    The spot of a word is plane * words + word in the kernels' flat planes.
    An expression of -1 always holds, one of NEVER cannot; a source of -1 is none.
    """

    ctrl: U64  # (words,) bits that can begin or end a span
    expr: I64
    term: I64
    lit: U64  # (literals, 4) spot, word, mask, want
    # (strobes, 14) expression, 1 = counts from the begin edge, shortest span not flagged (0 = any), then for
    # begin and end: where the level is read, and low and high, strictly between which movement is unsettled;
    # the planes that its rules look at, as bits; for begin and end the room in which a false sample shows
    strobe: I64
    latch: I64  # (latches, 7) expression, 1 = at the begin edge, value, low, high, room
    # (rules, 11) strobe, when, wait, action, kind, 1 = writes, address source, data source, address to match,
    # its mask (0 = any), kept (0 = end of the previous span, 1 = begin of this one)
    rule: I64
    lane_start: I64  # (rules + 1,)
    lane: I64  # (lanes, 2) byte lane, expression
    piece_start: I64  # (sources + 1,)
    piece: U64  # (pieces, 5) spot, word, right, left, mask
    source: U64  # (sources, 4) bits to turn over, levels of defaults, bits of unwired lines without one, all bits
    steady_start: I64  # (sources + 1,)
    steady: U64  # (steady pieces, 4) spot, right, left, mask: bits that must not move inside the span
    clock: I64  # (4,) word, bit (-1 = no clock), silent periods or cycles x 16, shortest silence in ticks
    # (6,) look-ahead ticks, inset of a span's ends, longest middle, most rows of a span, 1 = a rule keeps ends,
    # ticks up to which a level may be one false sample
    look: I64
    key_start: I64  # (strobes + 1,)
    # (keys, 3) spot, mask, mask of movement: all that can change which rule of the strobe fits, its lanes and its wait
    key: U64


class Columns(NamedTuple):
    """Where the kernels write cycles: the columns of ``Cycles`` but the region."""

    sample: I64
    time: I64
    kind: NDArray[np.uint8]
    rule: NDArray[np.uint8]
    address: NDArray[np.uint32]
    address_unknown: NDArray[np.uint32]
    data: NDArray[np.uint32]
    data_unknown: NDArray[np.uint32]
    kept: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    width: NDArray[np.uint8]


class Levels(NamedTuple):
    """Rows of levels: ``time`` int64 (n,) in ticks; ``levels``, ``unknown`` flat, word w of row i at i * words + w."""

    time: I64
    levels: U64
    unknown: U64


class Memo(NamedTuple):
    """What was answered before: a row a slot, the pattern of lines and the answer that goes with it."""

    patterns: U64
    answers: I64


class Planes(NamedTuple):
    """Levels at the points of a span, unknown bits, bits that moved: uint64 (planes x words,) each, work space whose
    latch planes carry over."""

    lev: U64
    unk: U64
    mov: U64


class SpanState(NamedTuple):
    """Carried from span to span: ``prev`` uint64 (strobes, 2, words), the end of each strobe's previous one; ``bus``
    uint64 (words,), the bus after the last; ``marks`` int64 (5,), columns as ``columns_kernel`` names them; ``waits``,
    ``seen`` int64 (strobes,): 1 after a stretched span, spans so far."""

    prev: U64
    bus: U64
    marks: I64
    waits: I64
    seen: I64
