"""Wrong reads as they come: each in one line, many at once in a line together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from busledger.decoder.board import Board
from busledger.decoder.durations import format_duration
from busledger.decoder.ledger import Verdict
from busledger.decoder.pipeline import Decoded
from busledger.decoder.watching.clock import day_text

__all__ = ["MOST_IN_A_BLOCK", "Failure", "Rest", "failures_in", "line_text"]

MOST_IN_A_BLOCK = 64
"""Wrong reads of one block (some tens of milliseconds) that have lines of their own."""


@dataclass(frozen=True)
class Failure:
    """One wrong read. ``number`` counts from 1 over the whole watch, ``tick`` and ``time_s`` on its joint clock."""

    number: int
    tick: int
    time_s: float
    day_s: float
    capture: str
    region: str
    address: int
    address_digits: int
    read: int
    expected: int
    data_digits: int
    lanes: tuple[str, ...]
    parts: tuple[str, ...]

    def line(self, so_far: str, kept: str | None) -> dict[str, Any]:
        """As the journal and JSON lines have it."""
        return {
            "event": "failure",
            "n": self.number,
            "day": _iso(self.day_s),
            "time_s": self.time_s,
            "tick": self.tick,
            "capture": self.capture,
            "region": self.region,
            "address": f"{self.address:0{self.address_digits}X}",
            "read": f"{self.read:0{self.data_digits}X}",
            "expected": f"{self.expected:0{self.data_digits}X}",
            "lanes": list(self.lanes),
            "parts": list(self.parts),
            "so_far": so_far,
            "kept": kept,
        }


@dataclass(frozen=True)
class Rest:
    """Wrong reads of a block beyond those that have lines of their own."""

    first: int
    last: int
    tick: int
    first_s: float
    last_s: float
    day_s: float
    capture: str
    lanes: tuple[str, ...]
    regions: tuple[str, ...]

    def line(self) -> dict[str, Any]:
        """As the journal and JSON lines have it."""
        return {
            "event": "failures",
            "n": self.last,
            "count": self.last - self.first + 1,
            "day": _iso(self.day_s),
            "time_s": self.first_s,
            "until_s": self.last_s,
            "tick": self.tick,
            "capture": self.capture,
            "regions": list(self.regions),
            "lanes": list(self.lanes),
        }


def failures_in(
    block: Decoded, before: int, board: Board, digits: tuple[int, int], tick_s: float, day0_s: float, capture: str,
    most: int = MOST_IN_A_BLOCK,
) -> Iterator[Failure | Rest]:  # fmt: skip
    """The wrong reads of a block in time order, numbered on from ``before``.

    ``digits``: of an address and of data, in hex; ``day0_s``: the time of day at tick 0; ``most``: lines of their own.
    """
    cycles, compared = block.cycles, block.compared
    rows = np.flatnonzero(compared.verdict == Verdict.MISMATCH)
    for count, row in enumerate(rows[:most].tolist(), 1):
        region = board.regions[int(cycles.region[row])]
        lanes = _lanes(int(compared.mismatch[row]))
        time_s = int(cycles.time[row]) * tick_s
        yield Failure(
            number=before + count,
            tick=int(cycles.time[row]),
            time_s=time_s,
            day_s=day0_s + time_s,
            capture=capture,
            region=region.name,
            address=int(cycles.address[row]),
            address_digits=digits[0],
            read=int(cycles.data[row]),
            expected=int(compared.expected[row]),
            data_digits=digits[1],
            lanes=tuple(f"D{lane}" for lane in lanes),
            parts=tuple(chip.designator for chip in region.chips if chip.designator and set(lanes) & set(chip.lanes)),
        )
    rest = rows[most:]
    if len(rest):
        mixed = int(np.bitwise_or.reduce(compared.mismatch[rest]))
        yield Rest(
            first=before + most + 1,
            last=before + len(rows),
            tick=int(cycles.time[rest[-1]]),
            first_s=int(cycles.time[rest[0]]) * tick_s,
            last_s=int(cycles.time[rest[-1]]) * tick_s,
            day_s=day0_s + int(cycles.time[rest[0]]) * tick_s,
            capture=capture,
            lanes=tuple(f"D{lane}" for lane in _lanes(mixed)),
            regions=tuple(board.regions[int(r)].name for r in np.unique(cycles.region[rest])),
        )


def line_text(line: dict[str, Any]) -> str:
    """A failure's line for people: time of day and of capture, address, lanes, part so far."""
    day = day_text(datetime.fromisoformat(line["day"]).timestamp())
    at = f"+{format_duration(round(line['time_s'] * 1e9) * 10**6)}"
    if line["event"] == "failures":
        where = ", ".join(line["regions"])
        return f"{day}  {at:>15}  and {line['count']} more wrong reads in {where}: {' '.join(line['lanes'])}"
    parts = ", ".join(line["parts"])
    so_far = line["so_far"] or (f"on {parts}" if parts else "")
    text = f"{day}  {at:>15}  {line['region']} {line['address']} read {line['read']}, expected {line['expected']}: "
    return text + " ".join(line["lanes"]) + (f"  ({so_far})" if so_far else "")


def _lanes(mask: int) -> list[int]:
    return [bit for bit in range(32) if mask >> bit & 1]


def _iso(day_s: float) -> str:
    return datetime.fromtimestamp(day_s).astimezone().isoformat(timespec="milliseconds")
