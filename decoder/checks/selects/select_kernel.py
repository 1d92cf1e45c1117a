"""A decoder's outputs against its table, row by row of the capture.

Pure functions of arrays. One call handles one decoder and one block; what must
live on between blocks is in ``state`` and ``per_out``. Times are ticks.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.bits_kernel import lowest_bit, ones
from busledger.decoder.checks.selects.lines_kernel import gather, holds, inputs, outputs
from busledger.decoder.checks.selects.moves_kernel import (
    R_AROUND,
    R_INPUTS,
    R_OUTPUTS,
    R_STROBE,
    rows_that_matter,
)
from busledger.decoder.inner_kernel import inner

# ``state``
IDX, OUT, OUT_UNKNOWN, T_IN, T_FIRST, BASED, MOVED, STROBE_SINCE = range(8)
JUDGED, UNJUDGED, SHORT, MULTI, MULTI_FIRST, STARTED = range(8, 14)
# Outputs to look at more closely, as bits: they had an edge since they were last judged, or were unknown. Of the others
# ``V0`` is the level they have, and all that is counted of edges in ``per_out`` is at its start.
STIRRED = 14
# When an address line that is no input last moved; for how long, at most, a strobe lasted while the inputs held still.
T_AROUND, IN_STROBE = 15, 16
STATE_SIZE = 17
# ``per_out``: where the span began, its edges, its narrowest pulse, how long it was high since the inputs settled, how
# long the other address lines had held still at its last edge, whether they did before and during that pulse, and
# whether a strobe was active at its last edge
V0, EDGES, LAST, WIDTH, BEGAN, LEVEL, STROBED, HIGH_FOR, STILL, CALM, INSIDE = range(11)
PER_OUT_SIZE = 11
# ``glitch``
G_PASSING, G_UNEXPLAINED, G_STROBE, G_FIRST, G_STROBE_FIRST, G_WIDEST, G_LATE, G_LATE_FIRST, G_MOVES = range(9)
GLITCH_SIZE = 9
BINS = 24
"""Histogram bins in samples; delays start at -``EARLY_BINS``, the last bin takes everything above."""
EARLY_BINS = 2
NEVER = -(1 << 62)
NONE = np.uint64(0)


@inner(_nrt=False, forceinline=True)
def _passing(table, base, moved, out, level):
    """Whether some input combination between the two settled ones calls for ``level``."""
    sub = moved
    while True:
        row = (base & ~moved) | sub
        for f in range(table.shape[1]):
            if (table[row, f] >> out) & 1 == level:
                return True
        if sub == 0:
            return False
        sub = (sub - 1) & moved


@inner(_nrt=False, forceinline=True)
def _span(o, value, edges, carried, expected, part, c):
    """Judges one output's edges since the last settled moment."""
    state, per_out, delay, widths, glitch = c.state, c.per_out, c.delay, c.widths, c.glitch
    settle, skew, bin_ticks = part.settle, part.skew, part.bin_ticks
    if state[BASED] == 0 or per_out[o, V0] < 0:
        return
    parity = value ^ per_out[o, V0]
    extra = (edges - parity) // 2
    if extra > 0 and per_out[o, WIDTH] >= 0:
        began = per_out[o, BEGAN]
        quiet = began > state[T_IN] + settle
        # While the address is on its way an input may move and return between two samples.
        if per_out[o, CALM] == 1 and (
            quiet or not _passing(part.words, state[IDX], state[MOVED], o, per_out[o, LEVEL])
        ):
            glitch[o, G_UNEXPLAINED] += extra
            if glitch[o, G_FIRST] < 0:
                glitch[o, G_FIRST] = began
        else:
            glitch[o, G_PASSING] += extra
        if per_out[o, STROBED] >= 0:
            glitch[o, G_STROBE] += 1
            if glitch[o, G_STROBE_FIRST] < 0:
                glitch[o, G_STROBE_FIRST] = per_out[o, STROBED]
        width = per_out[o, WIDTH]
        glitch[o, G_WIDEST] = max(glitch[o, G_WIDEST], width)
        widths[o, min(max((width + bin_ticks // 2) // bin_ticks, 0), BINS - 1)] += extra
    if edges == 1 and carried == 0 and parity == 1 and state[MOVED] != 0 and state[T_FIRST] == state[T_IN]:
        if (expected >> o) & 1 != value:
            return
        late_by = per_out[o, LAST] - state[T_IN]
        if late_by >= -skew:
            delay[o, min(max((late_by + bin_ticks // 2) // bin_ticks + EARLY_BINS, 0), BINS - 1)] += 1
            # Twice the worst published delay and the sampling's doubt.
            if per_out[o, INSIDE] == 1 and min(late_by, per_out[o, STILL]) > 2 * settle - skew:
                glitch[o, G_LATE] += 1
                if glitch[o, G_LATE_FIRST] < 0:
                    glitch[o, G_LATE_FIRST] = per_out[o, LAST]


@inner(_nrt=False, forceinline=True)
def _held_longest(t, part, c):
    """(outputs, those of them whose last edge belongs to what comes): the levels held longest until ``t``."""
    state, per_out = c.state, c.per_out
    observed, early = state[OUT], np.int64(0)
    calm = state[T_IN] + part.settle
    left = np.uint64(state[STIRRED])
    while left != np.uint64(0):
        o = lowest_bit(left)
        left &= left - np.uint64(1)
        now = (state[OUT] >> o) & 1
        high_for = per_out[o, HIGH_FOR]
        if now:
            high_for += max(t - part.skew - max(per_out[o, LAST], calm), 0)
        if (2 * high_for > t - part.skew - calm) != (now == 1) and per_out[o, EDGES] > 0:
            # A channel is sampled before the inputs' or a pulse is still open.
            observed ^= 1 << o
            early |= 1 << o
        per_out[o, HIGH_FOR] = 0
    return observed, early


@inner(_nrt=False, forceinline=True)
def _count_outputs(idx, observed, known, diff, c):
    """One settled moment, output by output, where the table is not simply met."""
    for o in range(c.per_out.shape[0]):
        if (known >> o) & 1 == 0:
            continue
        c.seen[idx, o, (observed >> o) & 1] += 1
        if (diff >> o) & 1:
            c.wrong[idx, o] += 1
            if c.first[idx, o] < 0:
                c.first[idx, o] = c.state[T_IN]


@inner(_nrt=False, forceinline=True)
def _judge(t, matters, part, c):
    """The inputs held still until ``t``: the level that each output held longest once they had settled.

    Only a moment that ``matters`` is counted in ``rows``, ``seen`` and ``wrong``; in ``met`` where all outputs are
    just as the table has them.
    """
    state, per_out, table = c.state, c.per_out, part.words
    idx, every = state[IDX], (1 << per_out.shape[0]) - 1
    known = every & ~state[OUT_UNKNOWN]
    observed, early = _held_longest(t, part, c)
    best, chosen, diff = 99, np.int64(0), np.int64(0)
    for f in range(table.shape[1]):
        off = (observed ^ table[idx, f]) & known & ~(table[idx, f] & part.open_high)
        if off == 0 or ones(np.uint64(off)) < best:
            best, chosen, diff = ones(np.uint64(off)), f, off
            if off == 0:
                break
    expected = table[idx, chosen]
    active = ones(np.uint64((observed ^ part.idle) & known))
    if not matters:
        state[UNJUDGED] += 1
    else:
        state[JUDGED] += 1
        c.rows[idx] += 1
        if observed == expected and known == every:
            c.met[idx, chosen] += 1
        else:
            _count_outputs(idx, observed, known, diff, c)
        if part.one_hot and active > 1 and active > ones(np.uint64((expected ^ part.idle) & known)):
            state[MULTI] += 1
            if state[MULTI_FIRST] < 0:
                state[MULTI_FIRST] = state[T_IN]
    left, stirred = np.uint64((state[STIRRED] | ~known) & every), (early | ~known) & every
    while left != np.uint64(0):
        o = lowest_bit(left)
        left &= left - np.uint64(1)
        carried = (early >> o) & 1
        if (known >> o) & 1:
            value, edges = (observed >> o) & 1, per_out[o, EDGES] - carried
            _span(o, value, edges, carried, expected, part, c)
            per_out[o, V0] = value
            per_out[o, EDGES] = carried
        else:
            per_out[o, V0] = -1
            per_out[o, EDGES] = 0
        per_out[o, WIDTH] = -1
        per_out[o, STROBED] = -1
    state[STIRRED] = stirred
    state[BASED] = 1
    state[MOVED] = 0


@inner(_nrt=False)
def _spread(met, table, seen):
    """Adds the moments in which the table was met to the counts of each output."""
    for idx in range(met.shape[0]):
        for f in range(met.shape[1]):
            if met[idx, f] > 0:
                for o in range(seen.shape[1]):
                    seen[idx, o, (table[idx, f] >> o) & 1] += met[idx, f]
                met[idx, f] = 0


@inner(_nrt=False, forceinline=True)
def _edges(t, out, lost, strobed, settle, skew, state, per_out, glitch):
    """Takes the outputs of a new row: edges, and the pulses that they close."""
    changed = (out ^ state[OUT]) & ~(lost | state[OUT_UNKNOWN])
    unsure = lost ^ state[OUT_UNKNOWN]
    state[STIRRED] |= changed | unsure
    left = np.uint64(changed | unsure)
    while left != np.uint64(0):
        o = lowest_bit(left)
        left &= left - np.uint64(1)
        if (unsure >> o) & 1:
            per_out[o, V0] = -1
            per_out[o, EDGES] = 0
            per_out[o, LAST] = t
            continue
        glitch[o, G_MOVES] += 1
        calm = state[T_IN] + settle
        if (state[OUT] >> o) & 1:
            per_out[o, HIGH_FOR] += max(t - max(per_out[o, LAST], calm), 0)
        still = t - state[T_AROUND]
        since = state[STROBE_SINCE]
        if per_out[o, EDGES] > 0:
            width = t - per_out[o, LAST]
            if per_out[o, WIDTH] < 0 or width < per_out[o, WIDTH]:
                per_out[o, WIDTH] = width
                per_out[o, BEGAN] = per_out[o, LAST]
                per_out[o, LEVEL] = (state[OUT] >> o) & 1
                per_out[o, CALM] = 1 if per_out[o, STILL] > settle and still >= width else 0
            if strobed and since >= 0 and since <= per_out[o, LAST] - skew:
                per_out[o, STROBED] = per_out[o, LAST]
        per_out[o, EDGES] += 1
        per_out[o, LAST] = t
        per_out[o, STILL] = still
        per_out[o, INSIDE] = 1 if strobed and since >= 0 and since <= t - skew else 0
    state[OUT] = out
    state[OUT_UNKNOWN] = lost


@inner(_nrt=False, forceinline=True)
def _begin(t, idx, out, lost, strobed, state, per_out):
    state[IDX] = idx
    state[OUT] = out
    state[OUT_UNKNOWN] = lost
    state[T_IN] = t
    state[T_FIRST] = t
    state[BASED] = 0
    state[MOVED] = 0
    state[STROBE_SINCE] = t if strobed else -1
    state[T_AROUND] = t
    state[IN_STROBE] = 0
    state[STARTED] = 1
    state[STIRRED] = (1 << per_out.shape[0]) - 1
    for o in range(per_out.shape[0]):
        per_out[o, V0] = -1
        per_out[o, EDGES] = 0
        per_out[o, LAST] = NEVER
        per_out[o, WIDTH] = -1
        per_out[o, STROBED] = -1
        per_out[o, HIGH_FOR] = 0
        per_out[o, STILL] = 0
        per_out[o, CALM] = 0
        per_out[o, INSIDE] = 0


@inner(_nrt=False, forceinline=True)
def _inputs_changed(t, idx, state, per_out):
    """A new period begins; an unknown input on either side of it leaves nothing to compare with."""
    if idx < 0 or state[IDX] < 0:
        state[BASED] = 0
    else:
        if state[MOVED] == 0:
            state[T_FIRST] = t
        state[MOVED] |= idx ^ state[IDX]
    state[T_IN] = t
    state[IDX] = idx
    state[IN_STROBE] = 0
    left = np.uint64(state[STIRRED])
    while left != np.uint64(0):
        per_out[lowest_bit(left), HIGH_FOR] = 0
        left &= left - np.uint64(1)


@inner(_nrt=False, forceinline=True)
def _strobe(t, strobed, state):
    """Whether a strobe is active from ``t`` on."""
    if not strobed:
        if state[STROBE_SINCE] >= 0:
            state[IN_STROBE] = max(state[IN_STROBE], t - max(state[STROBE_SINCE], state[T_IN]))
        state[STROBE_SINCE] = -1
    elif state[STROBE_SINCE] < 0:
        state[STROBE_SINCE] = t


@njit(cache=True, nogil=True, _nrt=False)
def scan_decoder(time, levels, unknown, fresh, lines, part, c, rows, what):
    """One block through one decoder.

    ``time`` int64 (n,), ``levels``/``unknown`` uint64 (n * words,), ``fresh`` bool (n,) true on the first row after
    missing samples; ``lines``, ``part`` and ``c`` (updated in place) as in ``decoder_arrays``. Nothing is judged while
    the bus is idle, and the outputs are held against the table only where the inputs held still while a strobe was
    active (always, where no strobe is clipped). ``rows`` int32 and ``what`` uint8 (n,): to work in. Returns the number
    of rows looked at.
    """
    state, per_out, words = c.state, c.per_out, lines.relevant.shape[1]
    count = rows_that_matter(levels, unknown, fresh, lines.relevant, rows, what)
    idx, out, lost, strobed = np.int64(-1), np.int64(0), np.int64(0), False
    for k in range(count):
        i, moved = np.int64(rows[k]), what[k]
        base, t, around_moved = i * words, time[i], (moved >> R_AROUND) & 1 != 0
        if not moved & ((1 << R_INPUTS) | (1 << R_OUTPUTS)):  # the first row and fresh ones are said to have moved
            if around_moved:
                state[T_AROUND] = t
            if moved & (1 << R_STROBE):
                strobed = holds(levels, base, lines.strobe_mask, lines.strobe_want)
                _strobe(t, strobed, state)
            continue
        blank = False
        for w in range(words):
            blank |= unknown[base + w] != NONE
        if i == 0 and state[STARTED] != 0 and not fresh[i]:
            for w in range(words):
                around_moved |= (levels[w] ^ c.last_row[w]) & lines.relevant[R_AROUND, w] != NONE
        if moved & (1 << R_INPUTS):
            idx = inputs(levels, unknown, base, blank, lines, c.patterns, c.packed)
        if moved & (1 << R_OUTPUTS):
            out = outputs(levels, base, blank, lines, c.patterns, c.packed)
            lost = gather(unknown, base, lines.out_word, lines.out_bit) if blank else np.int64(0)
        if moved & (1 << R_STROBE):
            strobed = holds(levels, base, lines.strobe_mask, lines.strobe_want)
        if state[STARTED] == 0 or fresh[i]:
            _begin(t, idx, out, lost, strobed, state, per_out)
            continue
        if idx != state[IDX]:
            if state[IDX] < 0:
                state[UNJUDGED] += 1
            elif t - state[T_IN] > part.settle + part.skew:
                inside = state[IN_STROBE]
                if state[STROBE_SINCE] >= 0:
                    inside = max(inside, t - max(state[STROBE_SINCE], state[T_IN]))
                matters = lines.strobe_mask.shape[0] == 0 or inside > part.skew
                _judge(t, matters, part, c)
            else:
                state[SHORT] += 1
            _inputs_changed(t, idx, state, per_out)
        if around_moved:
            state[T_AROUND] = t
        if moved & (1 << R_OUTPUTS):
            _edges(t, out, lost, strobed, part.settle, part.skew, state, per_out, c.glitch)
        _strobe(t, strobed, state)
    _spread(c.met, part.words, c.seen)
    if time.shape[0] > 0:
        for w in range(words):
            c.last_row[w] = levels[(time.shape[0] - 1) * words + w]
    return count
