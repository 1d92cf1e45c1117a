"""One clock under all captures of a watch, and what lies between them: spans in which nothing is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture import Capture, Gap
from busledger.decoder.watching.clock import Anchor

__all__ = ["Timeline"]

FS = 1e-15
BETWEEN_FS = 10**12
_NAMES = ("shift", "ratio", "divisor", "step", "end", "rows", "anchors", "_gap", "_waits", "captures")


class Timeline:
    """Puts the blocks of one capture after another on the clock of the first.

    The first one's first row is at 0, as in every list and report. A later one begins a millisecond behind the one
    before; between them stands a row in which no level is known, and a gap, as
    where a dump is switched off ($dumpoff). How long it really was is in the
    ``anchors``: hours without a sample between two captures of milliseconds would
    spoil every share of time that is measured.

    Parameters
    ----------
    tick_fs : of the first capture
    unknown : uint64, shape (words,): the bits of all lines

    Attributes
    ----------
    shift, ratio, divisor : ticks here are ticks there times ``ratio``, divided by ``divisor`` (one of them is 1), plus
        ``shift``
    step : ticks here that are one of the first capture
    end, rows : the last tick and the number of rows so far
    anchors : the time of day at the first row of each capture
    captures : how many have begun
    """

    def __init__(self, tick_fs: int, unknown: NDArray[np.uint64]) -> None:
        self.tick_fs, self._unknown = tick_fs, unknown
        self.shift, self.ratio, self.divisor, self.step = 0, 1, 1, 1
        self.end, self.rows, self.captures = -1, 0, 0
        self.anchors: list[Anchor] = []
        self._gap: tuple[int, str] | None = None
        self._waits: tuple[float, int | None] | None = None

    def state(self) -> dict[str, Any]:
        """For ``go_on``."""
        return {name: list(value) if isinstance(value := getattr(self, name), list) else value for name in _NAMES}

    def go_on(self, state: dict[str, Any]) -> None:
        """Take up what ``state`` gave."""
        for name in _NAMES:
            setattr(self, name, state[name])

    @property
    def day0_s(self) -> float:
        """The time of day that tick 0 would have by the capture that came last."""
        last = self.anchors[-1]
        return last.day_s - last.at_s

    def begin_capture(self, tick_fs: int, day_s: float, stamp: int | None) -> bool:
        """A capture begins; where its rows lie is settled with the first of them. Whether its times are rounded.

        ``tick_fs`` and the clock's are powers of ten: one is a multiple of the other. ``day_s``: the time of day at
        ``stamp``, or of the first row where ``stamp`` is None.
        """
        self.ratio, self.divisor = max(1, tick_fs // self.tick_fs), max(1, self.tick_fs // tick_fs)
        self._waits = day_s, stamp
        self.captures += 1
        self.step = self.ratio if self.captures == 1 else self.step
        if self.captures > 1 and self._gap is None:
            self._gap = self.end + self.step, "between two captures"
        return self.divisor > 1

    def lose(self, block: Capture, why: str) -> tuple[int, float]:
        """Leave a block out: rows lost and seconds; what comes next follows a gap."""
        moved = self._moved(block)
        if not len(moved):
            return 0, 0.0
        if self._gap is None:
            self._gap = self.end + self.step, why
        since, self.end = self.end, max(self.end, int(moved.time[-1]))
        return len(moved), (self.end - since) * self.tick_fs * FS

    def place(self, block: Capture) -> Capture:
        """The block on the joint clock, behind the gap that it ends, if any."""
        moved = self._moved(block)
        if not len(moved):
            return moved
        gap, self._gap = self._gap, None
        if gap is not None and self.rows:
            moved = self._behind(moved, *gap)
        moved = replace(moved, first_row=self.rows)
        self.rows += len(moved)
        self.end = int(moved.time[-1])
        return moved

    def end_capture(self, end_time: int) -> None:
        """A capture has ended at its own tick ``end_time``."""
        if self._waits is None:
            self.end = max(self.end, self._at(end_time))

    def _behind(self, block: Capture, start: int, why: str) -> Capture:
        """``block`` with a row of nothing before it, from ``start``, and the gap up to its first row."""
        first = int(block.time[0])
        gap = Gap(start, first, why)
        if start >= first:  # nothing fits between
            return replace(block, gaps=(gap, *block.gaps))
        none = np.zeros((1, block.levels.shape[1]), np.uint64)
        return Capture(
            np.concatenate((np.array([start], np.int64), block.time)),
            np.concatenate((none, block.levels)),
            np.concatenate((none | self._unknown, block.unknown)),
            block.tick_fs,
            (gap, *block.gaps),
        )

    def _moved(self, block: Capture) -> Capture:
        if self._waits is not None and len(block):
            self._settle(int(block.time[0]))
        if self.ratio == self.divisor == 1 and not self.shift:
            return block
        gaps = tuple(Gap(self._at(g.start), self._at(g.end), g.why) for g in block.gaps)
        time, levels, unknown = block.time * self.ratio + self.shift, block.levels, block.unknown
        if self.divisor > 1:  # of rows that fall into one tick the last stays
            time = np.maximum(block.time // self.divisor + self.shift, self.end + 1)
            last = np.append(time[1:] != time[:-1], True)[: len(time)]
            time, levels, unknown = time[last], levels[last], unknown[last]
        return replace(block, time=time, levels=levels, unknown=unknown, tick_fs=self.tick_fs, gaps=gaps)

    def _at(self, tick: int) -> int:
        return tick * self.ratio // self.divisor + self.shift

    def _settle(self, first: int) -> None:
        """Where the capture lies, now that its first row is known."""
        assert self._waits is not None
        day_s, stamp = self._waits
        self._waits = None
        tick_s = self.tick_fs * FS
        if stamp is not None:
            day_s -= (stamp - first) * self.ratio * tick_s / self.divisor
        begin = self.end + self.step + max(1, BETWEEN_FS // self.tick_fs) if self.anchors else 0
        self.shift = begin - first * self.ratio // self.divisor
        self.anchors.append(Anchor(self._at(first) * tick_s, day_s))


def days_of(anchors: Sequence[Anchor]) -> list[tuple[float, float]]:
    """(seconds, time of day) pairs, plain, for files."""
    return [(anchor.at_s, anchor.day_s) for anchor in anchors]
