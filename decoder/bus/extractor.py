"""From levels to bus cycles, block by block."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.bus.columns_kernel import (
    AHEAD,
    BEGIN_ROW,
    BEGIN_TIME,
    CLOCK_LEVEL,
    COUNTS_BEGIN,
    END_TIME,
    GAPS_FOUND,
    INTERVAL_BEGIN,
    LAST_END,
    MOVED,
    REFUSED,
    REJECTED,
    SPAN_ROW,
    STATE,
    WHAT,
    WHICH,
)
from busledger.decoder.bus.compiling import compile_tables
from busledger.decoder.bus.cycle_kernel import resolve
from busledger.decoder.bus.layout import Layout
from busledger.decoder.bus.profile import Profile
from busledger.decoder.bus.rows import Rows
from busledger.decoder.bus.scan_kernel import GAP, RING, scan
from busledger.decoder.bus.tables import FIRST_LATCH, MOST_ROWS, SLOTS, Columns, Memo, Planes, SpanState
from busledger.decoder.bus.tidy_kernel import tidy
from busledger.decoder.bus.windows import NO_EYES, Offsets, Windows
from busledger.decoder.capture import Capture, Note
from busledger.decoder.errors import CaptureError
from busledger.decoder.figures import NO_BREAK, percent

__all__ = ["CycleExtractor"]

_FEMTO = 1e-15
_EVENT_ROOM = 1 << 15
_MANY_DOUBTS = 0.01
_ALL = ~np.uint64(0)


class CycleExtractor:
    """Turns blocks of ``Capture`` into ``Cycles``; any division into blocks gives the same cycles.

    Parameters
    ----------
    profile, layout
        The bus, and which bit each of its lines is in the blocks to come.
    tick_fs
        Femtoseconds a tick.
    grid_ticks
        The analyser's sample interval in ticks; None for a capture that knows each edge to a tick.
    grade
        A speed grade of the profile, for its windows and strobe widths; None takes what all grades agree on.
    exact
        A simulation without delays: what an edge causes stands at the edge's own stamp.
    eyes
        Where to read at the end of strobes, as ``find_eyes`` saw the bus stand still.

    Attributes
    ----------
    notes : what the user must be told ("sample-rate", "dropout", "stuck-strobe"), growing
    rejected : spans of a strobe that no rule takes, or that a gap cut
    gaps : (start, end) in ticks of missing samples, each once: $dumpoff spans and drop-outs
    """

    def __init__(
        self,
        profile: Profile,
        layout: Layout,
        tick_fs: int,
        grid_ticks: float | None,
        grade: str | None = None,
        exact: bool = False,
        eyes: Mapping[str, Offsets] = NO_EYES,
    ) -> None:
        self.profile, self.layout, self.tick_fs = profile, layout, tick_fs
        self._windows = windows = Windows(profile, tick_fs, grid_ticks, grade, exact, eyes)
        self.notes: list[Note] = _rate_notes(windows)
        self.gaps: list[tuple[int, int]] = []
        self._tables = compile_tables(profile, layout, windows)
        self._look_back = windows.look_back() + windows.inset()
        words, strobes, latches = layout.words, len(profile.strobes), len(profile.latches)
        self._width = (0,) * words
        self._old = Rows.none(words)
        self._events = np.empty((_EVENT_ROOM, 7), np.int64)
        self._ready = self._found = 0
        self._false_sample = windows.false_sample()
        self._counts_begin = self._tables.strobe[:, COUNTS_BEGIN].copy()
        self._usual = np.zeros((strobes, 3), np.int64)
        self._usual[:, LAST_END] = -1
        self._dropped = 0
        self._gap_ends: list[int] = []
        self._spans = np.zeros((strobes, 4), np.int64)
        self._spans[:, STATE] = -1
        self._latches = np.full(latches, -1, np.int64)
        self._ring = np.zeros(RING, np.int64)
        self._counts = np.zeros(9, np.int64)
        self._counts[[CLOCK_LEVEL, INTERVAL_BEGIN]] = -1
        self._patterns = Memo(
            np.zeros((SLOTS, 1 + 2 * words), np.uint64), np.zeros((SLOTS, 1 + strobes + latches), np.int64)
        )
        planes = (FIRST_LATCH + latches) * words
        self._lev, self._mov = np.zeros(planes, np.uint64), np.zeros(planes, np.uint64)
        self._unk = np.full(planes, _ALL)
        self._prev = np.zeros((strobes, 2, words), np.uint64)
        self._prev[:, 1] = _ALL
        self._bus = np.zeros(words, np.uint64)
        self._marks = np.zeros(5, np.int64)
        self._waits = np.zeros(strobes, np.int64)
        self._seen = np.zeros(strobes, np.int64)
        most_keys = int(np.diff(self._tables.key_start).max(initial=0))
        self._answers = Memo(np.zeros((SLOTS, 1 + 3 * most_keys), np.uint64), np.zeros((SLOTS, 6), np.int64))
        self._made = 0

    @property
    def rejected(self) -> int:
        """Spans that made no cycle although a strobe was seen."""
        return int(self._counts[REJECTED] + self._marks[REFUSED]) + self._dropped

    def feed(self, block: Capture) -> Cycles:
        """The cycles that ``block`` completes, ``region`` -1; the youngest wait for the next block."""
        self._take_gaps(block)
        if not len(block):
            return Cycles.empty()
        rows = Rows.of(block, self._old.stop)
        self._scan(rows)
        self._tidy(int(rows.time[-1]), final=False)
        cycles = self._resolve_new(rows)
        self._old = self._still_needed(rows)
        return cycles

    def finish(self) -> Cycles:
        """The cycles still waiting. A span that the capture's end cuts is none.

        Raises
        ------
        CaptureError
            No strobe of the profile ever ended: nothing can be decoded.
        """
        self._tidy(int(self._old.time[-1]) if self._old.count else 0, final=True)
        cycles = Cycles.empty(self._ready)
        done, made = self._resolve(self._old, self._events[: self._ready], cycles, final=True)
        self._take_events(done)
        if not self._seen.any():
            raise self._nothing()
        self.notes.extend(_doubt_notes(self._windows, int(self._marks[MOVED]), self._made))
        return cycles.slice(0, made)

    def _take_gaps(self, block: Capture) -> None:
        for gap in block.gaps:
            self.gaps.append((gap.start, gap.end))
            self._gap_ends.append(gap.end)

    def _scan(self, rows: Rows) -> None:
        """Events of new rows, written behind those that wait."""
        start, ends = 0, np.array(self._gap_ends, np.int64)
        while start < rows.count:
            if len(self._events) < self._found + _EVENT_ROOM:
                wider = np.empty((2 * len(self._events) + _EVENT_ROOM, 7), np.int64)
                wider[: self._found] = self._events[: self._found]
                self._events = wider
            gaps = self._counts[GAPS_FOUND]
            start, found = scan(
                rows.columns, start, rows.base, ends, self._tables, self._spans, self._latches, self._ring,
                self._counts, self._patterns, self._events[self._found :], self._width,
            )  # fmt: skip
            if self._counts[GAPS_FOUND] > gaps:
                self._note_jumps(self._events[self._found : self._found + found])
            self._found += found

    def _tidy(self, now: int, final: bool) -> None:
        """Make ready the events that no false sample made, as far as that is certain."""
        if not self._false_sample:
            self._ready = self._found
            return
        fresh = self._events[self._ready : self._found]
        done, made, dropped = tidy(fresh, self._spans, self._counts_begin, self._usual, self._false_sample, now, final)
        self._dropped += dropped
        waiting = fresh[done:].copy()
        self._ready += made
        self._found = self._ready + len(waiting)
        self._events[self._ready : self._found] = waiting

    def _note_jumps(self, events: NDArray[np.int64]) -> None:
        for event in events[(events[:, WHAT] == GAP) & (events[:, WHICH] == 1)]:
            start, end = int(event[BEGIN_TIME]), int(event[END_TIME])
            self.gaps.append((start, end))
            clock = self.profile.clock.line
            what = f"no edge on {clock}" if clock and self.layout.wired(clock) else "no line moved"
            span = (end - start) * self.tick_fs * _FEMTO
            at = start * self.tick_fs * _FEMTO
            text = f"{what} for {span * 1e6:.4g} µs at {at:.9g} s: samples are missing there"
            self.notes.append(Note("dropout", text, at))

    def _resolve_new(self, rows: Rows) -> Cycles:
        """The cycles of the events that are ready: of those that reach back to old rows, then of the others.

        Only the few rows around the border are joined, not the whole block to what was left of the one before.
        """
        events, cycles = self._events[: self._ready], Cycles.empty(self._ready)
        back = np.flatnonzero(events[:, BEGIN_TIME] < int(rows.time[0]) + self._look_back)
        done, made, border = 0, 0, 0
        if self._old.count and len(back):
            count = int(back[-1]) + 1
            told_at = int(events[count - 1, END_TIME] + self._tables.look[AHEAD])
            border = int(np.searchsorted(rows.time, told_at, side="right")) + 1
            near = self._old.joined(rows.part(0, border))
            done, made = self._resolve(near, events[:count] if border <= rows.count else events, cycles)
        if border <= rows.count:
            more, made = self._resolve(rows, events[done:], cycles, made)
            done += more
        self._take_events(done)
        return cycles.slice(0, made)

    def _resolve(
        self, rows: Rows, events: NDArray[np.int64], cycles: Cycles, made: int = 0, *, final: bool = False
    ) -> tuple[int, int]:
        """Write what ``events`` were into ``cycles`` from row ``made`` on; (events done, cycles there now)."""
        out = Columns(*(getattr(cycles, name)[made:] for name in Columns._fields))
        carried = SpanState(self._prev, self._bus, self._marks, self._waits, self._seen)
        done, more = resolve(
            rows.columns, rows.base, final, events, self._tables, Planes(self._lev, self._unk, self._mov), carried,
            self._answers, out, self._width,
        )  # fmt: skip
        self._made += more
        return done, made + more

    def _take_events(self, done: int) -> None:
        """The first ``done`` events are told; those behind move up."""
        left = self._events[done : self._found].copy()
        self._ready, self._found = self._ready - done, len(left)
        self._events[: self._found] = left

    def _still_needed(self, rows: Rows) -> Rows:
        """The rows that an open span, a waiting event or a window can reach."""
        oldest = [rows.stop - 1, *self._events[: self._found, BEGIN_ROW].tolist()]
        oldest += self._spans[self._spans[:, STATE] == 1, SPAN_ROW].tolist()
        row = max(min(oldest), rows.stop - 2 * MOST_ROWS)
        if row < rows.base or rows.reach(row, self._look_back) < 0:
            rows = self._old.joined(rows)
            row = max(row, rows.base)
        first = max(0, min(row - rows.base, rows.reach(row, self._look_back)))
        return rows.part(first, rows.count).copy()

    def _nothing(self) -> CaptureError:
        lines = [s.when for s in self.profile.strobes]
        clock = self.profile.clock.line
        names = clock if clock is not None and clock in lines else ", ".join(dict.fromkeys(lines))
        return CaptureError(
            f"there is not one bus cycle in this capture: no edges on {names}",
            expected=f"the strobes of the {self.profile.name} bus to move",
            hint="Check the clip and the threshold (1.3 to 1.5 V for TTL levels), that the machine runs, "
            "and that the channels are wired to the right lines.",
        )


def _rate_notes(windows: Windows) -> list[Note]:
    """The note "sample-rate" when the sample interval is longer than the narrowest published window."""
    narrow = windows.narrowest()
    if windows.grid is not None and windows.moved_eyes():
        said = ", ".join(
            f"{-offsets.value * windows.tick_fs * 1e-6:.3g} ns before the end of {strobe}"
            for strobe, offsets in windows.moved_eyes().items()
        )
        text = (
            f"data is read {said}: no sample surely lies in the published set-up time, and there the bus stood still, "
            "or memory agreed with itself"
        )
        return [Note("eye", text)]
    if windows.grid is None or narrow is None:
        return []
    interval_ns = windows.grid * windows.tick_fs * 1e-6
    if interval_ns <= narrow[1]:
        return []
    text = (
        f"one sample every {interval_ns:.4g} ns is too slow for this bus: data is sure for only {narrow[1]:.4g} ns at "
        f"{narrow[0]}; sample at {1000 / narrow[1]:.3g} MHz at least, better at {_enough(narrow[1])} "
        "(or give --exact, if this is the dump of a simulation without delays)"
    )
    return [Note("sample-rate", text)]


def _doubt_notes(windows: Windows, moved: int, made: int) -> list[Note]:
    """The note "sample-rate" when many levels moved where the samples cannot tell the old one from the new one."""
    narrow = windows.narrowest()
    if windows.grid is None or narrow is None or moved <= _MANY_DOUBTS * made:
        return []
    interval_ns = windows.grid * windows.tick_fs * 1e-6
    share = percent(min(1.0, moved / made)).replace(NO_BREAK, " ")
    text = (
        f"in {share} of the cycles a level moved so near the sampling edge that one sample every "
        f"{interval_ns:.4g} ns cannot tell the old one from the new one; those bits count as unknown. "
        f"Sample faster, at {_enough(narrow[1])} if the analyser can"
    )
    return [Note("sample-rate", text)]


def _enough(narrow_ns: float) -> str:
    """The rate that is advised, the same in every note: three samples in the narrowest window, so that one of them
    lies inside it though both ends are known to a sample only."""
    return f"{3000 / narrow_ns:.3g} MHz"
