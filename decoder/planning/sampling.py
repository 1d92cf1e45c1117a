"""How fast to sample, and how long the analyser's depth lasts.

What must not be missed is the narrowest of two kinds of window that the bus's
data sheet promises: a strobe's least width, and the time that data hold still
around the edge at which they count (set-up and hold together). Four samples in
it are comfortable, two the least with channels that are skewed against each
other by up to one sample (common practice).
"""

from __future__ import annotations

from typing import Literal

from decoder.bus import Profile
from pydantic import BaseModel, ConfigDict

__all__ = ["COMFORTABLE", "LEAST", "SamplingNeed", "sampling_needs"]

COMFORTABLE, LEAST = 4, 2  # samples in the narrowest window


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


def sampling_needs(profile: Profile, rate_hz: float) -> tuple[SamplingNeed, ...]:
    """One entry for every grade of the profile that gives a window."""
    found = []
    for grade in profile.grades:
        windows = []
        for width in (limit for limit in grade.limits if limit.measure == "strobe-width" and limit.min):
            windows.append((float(width.min or 0), f"{width.symbol}, {width.meaning}", width.doubtful, width.source))
        for setup in (limit for limit in grade.limits if limit.measure == "data-setup" and limit.min):
            hold = next(
                (h for h in grade.limits
                 if h.measure == "data-hold" and h.min is not None and h.strobe in (setup.strobe, None)), None
            )  # fmt: skip
            both = float(setup.min or 0) + (float(hold.min or 0) if hold else 0.0)
            name = f"{setup.symbol} + {hold.symbol}" if hold else setup.symbol
            doubt = setup.doubtful or (hold is not None and hold.doubtful)
            windows.append((both, f"{name}, read data hold still", doubt, setup.source))
        if windows:
            width_ns, name, doubtful, source = min(windows)
            found.append(_need(grade.name, name, width_ns, doubtful, source or grade.source, rate_hz))
    return tuple(found)


def _need(grade: str, window: str, width_ns: float, doubtful: bool, source: str, rate_hz: float) -> SamplingNeed:
    samples = rate_hz * width_ns * 1e-9
    verdict: Literal["comfortable", "tight", "too slow"] = "too slow"
    if samples >= COMFORTABLE:
        verdict = "comfortable"
    elif samples >= LEAST:
        verdict = "tight"
    return SamplingNeed(
        grade=grade,
        window=window,
        window_ns=width_ns,
        least_hz=LEAST / (width_ns * 1e-9),
        comfortable_hz=COMFORTABLE / (width_ns * 1e-9),
        samples_in_window=samples,
        verdict=verdict,
        doubtful=doubtful,
        source=source,
    )
