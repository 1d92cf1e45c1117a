"""Timing: each published limit with the measured spread beside it."""

from __future__ import annotations

from rich.text import Text

from busledger.decoder.checks import LimitResult, TimingResult
from busledger.decoder.findings import CheckResult
from busledger.decoder.report import allowed_words, limit_sources, stands
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
    append_findings(text, found.findings)
    for limit in found.limits:
        _limit(text, limit, width)
    sources = limit_sources(found.limits)
    if sources:
        append_title(text, "Limits after")
        for source in sources:
            text.append(f" {plain(source, 200)}\n", COLOURS["dim"])
    append_skipped(text, found.skipped)
    return text


_SIGNS = {"none": ("·", "dim"), "wrong": ("✗", "wrong"), "unsure": ("~", "caution"), "good": ("✓", "good")}


def _ns(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _limit(text: Text, limit: LimitResult, width: int) -> None:
    tone, words = stands(limit)
    sign, colour = _SIGNS[tone]
    append_title(text, plain(limit.name, 24), plain(limit.meaning, 300))
    allowed = allowed_words(limit)
    text.append(f" {sign} {flowing(f'{allowed}: ' if allowed else '')}{flowing(words)}\n", f"bold {COLOURS[colour]}")
    columns = max(10, min(40, width - 8))
    if limit.histogram.total:
        text.append(f"   {spark(limit.histogram.counts, columns)}\n", COLOURS["accent"])
        if limit.limit_ns is not None:
            text.append(f"   {limit_line(limit.histogram, limit.limit_ns, columns)}\n", COLOURS["caution"])
        text.append(f"   {spark_scale(limit.histogram, columns, (limit.min_ns, limit.max_ns))}\n", COLOURS["dim"])
    text.append(
        f"   least {_ns(limit.min_ns)}  1 % {_ns(limit.p01_ns)}  middle {_ns(limit.median_ns)}"
        f"  99 % {_ns(limit.p99_ns)}  most {_ns(limit.max_ns)} ns  ± {limit.uncertainty_ns:.0f}"
        f"  of {thousands(limit.count)}\n",
        COLOURS["dim"],
    )
