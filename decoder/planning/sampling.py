"""How fast to sample, and how long the analyser's depth lasts.

What must not be missed is the narrowest of two kinds of window that the bus's
data sheet promises: a strobe's least width, and the time that data hold still
around the edge at which they count (set-up and hold together). Four samples in
the narrowest are comfortable (common practice). The least is two in a strobe
(one lost to the skew between channels leaves one) and one among the data that hold still.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

from pydantic import BaseModel, ConfigDict

from busledger.decoder.bus import Profile
from busledger.decoder.bus.schema import Grade

__all__ = ["COMFORTABLE", "LEAST_IN_DATA", "LEAST_IN_STROBE", "SamplingNeed", "sampling_needs"]

COMFORTABLE, LEAST_IN_STROBE, LEAST_IN_DATA = 4, 2, 1  # samples in a window


class SamplingNeed(BaseModel):
    """What one speed grade asks of the analyser. ``doubtful``: the source's figure is not sure."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    grade: str
    window: str
    window_ns: float
    least_hz: float
    comfortable_hz: float
    samples_in_window: float
    verdict: Literal["comfortable", "tight", "too slow"]
    doubtful: bool = False
    source: str = ""


class _Window(NamedTuple):
    """Nanoseconds first, so that the least of several is the narrowest."""

    ns: float
    name: str
    least: int
    doubtful: bool
    source: str


def sampling_needs(profile: Profile, rate_hz: float) -> tuple[SamplingNeed, ...]:
    """One entry for every grade of the profile that gives a window."""
    return tuple(_need(grade, found, rate_hz) for grade in profile.grades if (found := _windows(grade)))


def _windows(grade: Grade) -> list[_Window]:
    found = []
    for limit in grade.limits:
        source = limit.source or grade.source
        if limit.measure == "strobe-width" and limit.min:
            name = f"{limit.symbol}, {limit.meaning}"
            found.append(_Window(limit.min, name, LEAST_IN_STROBE, limit.doubtful, source))
        elif limit.measure == "data-setup" and limit.min:
            hold = next(
                (h for h in grade.limits if h.measure == "data-hold" and h.min is not None
                 and h.strobe in (limit.strobe, None)), None
            )  # fmt: skip
            name = f"{limit.symbol} + {hold.symbol}" if hold is not None else limit.symbol
            width = limit.min + (hold.min or 0.0 if hold is not None else 0.0)
            doubtful = limit.doubtful or (hold is not None and hold.doubtful)
            found.append(_Window(width, f"{name}, read data hold still", LEAST_IN_DATA, doubtful, source))
    return found


def _need(grade: Grade, windows: list[_Window], rate_hz: float) -> SamplingNeed:
    narrowest = min(windows)
    least = max(w.least / (w.ns * 1e-9) for w in windows)
    comfortable = COMFORTABLE / (narrowest.ns * 1e-9)
    verdict: Literal["comfortable", "tight", "too slow"] = "too slow"
    if rate_hz >= comfortable * (1 - 1e-9):
        verdict = "comfortable"
    elif rate_hz >= least * (1 - 1e-9):
        verdict = "tight"
    return SamplingNeed(
        grade=grade.name,
        window=narrowest.name,
        window_ns=narrowest.ns,
        least_hz=least,
        comfortable_hz=comfortable,
        samples_in_window=rate_hz * narrowest.ns * 1e-9,
        verdict=verdict,
        doubtful=narrowest.doubtful,
        source=narrowest.source,
    )
