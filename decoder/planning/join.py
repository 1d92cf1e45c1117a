"""One capture out of several passes of the same run, each with other lines clipped.

The first pass keeps its own time. Every other pass is paired with it cycle by
cycle (``align``); the lines that only the other pass has are moved to the first
pass's time, stretch by stretch between paired sampling edges, so that each
keeps its place against the strobes. Where cycles have no partner those lines
are unknown: a stretch that does not agree is left out, never invented.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.bus import WRITE_KINDS, Cycles, Kind
from busledger.decoder.capture import Capture
from busledger.decoder.errors import UsageError
from busledger.decoder.planning.alignment import Alignment, align, comparable

__all__ = ["JoinResult", "JoinedLine", "JoinedPass", "LeftOut", "Pass", "join_passes"]

UNKNOWN = 2


@dataclass(frozen=True, slots=True)
class Pass:
    """One decoded pass.

    ``lines[k]`` is bit k of ``levels``, ``channels`` what a line is called in the
    capture where its name does not tell the line; ``address_bits`` and ``data_bits`` are
    masks of the bus bits that this pass carries.
    """

    path: str
    levels: Capture
    lines: tuple[str, ...]
    cycles: Cycles
    address_bits: int
    data_bits: int
    channels: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JoinedLine:
    """A line of the joined capture: from which pass, when it changed (ticks of the first pass), to what.

    ``values`` uint8: 0 low, 1 high, 2 unknown.
    """

    name: str
    source: int
    times: NDArray[np.int64]
    values: NDArray[np.uint8]


class _Finding(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LeftOut(_Finding):
    """A span of the first pass without a partner in another; seconds from the capture's start."""

    start_s: float
    end_s: float
    cycles: int


class JoinedPass(_Finding):
    """How one pass went in. ``share`` is of the first pass's cycles within the span both cover."""

    path: str
    lines: tuple[str, ...]
    shared_lines: tuple[str, ...] = ()
    cycles: int
    paired: int
    share: float
    inserted: int = 0
    left_out: tuple[LeftOut, ...] = ()


class JoinResult(_Finding):
    """What was joined, how well the passes agree, and what the joined capture can be trusted for."""

    schema_: Literal["busledger.join/1"] = Field(default="busledger.join/1", alias="schema")
    out: str
    cycles: int
    joined: int
    share: float
    passes: tuple[JoinedPass, ...]
    cautions: tuple[str, ...]

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


@dataclass(frozen=True, slots=True)
class Joined:
    """The lines of the joined capture and the account of how they came together."""

    lines: tuple[JoinedLine, ...]
    passes: tuple[JoinedPass, ...]
    cycles: int
    joined: int


def join_passes(passes: Sequence[Pass]) -> Joined:
    """Join two or more passes on the first one's time.

    Raises
    ------
    UsageError
        fewer than two passes, or one that adds no line.
    """
    if len(passes) < 2:
        raise UsageError("one capture alone cannot be joined", expected="two or more passes of the same run")
    first = passes[0]
    lines = [JoinedLine(name, 0, *_changes(first.levels, k)) for k, name in enumerate(first.lines)]
    own = _transfers(first.cycles)
    report = [_first_report(first, own)]
    whole = np.ones(len(own), np.bool_)
    taken = set(first.lines)
    for number, other in enumerate(passes[1:], start=1):
        new = [name for name in other.lines if name not in taken]
        taken.update(new)
        theirs = _transfers(other.cycles)
        shared = tuple(name for name in other.lines if name in first.lines)
        masks = first.address_bits & other.address_bits, first.data_bits & other.data_bits
        pairing = align(_asked(own, *masks), _asked(theirs, *masks))
        mapping = _Mapping.between(first, own, other, theirs, pairing)
        for name in new:
            times, values = _changes(other.levels, other.lines.index(name))
            lines.append(JoinedLine(name, number, *mapping.move(times, values)))
        report.append(_report(first, own, other, theirs, pairing, tuple(new), shared))
        paired = np.zeros(len(own), np.bool_)
        paired[pairing.first] = True
        whole &= paired
    return Joined(tuple(lines), tuple(report), len(own), int(whole.sum()))


def _asked(cycles: Cycles, address: int, data: int) -> NDArray[np.int64]:
    """What the program did: what memory answered differs between runs, for contents at power-on or for the fault."""
    rows = comparable(cycles, address, data)
    rows[~np.isin(cycles.kind, WRITE_KINDS), 3:] = 0
    return rows


def _transfers(cycles: Cycles) -> Cycles:
    return cycles.take((cycles.kind != Kind.IDLE) & (cycles.kind != Kind.REFRESH))


def _changes(levels: Capture, bit: int) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """When one line changed, and to 0, 1 or UNKNOWN."""
    word, place = divmod(bit, 64)
    shift = np.uint64(place)
    value = ((levels.levels[:, word] >> shift) & np.uint64(1)).astype(np.uint8)
    lost = ((levels.unknown[:, word] >> shift) & np.uint64(1)).astype(np.bool_)
    value[lost] = UNKNOWN
    changed = np.ones(len(value), np.bool_)
    changed[1:] = value[1:] != value[:-1]
    return levels.time[changed], value[changed]


@dataclass(frozen=True, slots=True)
class _Mapping:
    """From another pass's time to the first one's: spans ``begin2 < t <= end2`` that move to ``begin1 … end1``.

    All int64 ticks of the respective pass, rising; spans do not overlap.
    """

    begin2: NDArray[np.int64]
    end2: NDArray[np.int64]
    begin1: NDArray[np.int64]
    end1: NDArray[np.int64]

    @classmethod
    def between(cls, first: Pass, own: Cycles, other: Pass, theirs: Cycles, pairing: Alignment) -> _Mapping:
        """A span a paired cycle: from the cycle before it (or half of it, where that has no partner) to its edge."""
        rate = other.levels.tick_fs / first.levels.tick_fs
        i, j = pairing.first, pairing.second
        t1, t2 = own.time[i], theirs.time[j]
        if not len(i):
            none = np.zeros(0, np.int64)
            return cls(none, none, none, none)
        follows = np.zeros(len(i), np.bool_)
        follows[1:] = (np.diff(i) == 1) & (np.diff(j) == 1)
        gap1 = t1 - np.where(i > 0, own.time[i - 1], t1 - np.int64(1_000_000))
        gap2 = t2 - np.where(j > 0, theirs.time[j - 1], t2 - np.int64(1_000_000))
        room = np.minimum(gap1, (gap2 * rate).astype(np.int64))
        if not follows.all():
            usual = int(np.median(room))
            room = np.minimum(room, 4 * usual)
        begin1 = np.maximum(np.where(follows, np.concatenate([[0], t1[:-1]]), t1 - room // 2), 0)
        begin2 = np.where(follows, np.concatenate([[0], t2[:-1]]), t2 - ((room // 2) / rate).astype(np.int64))
        # The hold time after a stretch's last edge belongs to it: half of what follows, as far as both have it.
        ends = np.flatnonzero(~np.concatenate([follows[1:], [False]]))
        tail = (room[ends] // 4).astype(np.int64)
        at = ends + 1
        return cls(
            np.insert(begin2, at, t2[ends]),
            np.insert(t2, at, t2[ends] + (tail / rate).astype(np.int64)),
            np.insert(begin1, at, t1[ends]),
            np.insert(t1, at, t1[ends] + tail),
        )

    def move(self, times: NDArray[np.int64], values: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """A line's changes on the first pass's time; unknown outside the spans."""
        if not len(self.end2) or not len(times):
            return np.zeros(1, np.int64), np.full(1, UNKNOWN, np.uint8)
        span = np.searchsorted(self.end2, times, side="left")
        inside = span < len(self.end2)
        inside[inside] &= times[inside] > self.begin2[span[inside]]
        s, t = span[inside], times[inside]
        scale = (self.end1[s] - self.begin1[s]) / np.maximum(1, self.end2[s] - self.begin2[s])
        moved = self.end1[s] - np.rint((self.end2[s] - t) * scale).astype(np.int64)
        # A change after the begin stays after it, so that it cannot pass the strobe edge there.
        moved = np.maximum(moved, self.begin1[s] + 1)
        # At every span's begin the level that held there; between spans nothing is known.
        held = np.searchsorted(times, self.begin2, side="right") - 1
        start_values = np.where(held >= 0, values[np.maximum(held, 0)], UNKNOWN).astype(np.uint8)
        joined = np.zeros(len(self.begin1), np.bool_)
        joined[:-1] = self.begin1[1:] <= self.end1[:-1]
        all_times = np.concatenate([[0], self.begin1, moved, self.end1[~joined] + 1])
        all_values = np.concatenate(
            [[UNKNOWN], start_values, values[inside], np.full(int((~joined).sum()), UNKNOWN, np.uint8)]
        )
        order = np.argsort(all_times, kind="stable")
        return _tidy(all_times[order].astype(np.int64), all_values[order].astype(np.uint8))


def _tidy(times: NDArray[np.int64], values: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """One value a time (the last given), and only where it changes."""
    last = np.ones(len(times), np.bool_)
    last[:-1] = times[1:] != times[:-1]
    times, values = times[last], values[last]
    changed = np.ones(len(values), np.bool_)
    changed[1:] = values[1:] != values[:-1]
    return times[changed], values[changed]


def _first_report(first: Pass, own: Cycles) -> JoinedPass:
    return JoinedPass(path=first.path, lines=first.lines, cycles=len(own), paired=len(own), share=1.0)


def _report(
    first: Pass,
    own: Cycles,
    other: Pass,
    theirs: Cycles,
    pairing: Alignment,
    new: tuple[str, ...],
    shared: tuple[str, ...],
) -> JoinedPass:
    tick_s = first.levels.tick_fs * 1e-15
    paired = len(pairing.first)
    covered = int(pairing.first[-1] - pairing.first[0] + 1) if paired else len(own)
    spans = pairing.stretches()
    left = tuple(
        LeftOut(
            start_s=float(own.time[start] * tick_s),
            end_s=float(own.time[min(stop, len(own)) - 1] * tick_s),
            cycles=stop - start,
        )
        for start, stop in spans
    )
    inserted = int((np.diff(pairing.second) - 1).sum()) if paired else 0
    return JoinedPass(
        path=other.path,
        lines=new,
        shared_lines=shared,
        cycles=len(theirs),
        paired=paired,
        share=paired / max(1, covered),
        inserted=inserted,
        left_out=left,
    )
