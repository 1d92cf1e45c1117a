"""The timing check's figures as histograms for the page."""

from __future__ import annotations

from busledger.decoder.checks import LimitResult, TimingResult
from busledger.decoder.report.plots import Histogram

__all__ = ["timing_histograms"]

_MOST_PICTURES = 6
_MOST_BINS = 60
_TAIL = 0.005  # share of the cycles that may be gathered in the last bar


def timing_histograms(result: TimingResult) -> list[Histogram]:
    """One picture a published limit that was measured, the smallest margin first."""
    limits = [limit for limit in result.limits if limit.limit_ns is not None and limit.histogram.total]
    limits.sort(key=lambda limit: limit.margin_ns if limit.margin_ns is not None else float("inf"))
    return [_histogram(limit) for limit in limits[:_MOST_PICTURES]]


def _histogram(limit: LimitResult) -> Histogram:
    """Bins of one sample, joined until they can be told apart; the last bar holds all above."""
    found = limit.histogram
    counts = list(found.counts)
    while len(counts) > 2 and sum(counts[-2:]) <= _TAIL * found.total:
        counts[-2:] = [sum(counts[-2:])]
    width = -(-len(counts) // _MOST_BINS)
    joined = [sum(counts[k : k + width]) for k in range(0, len(counts), width)]
    first = (found.first_bin - 0.5) * found.bin_ns
    edges = tuple(first + k * width * found.bin_ns for k in range(len(joined) + 1))
    margin = "" if limit.margin_ns is None else f", margin {limit.margin_ns:.0f} ns"
    if limit.margin_ns is not None and limit.margin_ns < 0 and not limit.violated:
        margin = ", at the limit"  # as the table says it: neither kept nor violated
    title = f"{limit.name}: {limit.meaning}{margin} (± {limit.uncertainty_ns:.3g} ns)"
    least, most = (limit.limit_ns if limit.limit_is == kind else None for kind in ("min", "max"))
    return Histogram(title, edges, tuple(joined), least_ns=least, most_ns=most)
