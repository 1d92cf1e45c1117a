"""What a source of a watch gives: captures, one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from busledger.decoder.capture import LivePlace, LiveSource

__all__ = ["Coming", "Source"]


@dataclass
class Coming:
    """A capture that begins, or goes on where an earlier process left it (``place``).

    ``day_s``: the time of day at which it began, None where it begins now; ``stamp``: its last time stamp, where that
    is when ``day_s`` was; ``torn``: the same capture as before, after bytes were lost.
    """

    name: str
    bytes: LiveSource
    place: LivePlace | None = None
    day_s: float | None = None
    stamp: int | None = None
    torn: bool = False
    resumed: bool = False


class Source(Protocol):
    """``next`` gives one capture after the other; ``over`` says why no more will come.

    ``live``: it comes as the bus runs, and cannot wait for long; ``many``: its captures need not be of one sampler.
    """

    live: bool
    many: bool
    over: str

    def next(self) -> Coming | None:
        """The next capture, None where none is there yet (after a short wait)."""

    def done(self) -> None:
        """The capture that was given last has been read, as far as it can be."""

    def waiting(self) -> int:
        """Bytes that have come and were not read."""

    def quiet_s(self) -> float:
        """Seconds since anything came."""

    def news(self) -> list[tuple[str, str]]:
        """(event, sentence) of what has happened to the source since the last call."""

    def state(self, place: LivePlace | None) -> dict[str, Any]:
        """What a later process must know to go on; ``place``: in the capture that is being read."""

    def saved(self, state: dict[str, Any]) -> None:
        """``state`` is on the disk: what came before it is needed no more."""

    def close(self) -> None:
        """Let go."""
