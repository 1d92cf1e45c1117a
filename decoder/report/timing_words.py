"""How a measured time stands to its published limit: the same words in text, page and browser."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busledger.decoder.checks import LimitResult, TimingResult
from busledger.decoder.report.numbers import NO_BREAK, count
from busledger.decoder.report.plots import Histogram
from busledger.decoder.report.timing_plots import timing_histograms
from busledger.decoder.text import plain

__all__ = [
    "TimingFigures",
    "TimingRow",
    "allowed_words",
    "limit_sources",
    "stands",
    "timing_figures",
    "worth_a_picture",
]

_LEAST_BINS = 3  # filled bins from which a distribution has a shape


@dataclass(frozen=True, slots=True)
class TimingRow:
    """One limit as a line of a table; ``tone`` as ``stands`` gives it."""

    name: str
    meaning: str
    measured: str
    allowed: str
    told: str
    tone: str


@dataclass(frozen=True, slots=True)
class TimingFigures:
    """Every limit as a line, where the limits come from, and a picture of those that the figures do not tell whole."""

    rows: tuple[TimingRow, ...]
    sources: tuple[str, ...]
    pictures: tuple[Histogram, ...]


def timing_figures(result: TimingResult) -> TimingFigures:
    """What a page shows of a timing check."""
    rows = tuple(_row(limit) for limit in result.limits if limit.histogram.total)
    worth = [limit for limit in result.limits if worth_a_picture(limit)]
    pictures = timing_histograms(result.model_copy(update={"limits": tuple(worth)}))
    return TimingFigures(rows, tuple(limit_sources(result.limits)), tuple(pictures))


def _row(limit: LimitResult) -> TimingRow:
    least, most = (f"{value:.0f}" if value is not None else "–" for value in (limit.min_ns, limit.max_ns))
    span = least if least == most else f"{least} to {most}"
    tone, told = stands(limit)
    measured = f"{span} ± {limit.uncertainty_ns:.0f}"
    return TimingRow(plain(limit.name), plain(limit.meaning), measured, allowed_words(limit), told, tone)


def allowed_words(limit: LimitResult) -> str:
    """``at least 100 ns``; empty where nothing is published."""
    if limit.limit_ns is None or limit.limit_is == "none":
        return ""
    return f"at {'least' if limit.limit_is == 'min' else 'most'} {limit.limit_ns:.0f}{NO_BREAK}ns"


def stands(limit: LimitResult) -> tuple[str, str]:
    """(tone, sentence); tone is ``none``, ``wrong``, ``unsure`` or ``good``.

    A time on the wrong side of its limit by no more than the sampling leaves open is neither kept nor violated.
    """
    if limit.limit_ns is None or limit.limit_is == "none":
        return "none", "no published limit"
    if limit.violated:
        return "wrong", f"violated in {count(limit.violated)} of {count(limit.count)}"
    if not limit.resolvable:
        rate = f"; {limit.rate_needed_hz / 1e6:.0f}{NO_BREAK}MHz would tell" if limit.rate_needed_hz else ""
        return "unsure", f"cannot be told at this sample rate{rate}"
    if limit.margin_ns is None:
        return "good", "kept"
    margin = f"{limit.margin_ns:.0f}{NO_BREAK}ns"
    if limit.margin_ns < 0:
        left = f"±{NO_BREAK}{limit.uncertainty_ns:.0f}{NO_BREAK}ns"
        return "unsure", f"at the limit: {margin} is within what the sampling leaves open ({left})"
    return "good", f"kept, margin {margin}"


def worth_a_picture(limit: LimitResult) -> bool:
    """Whether a drawing shows more than the figures: the limit lies in the distribution or near it, and that has a
    shape."""
    if limit.limit_ns is None or sum(1 for number in limit.histogram.counts if number) < _LEAST_BINS:
        return False
    near = limit.margin_ns is not None and limit.margin_ns < limit.uncertainty_ns
    return bool(limit.violated) or near


def limit_sources(limits: Sequence[LimitResult]) -> list[str]:
    """Where the limits come from, each source once."""
    return list(dict.fromkeys(limit.source for limit in limits if limit.source and limit.limit_ns is not None))
