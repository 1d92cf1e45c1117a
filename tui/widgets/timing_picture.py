"""Timing: each published limit with the measured spread beside it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busledger.decoder.checks import LimitResult, TimingResult
from busledger.decoder.findings import CheckResult
from busledger.decoder.report import allowed_words, limit_names, limit_sources, limit_span, limits_together, stands
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.widgets.check_text import (
    append_bare_findings,
    append_findings,
    append_skipped,
    append_title,
    limit_line,
    read_check,
    spark,
    spark_scale,
)
from busledger.tui.widgets.suspects import flowing
from busledger.tui.wording import thousands

__all__ = ["timing_text"]

ABSENT = "There is no look at the timing in this result: 'busledger timing' takes one.\n"


def timing_text(result: CheckResult, width: int, document: str | None = None) -> Text:
    """The whole page; ``document`` is the check's result as JSON, where the decoded capture keeps it."""
    text = Text(end="")
    found = read_check(result, "timing", TimingResult, document)
    if found is None:
        return append_bare_findings(text, result, "timing", ABSENT)
    grade = f", grade {plain(found.grade)}" if found.grade else ""
    sampled = f", sampled every {found.sample_ns:.3g} ns" if found.sample_ns else ""
    text.append(f"{plain(found.profile)}{grade}{sampled}\n", COLOURS["dim"])
    _counted(text, found)
    # What the sampling cannot tell is said of each limit below.
    told = [finding for finding in found.findings if finding.code != "not-resolvable"]
    if told or all(stands(limit)[0] in ("good", "none") for limit in found.limits):
        append_findings(text, told)
    for limits in limits_together(found.limits):
        _limit(text, limits, width)
    sources = limit_sources(found.limits)
    if sources:
        append_title(text, "Limits after")
        for source in sources:
            text.append(f" {plain(source, 200)}\n", COLOURS["dim"])
    append_skipped(text, found.skipped)
    return text


_SHAPE = 6  # filled bins from which a distribution has a shape worth three lines
_SIGNS = {"none": ("·", "dim"), "wrong": ("✗", "wrong"), "unsure": ("~", "caution"), "good": ("✓", "good")}


def _ns(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _counted(text: Text, found: TimingResult) -> None:
    """How the limits stand, in a line."""
    tones = [stands(limit)[0] for limit in found.limits]
    words = (("good", "kept"), ("wrong", "violated"), ("unsure", "not to be told, or at the limit"))
    shown = [(tone, f"{tones.count(tone)} {word}") for tone, word in words if tone in tones]
    if shown:
        text.append(" Limits: ", COLOURS["dim"])
    for place, (tone, word) in enumerate(shown):
        text.append((", " if place else "") + f"{_SIGNS[tone][0]} {word}", COLOURS[_SIGNS[tone][1]])
    text.append("\n" if shown else "")


def _limit(text: Text, limits: Sequence[LimitResult], width: int) -> None:
    """A limit with its spread; times of several parts without one share their lines."""
    limit = limits[0]
    tone, words = stands(limit)
    sign, colour = _SIGNS[tone]
    append_title(text, limit_names(limits), plain(limit.meaning, 300))
    allowed = allowed_words(limit)
    text.append(f" {sign} {flowing(f'{allowed}: ' if allowed else '')}{flowing(words)}\n", f"bold {COLOURS[colour]}")
    columns = max(10, min(40, width - 8))
    if len(limits) == 1 and _has_shape(limit):
        text.append(f"   {spark(limit.histogram.counts, columns)}\n", COLOURS["accent"])
        if limit.limit_ns is not None:
            text.append(f"   {limit_line(limit.histogram, limit.limit_ns, columns)}\n", COLOURS["caution"])
        text.append(f"   {spark_scale(limit.histogram, columns, (limit.min_ns, limit.max_ns))}\n", COLOURS["dim"])
    least, most = limit_span(limits)
    middle = f"  1 % {_ns(limit.p01_ns)}  middle {_ns(limit.median_ns)}  99 % {_ns(limit.p99_ns)}"
    text.append(
        f"   least {_ns(least)}{middle if len(limits) == 1 else ''}  most {_ns(most)} ns"
        f"  ± {max(one.uncertainty_ns for one in limits):.0f}  of {thousands(sum(one.count for one in limits))}\n",
        COLOURS["dim"],
    )


def _has_shape(limit: LimitResult) -> bool:
    """Whether bars tell more than the figures: more than a few of them, or the limit among them."""
    found = limit.histogram
    if not found.total:
        return False
    first, last = (found.first_bin - 0.5) * found.bin_ns, (found.first_bin + len(found.counts)) * found.bin_ns
    among = limit.limit_ns is not None and first <= limit.limit_ns <= last
    return among or sum(1 for number in found.counts if number) >= _SHAPE
