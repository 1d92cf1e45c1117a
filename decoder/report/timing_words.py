"""How a measured time stands to its published limit: the same words in text, page and browser."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busledger.decoder.checks import LimitResult, TimingResult
from busledger.decoder.diagnosis import saying
from busledger.decoder.report.numbers import NO_BREAK, count, lane_ranges
from busledger.decoder.report.plots import Histogram
from busledger.decoder.report.timing_plots import timing_histograms
from busledger.decoder.text import plain

__all__ = [
    "TimingFigures",
    "TimingRow",
    "allowed_words",
    "limit_names",
    "limit_sources",
    "limit_span",
    "limits_together",
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
    seen = [limit for limit in result.limits if limit.histogram.total]
    rows = tuple(_row(limits) for limits in limits_together(seen))
    worth = [limit for limit in result.limits if worth_a_picture(limit)]
    pictures = timing_histograms(result.model_copy(update={"limits": tuple(worth)}))
    return TimingFigures(rows, tuple(limit_sources(result.limits)), tuple(pictures))


def limits_together(limits: Sequence[LimitResult]) -> list[tuple[LimitResult, ...]]:
    """Times of several parts that have the same meaning and no published limit, together; every other one alone."""
    groups: dict[object, list[LimitResult]] = {}
    for number, limit in enumerate(limits):
        groups.setdefault(limit.meaning if not allowed_words(limit) else number, []).append(limit)
    return [tuple(mine) for mine in groups.values()]


def limit_names(limits: Sequence[LimitResult]) -> str:
    """``U1-U8 access`` for times of one meaning."""
    tails = {limit.name.partition(" ")[2] for limit in limits}
    if len(limits) == 1 or len(tails) > 1:
        return plain(", ".join(limit.name for limit in limits), 200)
    heads = sorted((limit.name.partition(" ")[0] for limit in limits), key=saying.number_in)
    return plain(f"{lane_ranges(heads)} {tails.pop()}".strip(), 200)


def limit_span(limits: Sequence[LimitResult]) -> tuple[float | None, float | None]:
    """The least and the most that were measured of any of them, in ns."""
    least = [limit.min_ns for limit in limits if limit.min_ns is not None]
    most = [limit.max_ns for limit in limits if limit.max_ns is not None]
    return min(least, default=None), max(most, default=None)


def _row(limits: Sequence[LimitResult]) -> TimingRow:
    limit = limits[0]
    least, most = (f"{value:.0f}" if value is not None else "–" for value in limit_span(limits))
    span = least if least == most else f"{least} to {most}"
    tone, told = stands(limit)
    measured = f"{span} ± {max(one.uncertainty_ns for one in limits):.0f}"
    return TimingRow(limit_names(limits), plain(limit.meaning), measured, allowed_words(limit), told, tone)


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
    if not limit.resolvable and not limit.violated:  # bars a sample wide, and the limit somewhere within one
        return False
    near = limit.margin_ns is not None and limit.margin_ns < limit.uncertainty_ns
    return bool(limit.violated) or near


def limit_sources(limits: Sequence[LimitResult]) -> list[str]:
    """Where the limits come from, each source once."""
    return list(dict.fromkeys(limit.source for limit in limits if limit.source and limit.limit_ns is not None))
