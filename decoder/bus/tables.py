"""What the cycle kernels work from: a profile on a wiring, as flat arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["ACTIONS", "FIRST_LATCH", "MOST_ROWS", "NEVER", "PLANES", "Tables"]

I64 = NDArray[np.int64]
U64 = NDArray[np.uint64]

# Levels of all lines at the points of a span. ANYHIGH/ANYLOW: lines high/low at some time inside
# it; CHANGED: lines that moved inside it; PREV: the end of the previous span of the same strobe.
PLANES = {"begin": 0, "middle": 1, "end": 2, "anyhigh": 3, "anylow": 4, "changed": 5, "prev": 6}
FIRST_LATCH = 7
ACTIONS = {"emit": 0, "skip": 1, "stretch": 2, "reject": 3}
NEVER = -2  # an expression that can never hold with this wiring; -1 always holds

# A span that outlasts this many rows is a stuck strobe: it is rejected, so that memory stays flat.
MOST_ROWS = 1 << 15


class Tables(NamedTuple):
    """Arrays only. Times are ticks; offsets are added to the time of an edge.

    Expressions: expression e is the OR of terms expr_start[e]:expr_start[e+1]; a term is the AND
    of literals term_start[t]:term_start[t+1]; a literal holds when levels[plane, word] & mask == want.
    Sources: source s gathers pieces piece_start[s]:piece_start[s+1], each
    (levels[plane, word] shifted right by shift (left when negative)) & mask.
    """

    ctrl: U64  # (words,) bits that can begin or end a span
    expr_start: I64
    term_start: I64
    lit_plane: I64
    lit_word: I64
    lit_mask: U64
    lit_want: U64
    strobe_expr: I64  # (strobes,) expression, -1 or NEVER
    strobe_at_begin: I64  # 1 = the cycle counts from the begin edge
    strobe_width_min: I64  # ticks, 0 = no limit
    begin_value: I64  # (strobes,) where the level at the begin edge is read
    begin_low: I64  # movement strictly between low and high is unsettled
    begin_high: I64
    end_value: I64
    end_low: I64
    end_high: I64
    latch_expr: I64  # (latches,)
    latch_at_begin: I64
    latch_value: I64
    latch_low: I64
    latch_high: I64
    rule_strobe: I64  # (rules,)
    rule_when: I64
    rule_wait: I64  # NEVER = no wait condition
    rule_action: I64
    rule_kind: I64
    rule_writes: I64
    rule_address: I64  # source index, -1 none
    rule_data: I64
    rule_value: I64  # address to match
    rule_mask: I64  # 0 = any address
    rule_kept: I64  # 0 the end of the previous span, 1 the begin of this one
    lane_start: I64  # (rules + 1,)
    lane_bit: I64
    lane_expr: I64
    piece_start: I64  # (sources + 1,)
    piece_plane: I64
    piece_word: I64
    piece_shift: I64
    piece_mask: U64
    source_invert: U64  # (sources,) bits to turn over
    source_const: U64  # levels of unwired lines that have a default
    source_missing: U64  # bits of unwired lines without one
    source_all: U64  # bits the source gives
    steady_start: I64  # (sources + 1,) pieces of the CHANGED plane
    steady_word: I64
    steady_shift: I64
    steady_mask: U64
    clock: I64  # (4,) word, bit (-1 = no clock), silent periods or cycles x 16, shortest silence in ticks
    look: I64  # (4,) look-ahead ticks, inset of a span's ends in ticks, longest middle in ticks, most rows of a span
