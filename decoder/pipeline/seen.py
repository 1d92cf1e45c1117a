"""What a capture shows of a card that no file describes yet: regions, kinds, mirrors, and which channel selects which.

A beginning for a board file, not a finding: a region that nothing touched is not seen, one that was only partly
used looks smaller, and memory that nobody wrote looks like a ROM.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import WRITE_KINDS, Cycles, Kind
from busledger.decoder.capture import Signal, open_capture
from busledger.decoder.checks import skew_of
from busledger.decoder.errors import CaptureError
from busledger.decoder.ledger import SPACES, TrafficMap
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import open_run
from busledger.decoder.progress import Progress, silent
from busledger.decoder.wiring import canonical

__all__ = ["SeenCard", "SeenRegion", "seen_card"]

MOST_CYCLES = 2_000_000
_ROM_GAP, _ROM_LEAST = 1024, 16  # cells: holes that programs leave, and fewer are no memory
_PORT_GAP = 4
_SAME_CELLS, _SAME_VALUES = 32, 8  # cells and different values that are no accident
_SURE = 0.99
_LEAST_ACCESSES = 8
Span = tuple[str, int, int, str, str]
"""Space, start, end (inclusive), kind, name."""
_NOT_MEMORY = (Kind.IDLE, Kind.REFRESH, Kind.HALT, Kind.INT_ACK)


@dataclass(frozen=True, slots=True)
class SeenRegion:
    """``select``: the channel's index among the capture's signals; ``mirror_of``: the region whose cells it shows."""

    name: str
    start: int
    end: int
    kind: str
    space: str
    accesses: int
    select: int | None = None
    select_level: int = 0
    mirror_of: str | None = None


@dataclass(frozen=True, slots=True)
class SeenCard:
    """``wiring``: line → channel, for lines whose channel does not match by its name."""

    bus: str
    regions: tuple[SeenRegion, ...]
    wiring: dict[str, str]
    signals: tuple[Signal, ...]
    loose: tuple[tuple[str, int], ...] = ()  # (space, address) of what lies in no region


@dataclass
class _Traffic:
    """Time, key (space << 32 | address), data and whether written, of every access so far."""

    rule_space: NDArray[np.int64]
    data_mask: np.uint32
    time: list[NDArray[np.int64]] = field(default_factory=list)
    key: list[NDArray[np.int64]] = field(default_factory=list)
    data: list[NDArray[np.int64]] = field(default_factory=list)
    write: list[NDArray[np.bool_]] = field(default_factory=list)
    count: int = 0

    def feed(self, cycles: Cycles) -> None:
        room = MOST_CYCLES - self.count
        sure = (cycles.address_unknown == 0) & ~np.isin(cycles.kind, _NOT_MEMORY)
        kept = cycles.take(sure).slice(0, max(0, room)) if room > 0 else Cycles.empty()
        self.time.append(kept.time)
        self.key.append((self.rule_space[kept.rule] << 32) | kept.address.astype(np.int64))
        self.data.append(np.where(kept.data_unknown & self.data_mask == 0, kept.data.astype(np.int64), -1))
        self.write.append(np.isin(kept.kind, WRITE_KINDS))
        self.count += len(kept)


def seen_card(request: Request, progress: Progress = silent) -> SeenCard:
    """Regions and selects out of the traffic of ``request.capture`` (at most two million accesses).

    Raises
    ------
    BusledgerError
        as ``open_run``; CaptureError where no memory is seen at all.
    """
    run = open_run(request, progress)
    try:
        spaces = tuple(run.profile.space(rule) for rule in range(len(run.profile.rules)))
        codes = np.array([SPACES.index(space) for space in spaces], np.int64)
        traffic = _Traffic(codes, np.uint32((1 << run.profile.data_bits) - 1))
        marks = TrafficMap(spaces)
        for block in run.blocks():
            traffic.feed(block.cycles)
            marks.feed(block.cycles)
        signals, used = run.file.header.signals, set(run.wiring.lines.values())
        wiring = {
            line: signals[index].name
            for line, index in run.wiring.lines.items()
            if line not in canonical(signals[index].name)
        }
        skew = max(1, skew_of(run.grid_ticks, run.tick_fs))
    finally:
        run.file.close()
    time, key = np.concatenate(traffic.time), np.concatenate(traffic.key)
    data, write = np.concatenate(traffic.data), np.concatenate(traffic.write)
    spans = _spans(key, write, marks)
    if not spans:
        raise CaptureError("no memory is seen in this capture", where=str(request.capture),
                           hint="Record while the machine tests its memory.")  # fmt: skip
    loose = [index for index in range(len(signals)) if index not in used]
    selects = _selects(request, loose, time, key, skew) if request.stdin is None else []
    for number, one in enumerate(selects):
        spans, selects[number] = _parted(spans, one, key)
    spans = _named(spans)
    owner = np.full(len(key), -1, np.int64)
    for number, (space, start, end, _, _) in enumerate(spans):
        base = SPACES.index(space) << 32
        owner[(key >= base + start) & (key <= base + end)] = number
    by_place = {(one.space, one.start, one.end): (one.signal, one.level) for one in selects}
    mirrors = _mirrors(spans, key, data, owner)
    regions = []
    for n, (space, start, end, kind, name) in enumerate(spans):
        signal, level = by_place.get((space, start, end), (None, 0))
        count = int((owner == n).sum())
        regions.append(SeenRegion(name, start, end, kind, space, count, signal, level, mirrors.get(n)))
    outside = np.unique(key[owner < 0])[:8]
    return SeenCard(
        run.profile.name, tuple(regions), wiring, signals,
        tuple((SPACES[int(one) >> 32], int(one) & 0xFFFFFFFF) for one in outside),
    )  # fmt: skip


def _spans(key: NDArray[np.int64], write: NDArray[np.bool_], marks: TrafficMap) -> list[Span]:
    """Regions without names; none overlap."""
    found = [(run.space, run.start, run.end, "ram") for run in marks.runs()]
    written = np.unique(key[write])
    cells = np.unique(key)
    for code, space in enumerate(SPACES):
        here = cells[cells >> 32 == code] & 0xFFFFFFFF
        for _, start, end, _ in [span for span in found if span[0] == space]:
            here = here[(here < start) | (here > end)]
        if space != "io":
            here = here[~np.isin(here | code << 32, written)]
        gap, least, kind = (_PORT_GAP, 1, "io") if space == "io" else (_ROM_GAP, _ROM_LEAST, "rom")
        for part in np.split(here, np.flatnonzero(np.diff(here) > gap) + 1):
            if part.size < least:
                continue
            low, high = int(part[0]), int(part[-1])
            found.append((space, *_rounded(low, high, [s for s in found if s[0] == space]), kind))
    return [(*span, "") for span in found]


def _rounded(low: int, high: int, others: Sequence[tuple[str, int, int, str]]) -> tuple[int, int]:
    """The aligned power of two that holds both, if it meets no other region; else the span itself."""
    size = 1
    while low // size != high // size:
        size *= 2
    start = low // size * size
    end = start + size - 1
    if any(first <= end and last >= start for _, first, last, _ in others):
        return low, high
    return start, end


def _mirrors(
    spans: Sequence[Span],
    key: NDArray[np.int64],
    data: NDArray[np.int64],
    owner: NDArray[np.int64],
) -> dict[int, str]:
    """Region number → name of an earlier one of its size that held the same in the same cells at the end."""
    last: list[dict[int, int]] = []
    for number, (_, start, _, _, _) in enumerate(spans):
        mine = (owner == number) & (data >= 0)
        offset = (key[mine] & 0xFFFFFFFF) - start
        last.append(dict(zip(offset.tolist(), data[mine].tolist(), strict=True)))
    found: dict[int, str] = {}
    for number, (space, start, end, kind, _) in enumerate(spans):
        for earlier in range(number):
            other = spans[earlier]
            if kind == "io" or earlier in found or (other[0], other[2] - other[1]) != (space, end - start):
                continue
            both = last[number].keys() & last[earlier].keys()
            same = [last[number][at] for at in both if last[number][at] == last[earlier][at]]
            if len(both) >= _SAME_CELLS and len(same) == len(both) and len(set(same)) >= _SAME_VALUES:
                found[number] = other[4]
                break
    return found


@dataclass(frozen=True, slots=True)
class _Select:
    """A loose channel that is at ``level`` in all accesses of one block of addresses, and in no others."""

    signal: int
    level: int
    space: str
    start: int
    end: int


def _parted(spans: list[Span], select: _Select, key: NDArray[np.int64]) -> tuple[list[Span], _Select]:
    """``spans`` with a region of its own for the block that a select answers for, and the select with that block.

    Where nothing was accessed beside the block, the block takes the rest of its region.
    """
    made: list[Span] = []
    for span in spans:
        space, start, end, kind, name = span
        if space != select.space or not (start <= select.start and select.end <= end):
            made.append(span)
            continue
        base = SPACES.index(space) << 32
        if not ((key >= base + start) & (key < base + select.start)).any():
            select = replace(select, start=start)
        if not ((key > base + select.end) & (key <= base + end)).any():
            select = replace(select, end=end)
        made.append((space, select.start, select.end, kind, name))
        if select.start > start:
            made.append((space, start, select.start - 1, kind, name))
        if select.end < end:
            made.append((space, select.end + 1, end, kind, name))
    return made, select


def _named(spans: list[Span]) -> list[Span]:
    """In the order of spaces and addresses: bank0, bank1 …, rom0 …, port0 …"""
    names: dict[str, int] = {}
    made = []
    for space, start, end, kind, _ in sorted(spans, key=lambda span: (SPACES.index(span[0]), span[1])):
        stem = {"ram": "bank", "rom": "rom", "io": "port"}[kind]
        made.append((space, start, end, kind, f"{stem}{names.setdefault(stem, 0)}"))
        names[stem] += 1
    return made


def _selects(
    request: Request, loose: Sequence[int], time: NDArray[np.int64], key: NDArray[np.int64], skew: int
) -> list[_Select]:
    """Loose channels that select one aligned block of addresses each, as far as the accesses tell."""
    if not loose or not len(time):
        return []
    shown = _levels_at(request, loose, time - skew)
    found: list[_Select] = []
    for k, index in enumerate(loose):
        for level in (0, 1):
            active = shown[k] == level
            if not _LEAST_ACCESSES <= active.sum() <= len(time) - _LEAST_ACCESSES:
                continue
            often = np.unique(key[active], return_counts=True)
            cells = often[0][often[1] >= max(1, int((1 - _SURE) * active.sum()) // 50)]
            code = int(cells[0]) >> 32
            if (cells >> 32 != code).any():
                continue
            start, end = _rounded(int(cells[0]) & 0xFFFFFFFF, int(cells[-1]) & 0xFFFFFFFF, [])
            inside = (key >= (code << 32) + start) & (key <= (code << 32) + end)
            if active[inside].mean() >= _SURE and (shown[k, ~inside] == 1 - level).mean() >= _SURE:
                found.append(_Select(index, level, SPACES[code], start, end))
    return found


def _levels_at(request: Request, loose: Sequence[int], moments: NDArray[np.int64]) -> NDArray[np.int8]:
    """int8, shape (channels, moments): 0, 1, or -1 for unknown, of each channel at each moment (ticks, rising)."""
    shown = np.full((len(loose), len(moments)), -1, np.int8)
    with open_capture(**request.opening) as file:
        done = 0
        last = np.full(len(loose), -1, np.int8)
        for block in file.blocks(loose):
            upto = int(np.searchsorted(moments, block.time[-1], side="left"))
            row = np.searchsorted(block.time, moments[done:upto], side="right") - 1
            for k in range(len(loose)):
                word, bit = k // 64, np.uint64(k % 64)
                level = (block.levels[:, word] >> bit & np.uint64(1)).astype(np.int8)
                level[(block.unknown[:, word] >> bit & np.uint64(1)) == 1] = -1
                shown[k, done:upto] = np.where(row >= 0, level[np.maximum(row, 0)], last[k])
                last[k] = level[-1]
            done = upto
        shown[:, done:] = last[:, None]
    return shown
