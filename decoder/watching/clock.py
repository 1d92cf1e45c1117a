"""Time of day beside a capture's own time, whatever the machine's clock does meanwhile."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

__all__ = ["Anchor", "DayClock", "day_text"]

_SET_S = 2.0
"""A step beyond this is somebody's hand (or a night without a network), not drift."""


@dataclass(frozen=True)
class Anchor:
    """``at_s``, seconds of the joint capture time, was ``day_s``, seconds since 1970 (UTC)."""

    at_s: float
    day_s: float


class DayClock:
    """Seconds since 1970 that never run backwards: the clock as it was at the start, carried on by the monotonic one.

    ``steps`` tells each time the machine's clock was set meanwhile, in seconds (negative = back); times go on
    undisturbed, and so does what was told before a restart (``not_before``).
    """

    def __init__(
        self,
        not_before: float = 0.0,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wall, self._steady = wall, steady
        now = wall()
        self.steps: list[float] = []
        if now < not_before - _SET_S:
            self.steps.append(now - not_before)
        self._origin = max(now, not_before) - steady()
        self._offset = now - (self._origin + steady())

    def now(self) -> float:
        """Seconds since 1970."""
        return self._origin + self._steady()

    def look(self) -> float | None:
        """The step by which the machine's clock was set since the last look; None where it was not."""
        offset = self._wall() - self.now()
        step = offset - self._offset
        if abs(step) < _SET_S:
            return None
        self._offset = offset
        self.steps.append(step)
        return step


def day_text(day_s: float, *, date: bool = False, places: int = 3) -> str:
    """Local time of day, ``21:14:03.512``, with the date before it where asked."""
    moment = datetime.fromtimestamp(day_s).astimezone()
    text = moment.strftime("%H:%M:%S") + (f".{moment.microsecond:06d}"[: places + 1] if places else "")
    return f"{moment:%Y-%m-%d} {text}" if date else text
