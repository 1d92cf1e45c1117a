"""A decoder's outputs against its table, row by row of the capture.

Pure functions of arrays. One call handles one decoder and one block; what must
live on between blocks is in ``state`` and ``per_out``. Times are ticks.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.bits_kernel import ones
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
R_INPUTS, R_OUTPUTS, R_STROBE, R_AROUND = range(4)


@inner(_nrt=False, forceinline=True)
def _gather(levels, unknown, row, word, bit):
    """The lines of one row packed into an int64, first line lowest, and which of them are unknown."""
    value = np.int64(0)
    lost = np.int64(0)
    for k in range(word.shape[0]):
        w = word[k]
        value |= np.int64((levels[row, w] >> bit[k]) & np.uint64(1)) << k
        if unknown[row, w] != np.uint64(0):
            lost |= np.int64((unknown[row, w] >> bit[k]) & np.uint64(1)) << k
    return value, lost


@inner(_nrt=False, forceinline=True)
def _holds(levels, row, mask, want):
    """Whether any term of a condition holds: ``mask``, ``want`` uint64 (terms, words)."""
    for term in range(mask.shape[0]):
        holds = True
        for w in range(mask.shape[1]):
            if levels[row, w] & mask[term, w] != want[term, w]:
                holds = False
                break
        if holds:
            return True
    return False


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
def _judge(t, matters, part, c):
    """The inputs held still until ``t``: the level that each output held longest once they had settled.

    Only a moment that ``matters`` is counted in ``rows``, ``seen`` and ``wrong``.
    """
    state, per_out, table, skew = c.state, c.per_out, part.words, part.skew
    n_out = per_out.shape[0]
    idx = state[IDX]
    known = ((1 << n_out) - 1) & ~state[OUT_UNKNOWN]
    observed = state[OUT]
    early = 0
    calm = state[T_IN] + part.settle
    for o in range(n_out):
        if (state[STIRRED] >> o) & 1 == 0:
            continue
        now = (state[OUT] >> o) & 1
        high_for = per_out[o, HIGH_FOR]
        if now:
            high_for += max(t - skew - max(per_out[o, LAST], calm), 0)
        if (2 * high_for > t - skew - calm) != (now == 1) and per_out[o, EDGES] > 0:
            # Its last edge belongs to what comes: a channel is sampled before the inputs' or a pulse is still open.
            observed ^= 1 << o
            early |= 1 << o
        per_out[o, HIGH_FOR] = 0
    best = 99
    expected = 0
    diff = 0
    for f in range(table.shape[1]):
        off = (observed ^ table[idx, f]) & known & ~(table[idx, f] & part.open_high)
        if off == 0 or ones(np.uint64(off)) < best:
            best = ones(np.uint64(off))
            diff = off
            expected = table[idx, f]
            if off == 0:
                break
    if matters:
        c.rows[idx] += 1
        state[JUDGED] += 1
    else:
        state[UNJUDGED] += 1
    active = ones(np.uint64((observed ^ part.idle) & known))
    if matters and part.one_hot and active > 1 and active > ones(np.uint64((expected ^ part.idle) & known)):
        state[MULTI] += 1
        if state[MULTI_FIRST] < 0:
            state[MULTI_FIRST] = state[T_IN]
    stirred = np.int64(0)
    for o in range(n_out):
        if (known >> o) & 1 == 0:
            stirred |= 1 << o
            per_out[o, V0] = -1
            per_out[o, EDGES] = 0
            per_out[o, WIDTH] = -1
            per_out[o, STROBED] = -1
            continue
        value = (observed >> o) & 1
        if matters:
            c.seen[idx, o, value] += 1
        if matters and (diff >> o) & 1:
            c.wrong[idx, o] += 1
            if c.first[idx, o] < 0:
                c.first[idx, o] = state[T_IN]
        if (state[STIRRED] >> o) & 1 == 0:
            continue
        carried = (early >> o) & 1
        stirred |= carried << o
        edges = per_out[o, EDGES] - carried
        _span(o, value, edges, carried, expected, part, c)
        per_out[o, V0] = value
        per_out[o, EDGES] = carried
        per_out[o, WIDTH] = -1
        per_out[o, STROBED] = -1
    state[STIRRED] = stirred
    state[BASED] = 1
    state[MOVED] = 0


@inner(_nrt=False, forceinline=True)
def _edges(t, out, lost, strobed, settle, skew, state, per_out, glitch):
    """Takes the outputs of a new row: edges, and the pulses that they close."""
    changed = (out ^ state[OUT]) & ~(lost | state[OUT_UNKNOWN])
    unsure = lost ^ state[OUT_UNKNOWN]
    state[STIRRED] |= changed | unsure
    for o in range(per_out.shape[0]):
        if (unsure >> o) & 1:
            per_out[o, V0] = -1
            per_out[o, EDGES] = 0
            per_out[o, LAST] = t
        elif (changed >> o) & 1:
            glitch[o, G_MOVES] += 1
            calm = state[T_IN] + settle
            if (state[OUT] >> o) & 1:
                per_out[o, HIGH_FOR] += max(t - max(per_out[o, LAST], calm), 0)
            still = t - state[T_AROUND]
            if per_out[o, EDGES] > 0:
                width = t - per_out[o, LAST]
                if per_out[o, WIDTH] < 0 or width < per_out[o, WIDTH]:
                    per_out[o, WIDTH] = width
                    per_out[o, BEGAN] = per_out[o, LAST]
                    per_out[o, LEVEL] = (state[OUT] >> o) & 1
                    per_out[o, CALM] = 1 if per_out[o, STILL] > settle and still >= width else 0
                since = state[STROBE_SINCE]
                if strobed and since >= 0 and since <= per_out[o, LAST] - skew:
                    per_out[o, STROBED] = per_out[o, LAST]
            per_out[o, EDGES] += 1
            per_out[o, LAST] = t
            per_out[o, STILL] = still
            since = state[STROBE_SINCE]
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
    if state[STIRRED]:
        for o in range(per_out.shape[0]):
            per_out[o, HIGH_FOR] = 0


@njit(cache=True, nogil=True)
def scan_decoder(time, levels, unknown, fresh, lines, part, c):
    """One block through one decoder.

    ``time`` int64 (n,), ``levels``/``unknown`` uint64 (n, words), ``fresh`` bool (n,) true on the first row after
    missing samples; ``lines``, ``part`` and ``c`` (updated in place) as in ``decoder_arrays``. Nothing is judged while
    the bus is idle, and the outputs are held against the table only where the inputs held still while a strobe was
    active (always, where no strobe is clipped). Returns the number of rows looked at.
    """
    state, per_out, relevant = c.state, c.per_out, lines.relevant
    looked = 0
    idx, out, lost, strobed = np.int64(-1), np.int64(0), np.int64(0), False
    for i in range(time.shape[0]):
        new = i == 0 or fresh[i]
        inputs_moved, outputs_moved, strobe_moved, around_moved = new, new, new, False
        if not new:
            for w in range(relevant.shape[1]):
                moved = (levels[i, w] ^ levels[i - 1, w]) | (unknown[i, w] ^ unknown[i - 1, w])
                inputs_moved |= moved & relevant[R_INPUTS, w] != np.uint64(0)
                outputs_moved |= moved & relevant[R_OUTPUTS, w] != np.uint64(0)
                strobe_moved |= moved & relevant[R_STROBE, w] != np.uint64(0)
                around_moved |= moved & relevant[R_AROUND, w] != np.uint64(0)
            if not (inputs_moved or outputs_moved or strobe_moved or around_moved):
                continue
        elif state[STARTED] != 0 and not fresh[i]:
            for w in range(relevant.shape[1]):
                around_moved |= (levels[i, w] ^ c.last_row[w]) & relevant[R_AROUND, w] != np.uint64(0)
        looked += 1
        t = time[i]
        if inputs_moved:
            idx, blind = _gather(levels, unknown, i, lines.in_word, lines.in_bit)
            if blind != 0 or _holds(levels, i, lines.idle_mask, lines.idle_want):
                idx = np.int64(-1)
        if outputs_moved:
            out, lost = _gather(levels, unknown, i, lines.out_word, lines.out_bit)
        if strobe_moved:
            strobed = _holds(levels, i, lines.strobe_mask, lines.strobe_want)
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
        if outputs_moved:
            _edges(t, out, lost, strobed, part.settle, part.skew, state, per_out, c.glitch)
        if not strobed:
            if state[STROBE_SINCE] >= 0:
                state[IN_STROBE] = max(state[IN_STROBE], t - max(state[STROBE_SINCE], state[T_IN]))
            state[STROBE_SINCE] = -1
        elif state[STROBE_SINCE] < 0:
            state[STROBE_SINCE] = t
    if time.shape[0] > 0:
        for w in range(levels.shape[1]):
            c.last_row[w] = levels[time.shape[0] - 1, w]
    return looked
