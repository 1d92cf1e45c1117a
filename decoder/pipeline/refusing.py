"""Captures of which nothing can be said, whoever asks: the lines themselves refuse them, or a clip was off."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busledger.decoder.checks import LostLine
from busledger.decoder.durations import format_duration, moment
from busledger.decoder.pipeline.gathered import Gathered

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import CannotJudge, Evidence

__all__ = ["lost_clip", "refused_capture"]

_DIGITS = 3


def refused_capture(gathered: Gathered, evidence: Evidence) -> CannotJudge | None:
    """Why the capture as a whole cannot be judged; None where it can."""
    from busledger.decoder.diagnosis import capture_verdict

    refused = capture_verdict(evidence)
    return refused if refused is not None or not gathered.lost else lost_clip(gathered.lost[0], evidence.tick_s)


def lost_clip(lost: LostLine, tick_s: float) -> CannotJudge:
    """The same for a clip that was off for a while, or from some moment on."""
    from busledger.decoder.diagnosis import CannotJudge

    first = int(lost.first * tick_s * 1e15)
    step = 10 ** max(0, len(str(first)) - _DIGITS)
    before = f"check what was recorded before, with --to {format_duration(first // step * step)}"
    return CannotJudge(
        "clip-off",
        lost.sentence(lambda tick: moment(tick * tick_s)),
        f"look at the clip on {lost.line}, put it back, and capture again; or {before}",
        fault="clip-off",
        lines=(lost.line,),
    )
