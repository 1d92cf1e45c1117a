"""From levels to bus cycles, block by block."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decoder.bus.columns import Cycles, Flag
from decoder.bus.compiling import compile_tables
from decoder.bus.cycle_kernel import resolve
from decoder.bus.layout import Layout
from decoder.bus.profile import Profile
from decoder.bus.scan_kernel import GAP, RING, scan
from decoder.bus.tables import FIRST_LATCH, MOST_ROWS
from decoder.bus.tidy_kernel import tidy
from decoder.bus.windows import Windows
from decoder.capture import Capture, Note
from decoder.errors import CaptureError

__all__ = ["CycleExtractor"]

_FEMTO = 1e-15
_EVENT_ROOM = 4096
_MANY_DOUBTS = 0.01
_NO_EVENTS = np.zeros((0, 7), np.int64)
_ALL = ~np.uint64(0)


class _Rows(NamedTuple):
    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]


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

    Attributes
    ----------
    notes : what the user must be told ("sample-rate", "dropout", "stuck-strobe"), growing
    rejected : spans of a strobe that no rule takes, or that a gap cut
    gaps : (start, end) in ticks of missing samples, each once: $dumpoff spans and drop-outs
    """

    def __init__(
        self, profile: Profile, layout: Layout, tick_fs: int, grid_ticks: float | None, grade: str | None = None
    ) -> None:
        self.profile, self.layout, self.tick_fs = profile, layout, tick_fs
        self._windows = windows = Windows(profile, tick_fs, grid_ticks, grade)
        self.notes: list[Note] = _rate_notes(windows)
        self.gaps: list[tuple[int, int]] = []
        self._tables = compile_tables(profile, layout, windows)
        self._look_back = windows.look_back() + windows.inset()
        words, strobes, latches = layout.words, len(profile.strobes), len(profile.latches)
        self._rows = _Rows(np.zeros(0, np.int64), np.zeros((0, words), np.uint64), np.zeros((0, words), np.uint64))
        self._base = 0
        self._fresh, self._pending = _NO_EVENTS, _NO_EVENTS
        self._false_sample = windows.false_sample()
        self._usual = np.zeros((strobes, 3), np.int64)
        self._usual[:, 2] = -1
        self._dropped = 0
        self._gap_ends: list[int] = []
        self._spans = np.zeros((strobes, 4), np.int64)
        self._spans[:, 0] = -1
        self._latches = np.full(latches, -1, np.int64)
        self._last = np.zeros((2, words), np.uint64)
        self._ring = np.zeros(RING, np.int64)
        self._counts = np.zeros(8, np.int64)
        self._counts[[1, 4]] = -1
        planes = (FIRST_LATCH + latches, words)
        self._lev, self._mov = np.zeros(planes, np.uint64), np.zeros(planes, np.uint64)
        self._unk = np.full(planes, _ALL)
        self._prev = np.zeros((strobes, 2, words), np.uint64)
        self._prev[:, 1] = _ALL
        self._bus = np.zeros(words, np.uint64)
        self._marks = np.zeros(4, np.int64)
        self._waits = np.zeros(strobes, np.int64)
        self._seen = np.zeros(strobes, np.int64)
        self._moved = self._made = 0

    @property
    def rejected(self) -> int:
        """Spans that made no cycle although a strobe was seen."""
        return int(self._counts[5] + self._marks[3]) + self._dropped

    def feed(self, block: Capture) -> Cycles:
        """The cycles that ``block`` completes, ``region`` -1; the youngest wait for the next block."""
        self._take_gaps(block)
        if not len(block):
            return Cycles.empty()
        old = len(self._rows.time)
        self._rows = _Rows(
            np.concatenate([self._rows.time, block.time]),
            np.concatenate([self._rows.levels, block.levels]),
            np.concatenate([self._rows.unknown, block.unknown]),
        )
        self._scan(old)
        self._tidy(final=False)
        cycles = self._resolve(final=False)
        self._forget()
        return cycles

    def finish(self) -> Cycles:
        """The cycles still waiting. A span that the capture's end cuts is none.

        Raises
        ------
        CaptureError
            No strobe of the profile ever ended: nothing can be decoded.
        """
        self._tidy(final=True)
        cycles = self._resolve(final=True)
        if not self._seen.any():
            raise self._nothing()
        self.notes.extend(_doubt_notes(self._windows, self._moved, self._made))
        return cycles

    def _take_gaps(self, block: Capture) -> None:
        for gap in block.gaps:
            self.gaps.append((gap.start, gap.end))
            self._gap_ends.append(gap.end)

    def _scan(self, start: int) -> None:
        parts, room = [self._fresh], max(_EVENT_ROOM, len(self._rows.time) - start)
        ends = np.array(self._gap_ends, np.int64)
        while start < len(self._rows.time):
            events = np.empty((room, 7), np.int64)
            start, found = scan(
                *self._rows, start, self._base, ends, self._tables, self._spans, self._latches, self._last,
                self._ring, self._counts, events,
            )  # fmt: skip
            parts.append(events[:found])
            self._note_jumps(events[:found])
        self._fresh = np.concatenate(parts)

    def _tidy(self, final: bool) -> None:
        """Hand on the events that no false sample made, as far as that is certain."""
        if not self._false_sample or not len(self._fresh):
            self._pending, self._fresh = np.concatenate([self._pending, self._fresh]), _NO_EVENTS
            return
        kept = np.empty_like(self._fresh)
        now = int(self._rows.time[-1]) if len(self._rows.time) else 0
        at_begin = self._tables.strobe[:, 1].copy()
        done, made, dropped = tidy(
            self._fresh, self._spans, at_begin, self._usual, self._false_sample, now, final, kept
        )
        self._dropped += dropped
        self._pending = np.concatenate([self._pending, kept[:made]])
        self._fresh = self._fresh[done:].copy()

    def _note_jumps(self, events: NDArray[np.int64]) -> None:
        for event in events[(events[:, 0] == GAP) & (events[:, 1] == 1)]:
            start, end = int(event[3]), int(event[5])
            self.gaps.append((start, end))
            clock = self.profile.clock.line
            what = f"no edge on {clock}" if clock and self.layout.wired(clock) else "no line moved"
            span = (end - start) * self.tick_fs * _FEMTO
            at = start * self.tick_fs * _FEMTO
            text = f"{what} for {span * 1e6:.4g} µs at {at:.9g} s: samples are missing there"
            self.notes.append(Note("dropout", text, at))

    def _resolve(self, final: bool) -> Cycles:
        events = self._pending
        n = len(events)
        when, what = np.empty((n, 2), np.int64), np.empty((n, 2), np.uint8)
        address, data = np.empty((n, 2), np.uint32), np.empty((n, 2), np.uint32)
        kept, flags, width = np.empty(n, np.uint32), np.empty(n, np.uint16), np.empty(n, np.uint8)
        done, made = resolve(
            *self._rows, self._base, final, events, self._tables, self._lev, self._unk, self._mov, self._prev,
            self._bus, self._marks, self._waits, when, what, address, data, kept, flags, width,
        )  # fmt: skip
        strobes = events[:done][events[:done, 0] == 0, 1]
        self._seen += np.bincount(strobes, minlength=len(self._seen))
        self._moved += int(np.count_nonzero(flags[:made] & Flag.UNSETTLED))
        self._made += made
        self._pending = events[done:].copy()
        m = made
        return Cycles(
            sample=when[:m, 0].copy(), time=when[:m, 1].copy(), kind=what[:m, 0].copy(),
            address=address[:m, 0].copy(), address_unknown=address[:m, 1].copy(),
            data=data[:m, 0].copy(), data_unknown=data[:m, 1].copy(), kept=kept[:m].copy(),
            region=np.full(m, -1, np.int16), flags=flags[:m].copy(), width=width[:m].copy(), rule=what[:m, 1].copy(),
        )  # fmt: skip

    def _forget(self) -> None:
        """Drop the rows that no open span, no waiting event and no window can reach."""
        total = len(self._rows.time)
        oldest = [total - 1 + self._base, *self._pending[:, 2].tolist(), *self._fresh[:, 2].tolist()]
        oldest += self._spans[self._spans[:, 0] == 1, 1].tolist()
        row = max(min(oldest), self._base + total - 2 * MOST_ROWS) - self._base
        reach = int(np.searchsorted(self._rows.time, self._rows.time[row] - self._look_back, side="right")) - 1
        first = max(0, min(row, reach))
        time, levels, unknown = self._rows
        self._rows = _Rows(time[first:].copy(), levels[first:].copy(), unknown[first:].copy())
        self._base += first

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
    if windows.grid is None or narrow is None:
        return []
    interval_ns = windows.grid * windows.tick_fs * 1e-6
    if interval_ns <= narrow[1]:
        return []
    text = (
        f"one sample every {interval_ns:.4g} ns is too slow for this bus: data is sure for only {narrow[1]:.4g} ns at "
        f"{narrow[0]}; sample at {1000 / narrow[1]:.3g} MHz at least, better at {4000 / narrow[1]:.3g} MHz"
    )
    return [Note("sample-rate", text)]


def _doubt_notes(windows: Windows, moved: int, made: int) -> list[Note]:
    """The note "sample-rate" when many levels moved where the samples cannot tell the old one from the new one."""
    narrow = windows.narrowest()
    if windows.grid is None or narrow is None or moved <= _MANY_DOUBTS * made:
        return []
    interval_ns = windows.grid * windows.tick_fs * 1e-6
    text = (
        f"in {100 * moved / made:.2g} % of the cycles a level moved so near the sampling edge that one sample every "
        f"{interval_ns:.4g} ns cannot tell the old one from the new one; those bits count as unknown. "
        f"Sample faster, at {3000 / narrow[1]:.3g} MHz if the analyser can"
    )
    return [Note("sample-rate", text)]
