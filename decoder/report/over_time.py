"""Compared and wrong reads over the whole capture, counted while blocks pass by, and drawn with the counts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture.columns import FEMTOSECONDS
from busledger.decoder.findings import CaptureSummary
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.report.numbers import NO_BREAK, plural, seconds, short_count
from busledger.decoder.report.plots import Trend

__all__ = ["TimeCounts", "captures_over_time", "counts_svg", "counts_words"]

_BINS = 1 << 12
WINDOWS = 20
_MOST_BARS = 40
_WIDEST = 84.0  # a bar of one of few captures
_WIDTH, _LEFT, _RIGHT = 720.0, 44.0, 8.0
_TOP, _HIGH, _BOTTOM = 16.0, 96.0, 46.0


class TimeCounts:
    """Counts in bins of equal time whose width doubles whenever the capture proves longer; memory does not grow."""

    def __init__(self, tick_fs: int) -> None:
        self._tick_s = tick_fs * FEMTOSECONDS
        self._width = 1  # ticks a bin
        self._counts = np.zeros((2, _BINS), np.int64)  # compared, wrong
        self._end = 0

    def feed(self, cycles: Cycles, compared: Compared, end: int) -> None:
        """One block of cycles; ``end``: ticks from the capture's start to its last level."""
        self._end = max(self._end, end)
        while self._end >= self._width * _BINS:
            paired = self._counts.reshape(2, _BINS // 2, 2).sum(axis=2)
            self._counts[:, : _BINS // 2], self._counts[:, _BINS // 2 :] = paired, 0
            self._width *= 2
        wrong = compared.verdict == Verdict.MISMATCH
        for row, chosen in enumerate((wrong | (compared.verdict == Verdict.AGREES), wrong)):
            places = np.clip(cycles.time[chosen] // self._width, 0, _BINS - 1)
            self._counts[row] += np.bincount(places, minlength=_BINS)

    def windows(self, number: int = WINDOWS) -> Trend | None:
        """The whole capture in about equal spans; None where no read was wrong."""
        if not self._counts[1].any():
            return None
        bins = min(_BINS, self._end // self._width + 1)
        number = min(number, bins)
        edges = [round(k * bins / number) for k in range(number + 1)]
        sums = np.add.reduceat(self._counts[:, :bins], edges[:-1], axis=1)
        ends = [*(edge * self._width for edge in edges[:-1]), self._end]
        return Trend(tuple(tick * self._tick_s for tick in ends), tuple(sums[0].tolist()), tuple(sums[1].tolist()))


def captures_over_time(captures: Sequence[CaptureSummary]) -> tuple[str, str] | None:
    """SVG and sentence for several captures in order of time, a bar each (or some neighbours together, where they are
    very many); None where no read was wrong. How long lay between them is not drawn."""
    if not any(one.mismatches for one in captures):
        return None
    each = -(-len(captures) // _MOST_BARS)
    groups = [captures[k : k + each] for k in range(0, len(captures), each)]
    trend = Trend(
        (0.0, *(float(k + 1) for k in range(len(groups)))),
        tuple(sum(one.reads_compared for one in group) for group in groups),
        tuple(sum(one.mismatches for one in group) for group in groups),
    )
    bar = "A bar for each capture" if each == 1 else f"A bar for each {each} captures"
    told = (
        f"{bar}, in order of time. Over it how many reads were wrong, below it of how many that were compared; its "
        "height is their share."
    )
    return counts_svg(trend, ("first capture", "last capture")), told


def counts_svg(trend: Trend, ends: tuple[str, str] | None = None) -> str:
    """A bar a window: the share that was wrong, with how many over it and how many were compared below.

    ``ends``: words under the first and the last bar, in place of times.
    """
    shares = [wrong / of if of else 0.0 for of, wrong in zip(trend.accesses, trend.wrong, strict=True)]
    most = max(shares)
    room = (_WIDTH - _LEFT - _RIGHT) / len(shares)
    room = room if ends is None else min(room, _WIDEST)
    base = _TOP + _HIGH
    parts = [
        f'<svg aria-hidden="true" focusable="false" viewBox="0 0 {_WIDTH:g} {base + _BOTTOM:g}" width="{_WIDTH:g}" '
        'xmlns="http://www.w3.org/2000/svg" font-size="10" font-family="sans-serif" text-anchor="middle">',
        f'<path d="M{_LEFT:g} {base:g}H{_WIDTH - _RIGHT:g}" stroke="var(--rule)"/>',
        f'<text x="{_LEFT - 6:g}" y="{_TOP + 4:g}" text-anchor="end" fill="var(--faint)">{_per_cent(most)}</text>',
        f'<text x="{_LEFT - 6:g}" y="{base + 12:g}" text-anchor="end" fill="var(--faint)">of</text>',
    ]
    for k, (share, wrong, compared) in enumerate(zip(shares, trend.wrong, trend.accesses, strict=True)):
        left, middle = _LEFT + k * room, _LEFT + (k + 0.5) * room
        tall = max(2.0, _HIGH * share / most) if wrong else 0.0
        if wrong:
            parts.append(
                f'<rect x="{left + 1:.1f}" y="{base - tall:.1f}" width="{room - 2:.1f}" height="{tall:.1f}" '
                'fill="var(--wrong)"/>'
            )
        if compared:
            colour = "wrong" if wrong else "good"
            parts.append(
                f'<text x="{middle:.1f}" y="{base - tall - 4:.1f}" fill="var(--{colour})">{short_count(wrong)}</text>'
                f'<text x="{middle:.1f}" y="{base + 12:g}" fill="var(--faint)">{short_count(compared)}</text>'
            )
    parts.append(_times(trend, base + 30) if ends is None else _ends(ends, _LEFT + len(shares) * room, base + 30))
    return "".join(parts) + "</svg>"


def _times(trend: Trend, y: float) -> str:
    """Five moments along the whole capture."""
    first, last = trend.edges_s[0], trend.edges_s[-1]
    marks = []
    for k in range(5):
        x = _LEFT + k / 4 * (_WIDTH - _LEFT - _RIGHT)
        anchor = ("start", "middle", "middle", "middle", "end")[k]
        at = seconds(first + k / 4 * (last - first))
        marks.append(f'<text x="{x:.1f}" y="{y:g}" text-anchor="{anchor}" fill="var(--ink)">{at}</text>')
    return "".join(marks)


def _ends(ends: tuple[str, str], right: float, y: float) -> str:
    first, last = ends
    return (
        f'<text x="{_LEFT:g}" y="{y:g}" text-anchor="start" fill="var(--ink)">{first}</text>'
        f'<text x="{right:g}" y="{y:g}" text-anchor="end" fill="var(--ink)">{last}</text>'
    )


def _per_cent(share: float) -> str:
    shown = 100 * share
    decimals = 0 if shown >= 1 else -math.floor(math.log10(shown))
    return f"{shown:.{decimals}f}{NO_BREAK}%"


def counts_words(trend: Trend) -> str:
    """What the picture shows, in sentences."""
    long = seconds((trend.edges_s[-1] - trend.edges_s[0]) / max(1, len(trend.wrong)))
    quiet = sum(1 for compared, wrong in zip(trend.accesses, trend.wrong, strict=True) if compared and not wrong)
    unread = sum(1 for compared in trend.accesses if not compared)
    told = (
        f"The whole capture in {plural(len(trend.wrong), 'window')} of {long}. Over each bar how many reads were "
        f"wrong, below it of how many that were compared; its height is their share. {plural(quiet, 'window')} with "
        "reads that were all right"
    )
    return f"{told}; {plural(unread, 'window')} without a compared read." if unread else f"{told}."
