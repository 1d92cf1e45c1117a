"""Finding the clock or the strobes, the address latch and the direction among unnamed channels, and the data lines.

Every likely choice of channels is tried; the one whose cycles behave most like memory is taken (``memory.py``).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busledger.decoder.wiring.memory import NOTHING, Memory, memory_of
from busledger.decoder.wiring.ordering import carry_order
from busledger.decoder.wiring.traffic import (
    Bits,
    Cycles2D,
    Ints,
    Table,
    cycles_of,
    latched,
    packed,
    regularity,
    spans_of,
)
from busledger.decoder.wiring.wanted import Wanted

__all__ = ["Controls", "find_clock", "find_controls"]

Named = tuple[int, float, str]
_FEWEST_SPANS = 32
_MOST_CYCLES = 120_000
_SAMPLE_CYCLES = 30_000
_KEY_BITS = 60
_STEADY = 0.002  # an address line of a tight loop comes near 0.02
_CLOCK = 0.1  # a clock may be stretched now and then
_MOVES_RARELY = 0.004
_SURE_CONFIRMED = 6
_LONGEST_WRITES = 16  # cycles, on average


@dataclass(frozen=True, slots=True)
class Controls:
    """``lines``: line → (channel, confidence, reason). ``cycles``: their ``address`` is what to look for addresses in.

    ``writes``: bool (cycles,). ``data``: the data channels; ``taken``: channels that are neither address nor data.
    """

    lines: dict[str, Named]
    cycles: Cycles2D
    writes: Bits
    data: tuple[int, ...]
    taken: frozenset[int]
    memory: Memory
    worth: float
    covered: float
    exact: bool

    def better_than(self, other: Controls) -> bool:
        """Of two readings worth about as much the one whose cycles hold more of what the data lines do: it does not
        take a request that ends with the strobes for data."""
        if 0.5 * other.worth < self.worth < 2.0 * other.worth:
            return self.covered > other.covered
        return self.worth > other.worth


@dataclass(frozen=True, slots=True)
class _Frame:
    """One way to cut cycles: spans (rows) in order of time, which of them are writes (None: a direction line says),
    and the channels that it uses."""

    first: Ints
    end: Ints
    writes: Bits | None
    roles: tuple[tuple[str, int], ...]
    active: Bits


def find_clock(table: Table, taken: set[int]) -> Named | None:
    """(channel, confidence, reason) of the most regular channel; None if nothing is regular."""
    judged = [(c, *regularity(table, c)) for c in range(table.channels) if c not in taken]
    steady = [(spread, -edges, c) for c, edges, spread in judged if spread < 0.1]
    if not steady:
        return None
    spread, edges, channel = min(steady)
    others = [s for s, less, c in steady if c != channel and s <= spread + 0.01 and less < 0.5 * edges]
    return channel, 0.98 if not others else 0.8, f"{-edges} periods, {100 * (1 - spread):.1f} % of them alike"


def find_controls(table: Table, wanted: Wanted) -> Controls | None:
    """The choice of strobes, latch and direction that behaves most like memory; None if nothing cuts any cycles.

    Without a write that is read again the direction stays open; with a clock the cycles are known all the same.
    """
    regular = {c: regularity(table, c) for c in range(table.channels)}
    regular = {c: told for c, told in regular.items() if told[0] >= _FEWEST_SPANS}
    steady = {c for c, (_, spread) in regular.items() if spread < _STEADY}
    clocks = {c for c, (_, spread) in regular.items() if spread < _CLOCK}
    best: Controls | None = None
    second = 0.0
    for frame in _frames(table, wanted, steady, clocks):
        found = _settle(table, wanted, frame, steady)
        if found is None:
            continue
        if best is None or _rank(found) > _rank(best):
            second = max(second, best.worth if best is not None else 0.0)
            best = found
        else:
            second = max(second, found.worth)
    if best is None or (best.memory.confirmed == 0 and wanted.clock is None):
        return None
    return _whole(table, wanted, _doubted(best, wanted, second), steady)


def _rank(found: Controls) -> tuple[float, float]:
    """Worth first; of frames worth about as much the longest, for a part of each cycle explains them nearly as well."""
    worth = found.worth if found.exact else float(round(math.log2(found.worth + 0.1)))
    return worth, float((found.cycles.stop - found.cycles.start).sum())


def _doubted(best: Controls, wanted: Wanted, second: float) -> Controls:
    """Confidences lowered where another choice explains nearly as much."""
    memory = best.memory
    clear = second < 0.5 * best.worth and memory.confirmed > 0.15 * memory.broken
    most = 0.98 if clear and memory.confirmed >= _SURE_CONFIRMED else 0.7
    if len(best.cycles.middle[0]) - len(best.lines) < len({*wanted.address, *wanted.data}):
        # Some address lines are not clipped: what looks like one address may be several.
        most = min(most, 0.85)
    lines = {line: (c, min(conf, most), why) for line, (c, conf, why) in best.lines.items()}
    return replace(best, lines=lines)


def _frames(table: Table, wanted: Wanted, steady: set[int], clocks: set[int]) -> Iterator[_Frame]:
    """Every likely way to cut the capture into cycles."""
    if wanted.direction is not None:
        line = wanted.clock or wanted.frame
        candidates = clocks if wanted.clock is not None else _pulsing(table, str(line), wanted, set())
        for channel in candidates:
            active = table.active(channel, line in wanted.active_low)
            first, end = spans_of(table, active)
            if len(first) >= _FEWEST_SPANS:
                yield _Frame(first, end, None, ((str(line), channel),), active)
        return
    read, write = wanted.reads[0], wanted.writes[0]
    readers = [c for c in _pulsing(table, read, wanted, steady) if _data_moves(table, wanted, c, read, steady)]
    for reads in readers:
        for writes in _pulsing(table, write, wanted, steady):
            on, also = (table.active(c, n in wanted.active_low) for c, n in ((reads, read), (writes, write)))
            if reads == writes or (on & also).mean() > 0.02 * min(on.mean(), also.mean()):
                continue
            yield _strobes(table, ((read, reads, on, False), (write, writes, also, True)))


def _strobes(table: Table, strobes: Sequence[tuple[str, int, Bits, bool]]) -> _Frame:
    parts = [(*spans_of(table, active), writes) for _, _, active, writes in strobes]
    first, end = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    flags = np.concatenate([np.full(len(part[0]), part[2]) for part in parts])
    order = np.argsort(first, kind="stable")
    active = np.logical_or.reduce([s[2] for s in strobes])
    return _Frame(first[order], end[order], flags[order], tuple((s[0], s[1]) for s in strobes), active)


def _pulsing(table: Table, line: str, wanted: Wanted, steady: set[int]) -> list[int]:
    return [
        c
        for c in range(table.channels)
        if c not in steady
        and 0 < (active := table.active(c, line in wanted.active_low)).mean() < 0.8
        and len(spans_of(table, active)[0]) >= _FEWEST_SPANS
    ]


def _data_moves(table: Table, wanted: Wanted, channel: int, line: str, steady: set[int]) -> bool:
    """Whether enough channels move inside the spans of a channel for it to be a read strobe."""
    first, end = spans_of(table, table.active(channel, line in wanted.active_low))
    cycles = cycles_of(table, first[:_SAMPLE_CYCLES], end[:_SAMPLE_CYCLES])
    return len(_data_channels(cycles, slice(None), {channel, *steady}, len(wanted.data))) >= len(wanted.data) // 2


def _data_channels(cycles: Cycles2D, reads: slice | Bits, taken: set[int], width: int) -> tuple[int, ...]:
    """The channels that move inside reads and then show either level, most often first; at most ``width``."""
    if not len(cycles.inside[reads]):
        return ()
    share, shown = cycles.inside[reads].mean(axis=0), cycles.end[reads].mean(axis=0)
    share[(shown < 0.002) | (shown > 0.998)] = 0.0
    return tuple(int(c) for c in np.argsort(-share) if c not in taken and share[c] > _MOVES_RARELY)[:width]


def _settle(table: Table, wanted: Wanted, frame: _Frame, steady: set[int]) -> Controls | None:
    """The best latch and direction for one way to cut cycles."""
    some = slice(0, _SAMPLE_CYCLES)
    plain = cycles_of(table, frame.first[some], frame.end[some])
    used = {c for _, c in frame.roles}
    best: Controls | None = None
    for latch in _latches(table, wanted, frame, plain, used | steady):
        cycles, roles = plain, list(frame.roles)
        if latch is not None:
            cycles = replace(
                plain, address=latched(table, plain, table.active(latch, wanted.latch in wanted.active_low))
            )
            roles.append((str(wanted.latch), latch))
        for direction, writes in _directions(cycles, wanted, frame, used | steady):
            taken = {c for _, c in roles} | steady | ({direction} if direction is not None else set())
            data = _data_channels(cycles, ~writes, taken, len(wanted.data))
            memory = _memory(cycles, data, writes, taken, wanted)
            # Where data is read too early or too late some of its lines do not show.
            covered = _covered(table, frame, data)
            worth = memory.worth * (len(data) / len(wanted.data)) ** 2 * covered**2
            if best is None or worth > best.worth:
                named = [*roles, *([(wanted.direction, direction)] if direction is not None else [])]
                lines = {str(n): (c, 0.98, _why(n, wanted, len(cycles), memory)) for n, c in named}
                exact = wanted.frame is None
                best = Controls(lines, cycles, writes, data, frozenset(taken), memory, worth, covered, exact)
    return best


def _covered(table: Table, frame: _Frame, data: tuple[int, ...]) -> float:
    """The share of the data lines' changes that lies inside the cycles.

    The selects of two banks look like strobes of a memory too, but most of the traffic passes them by.
    """
    first, end = frame.first[:_SAMPLE_CYCLES], frame.end[:_SAMPLE_CYCLES]
    inside = everywhere = 0
    for channel in data:
        moved = table.moved[:, channel]
        inside += int((moved[end] - moved[first]).sum())
        everywhere += int(moved[end[-1]] - moved[first[0]])
    return inside / max(everywhere, 1)


def _why(line: str | None, wanted: Wanted, cycles: int, memory: Memory) -> str:
    if line == wanted.latch:
        return f"pulses before each of {cycles} cycles, and the data lines then tell their addresses"
    if line == wanted.direction or line in wanted.writes:
        return f"at {memory.confirmed:.0f} addresses what it writes is read again"
    return f"cuts {cycles} cycles in which data comes"


def _directions(cycles: Cycles2D, wanted: Wanted, frame: _Frame, used: set[int]) -> Iterator[tuple[int | None, Bits]]:
    if frame.writes is not None:
        yield None, frame.writes[: len(cycles)]
        return
    still = cycles.inside.mean(axis=0) < 0.02
    # A line that takes carries is an address bit.
    free = frozenset(int(c) for c in np.flatnonzero(still) if c not in used)
    chain = carry_order(cycles.address, np.zeros(len(cycles), bool), [free] * 8)
    used = used | {channel for channel, seen, second in chain if seen > 5 + 2 * second}
    for channel in range(cycles.middle.shape[1]):
        level = cycles.middle[:, channel]
        writes = level if wanted.direction in wanted.active_low else ~level
        if channel not in used and still[channel] and 0.0 < writes.mean() < 0.8 and _comes_and_goes(writes):
            yield channel, writes
    yield None, np.zeros(len(cycles), bool)


def _comes_and_goes(writes: Bits) -> bool:
    """No processor writes long without a read between; an interrupt line is low long."""
    begins = np.count_nonzero(writes[1:] & ~writes[:-1]) + int(writes[0])
    return bool(np.count_nonzero(writes) <= _LONGEST_WRITES * begins)


def _latches(table: Table, wanted: Wanted, frame: _Frame, cycles: Cycles2D, taken: set[int]) -> list[int] | list[None]:
    """Channels that pulse between any two cycles and never inside one; [None] where the bus needs none."""
    if not any(wanted.latched):
        return [None]
    found = []
    for channel in range(table.channels):
        active = table.active(channel, wanted.latch in wanted.active_low)
        frames = {c for _, c in frame.roles}
        if channel in frames or not 0 < active.mean() < 0.6 or (active & frame.active).mean() > 0.02 * active.mean():
            continue
        ends = table.time[spans_of(table, active)[1]]
        if len(ends) < 0.9 * len(cycles):
            continue
        at = ends[np.maximum(np.searchsorted(ends, cycles.start, side="right") - 1, 0)]
        if (at[1:] > cycles.stop[:-1] - table.inset).mean() > 0.9:
            found.append(channel)
    return found


def _memory(cycles: Cycles2D, data: tuple[int, ...], writes: Bits, taken: set[int], wanted: Wanted) -> Memory:
    """How much like memory; lines that only say what kind of cycle it is are no part of an address."""
    if len(data) < len(wanted.data) // 2 or not writes.any() or writes.all():
        return NOTHING
    address = cycles.address
    out = taken if any(wanted.latched) else taken | set(data)
    # Strobes of single bytes move inside writes, and belong to what a value is found again by.
    still = np.ones(address.shape[1], bool) if any(wanted.latched) else cycles.inside.mean(axis=0) < 0.3
    moving = address.any(axis=0) & ~address.all(axis=0) & still
    key = [int(c) for c in np.flatnonzero(moving) if c not in out][:_KEY_BITS]
    share = address[writes].mean(axis=0)
    fixed = [c for c in key if not 0.001 < share[c] < 0.999]
    value = cycles.end[:, list(data)]
    rough, pairs = memory_of(packed(address, [c for c in key if c not in fixed]), value, writes)
    if not len(pairs):
        return rough
    same = (address[pairs[:, 0]] == address[pairs[:, 1]]).mean(axis=0)
    return memory_of(packed(address, [c for c in key if c not in fixed or same[c] > 0.5]), value, writes)[0]


def _whole(table: Table, wanted: Wanted, found: Controls, steady: set[int]) -> Controls:
    """The same for the whole capture, with the other strobes of the bus found by their relation to the first two."""
    line = wanted.clock or wanted.frame if wanted.direction is not None else None
    if line is not None:
        active = table.active(found.lines[line][0], line in wanted.active_low)
        frame = _Frame(*spans_of(table, active), None, (), active)
        more: dict[str, Named] = {}
    else:
        frame, more = _all_strobes(table, wanted, found, steady)
    cycles = cycles_of(table, frame.first[:_MOST_CYCLES], frame.end[:_MOST_CYCLES])
    if any(wanted.latched):
        latch = table.active(found.lines[str(wanted.latch)][0], wanted.latch in wanted.active_low)
        cycles = replace(cycles, address=latched(table, cycles, latch))
    writes = np.zeros(len(cycles), bool)
    if frame.writes is not None:
        writes = frame.writes[: len(cycles)]
    elif wanted.direction in found.lines:
        level = cycles.middle[:, found.lines[wanted.direction][0]]
        writes = level if wanted.direction in wanted.active_low else ~level
    taken = found.taken | {c for c, _, _ in more.values()}
    data = _data_channels(cycles, ~writes, set(taken), len(wanted.data))
    return replace(found, lines=found.lines | more, cycles=cycles, writes=writes, data=data, taken=taken)


def _all_strobes(table: Table, wanted: Wanted, found: Controls, steady: set[int]) -> tuple[_Frame, dict[str, Named]]:
    """Further read and write strobes: never together with those known, with data that comes in them, or is there."""
    known = [
        (n, found.lines[n][0], table.active(found.lines[n][0], n in wanted.active_low), n in wanted.writes)
        for n in (wanted.reads[0], wanted.writes[0])
    ]
    more: dict[str, Named] = {}
    for line, writes in [*((n, False) for n in wanted.reads[1:]), *((n, True) for n in wanted.writes[1:])]:
        busy = np.logical_or.reduce([active for _, _, active, _ in known])
        used = {c for _, c, _, _ in known} | set(found.taken) | set(found.data)
        fits = []
        for channel in (c for c in range(table.channels) if c not in used | steady):
            active = table.active(channel, line in wanted.active_low)
            first, end = spans_of(table, active)
            if len(first) < 8 or (active & busy).mean() > 0.05 * active.mean() or active.mean() > 0.7:
                continue
            cycles = cycles_of(table, first[:_SAMPLE_CYCLES], end[:_SAMPLE_CYCLES])
            moves = float(cycles.inside[:, list(found.data)].any(axis=1).mean())
            rest = np.delete(cycles.inside, [*found.data, *used], axis=1).any(axis=1).mean()
            if rest < 0.1 and (moves > 0.5) != writes and (not writes or moves < 0.1):
                fits.append((len(first), channel, active))
        if fits:
            count, channel, active = max(fits, key=lambda fit: fit[0])
            alone = sum(1 for fit in fits if fit[0] > 0.2 * count) == 1
            what = "data is there from its beginning" if writes else "data comes in each"
            more[line] = (channel, 0.93 if alone else 0.6, f"{count} pulses apart from the other strobes, {what}")
            known.append((line, channel, active, writes))
    return _strobes(table, known), more
