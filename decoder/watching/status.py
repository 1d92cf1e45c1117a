"""What a watch can say of itself at any moment: plain values, for a picture and for JSON lines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel, ConfigDict

from busledger.decoder.figures import count
from busledger.decoder.findings import CheckResult, WarningFinding

__all__ = ["Counts", "Status", "WatchFinding", "WatchResult"]

_MINUTES = 3 * 24 * 60  # that are kept apart; older ones go, with their sums


@dataclass
class Counts:
    """What is counted over all processes of a watch.

    ``minutes``: minute of the day's clock (seconds since 1970, divided by 60) → [wrong reads, reads compared].
    ``dropped_*``: whole blocks left out because the bus was faster.
    """

    failures: int = 0
    compared: int = 0
    captures: int = 0
    refused: int = 0
    elapsed_s: float = 0.0
    bus_s: float = 0.0
    bytes: int = 0
    dropped_blocks: int = 0
    dropped_rows: int = 0
    dropped_s: float = 0.0
    resumed: int = 0
    alarmed: bool = False
    minutes: dict[int, list[int]] = field(default_factory=dict)

    def count(self, minute: int, wrong: int, compared: int) -> None:
        """Reads of one block."""
        self.failures += wrong
        self.compared += compared
        entry = self.minutes.setdefault(minute, [0, 0])
        entry[0] += wrong
        entry[1] += compared
        while len(self.minutes) > _MINUTES:
            del self.minutes[next(iter(self.minutes))]


@dataclass(frozen=True)
class Status:
    """``pace``: seconds of bus decoded in a second of work; None where too little came. ``waiting``: bytes that have
    come and were not read; ``quiet_s``: since anything came; ``verdict``: the first line so far, ``would_settle``:
    what to do about it."""

    source: str
    counts: Counts
    elapsed_s: float
    pace: float | None
    rate_mb_s: float
    waiting: int
    quiet_s: float
    dropping: bool
    verdict: str
    probability: float | None
    would_settle: str
    events: tuple[str, ...]
    kept: int
    saved_s_ago: float | None

    def line(self) -> dict[str, Any]:
        """As JSON lines have it."""
        counts = self.counts
        return {
            "event": "status",
            "elapsed_s": round(self.elapsed_s, 3),
            "bus_s": counts.bus_s,
            "pace": None if self.pace is None else round(self.pace, 3),
            "waiting_bytes": self.waiting,
            "quiet_s": round(self.quiet_s, 1),
            "reads_compared": counts.compared,
            "failures": counts.failures,
            "captures": counts.captures,
            "dropped_blocks": counts.dropped_blocks,
            "dropped_s": counts.dropped_s,
            "verdict": self.verdict,
            "kept": self.kept,
        }


class WatchFinding(BaseModel):
    """How the answer came about. ``days``: (seconds of capture time, seconds since 1970) where each capture begins;
    ``minutes``: (minute since 1970, wrong reads, reads compared); ``weighed``: of ``accesses`` those that the
    suspects rest on."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: str
    ended: str
    elapsed_s: float
    bus_s: float
    captures: int
    refused: int
    resumed: int
    failures: int
    reads_compared: int
    dropped_blocks: int
    dropped_s: float
    accesses: int
    weighed: int
    kept: tuple[str, ...]
    days: tuple[tuple[float, float], ...]
    minutes: tuple[tuple[int, int, int], ...]


class WatchResult(CheckResult):
    """The result of ``check`` over everything that came, and how it came."""

    watch: WatchFinding

    @classmethod
    def of(cls, result: CheckResult, watch: WatchFinding) -> WatchResult:
        """``result`` with its story, and a warning where not all accesses could be kept for it."""
        fields: dict[str, Any] = {name: getattr(result, name) for name in type(result).model_fields}
        if watch.weighed < watch.accesses:
            text = (
                f"the suspects rest on {count(watch.weighed)} of {count(watch.accesses)} accesses, those around wrong "
                "reads first, so that their rates look higher than they are; counts of reads are of all that came"
            )
            told = WarningFinding(code="weighed-part", text=text)
            fields["capture"] = result.capture.model_copy(update={"warnings": (*result.capture.warnings, told)})
        return cls.model_construct(**fields, watch=watch)
