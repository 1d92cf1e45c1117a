"""Finding the clock, the strobes and the direction among unnamed channels, and the data lines with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from decoder.wiring.ordering import value_changes
from decoder.wiring.traffic import Bits, Cycles2D, Table, cycles_of, packed, regularity, spans_of

__all__ = ["Controls", "clocked_controls", "find_clock", "strobed_controls"]

_FEWEST_SPANS = 32
_MOST_CYCLES = 120_000
_SAMPLE_CYCLES = 60_000
_GLANCE_CYCLES = 4_000
_KEY_BITS = 60


@dataclass(frozen=True, slots=True)
class Controls:
    """``lines``: line → (channel, confidence, reason). ``writes``: bool (cycles,). ``data``: channel → confidence."""

    lines: Mapping[str, tuple[int, float, str]]
    cycles: Cycles2D
    writes: Bits
    data: Mapping[int, float]


def find_clock(table: Table, taken: set[int]) -> tuple[int, float, str] | None:
    """(channel, confidence, reason) of the most regular channel; None if nothing is regular."""
    judged = [(c, *regularity(table, c)) for c in range(table.channels) if c not in taken]
    steady = [(spread, -edges, c) for c, edges, spread in judged if spread < 0.1]
    if not steady:
        return None
    spread, edges, channel = min(steady)
    others = [s for s, less, c in steady if c != channel and s <= spread + 0.01 and less < 0.5 * edges]
    confidence = 0.98 if not others else 0.8
    return channel, confidence, f"{-edges} periods, {100 * (1 - spread):.1f} % of them alike"


def data_channels(inside: Bits, taken: set[int], wanted: int) -> dict[int, float]:
    """channel → confidence of the channels that move inside cycles, most often first, at most ``wanted``."""
    share = inside.mean(axis=0) if len(inside) else np.zeros(inside.shape[1])
    order = [int(c) for c in np.argsort(-share) if int(c) not in taken and share[c] > 0.004]
    chosen, rest = order[:wanted], order[wanted:]
    if not chosen:
        return {}
    least, next_one = float(share[chosen[-1]]), float(share[rest[0]]) if rest else 0.0
    gap = 0.98 if next_one < 0.25 * least else 0.75
    return dict.fromkeys(chosen, gap)


def write_score(cycles: Cycles2D, writes: Bits, data: list[int], taken: set[int]) -> tuple[float, int]:
    """(share of changed values that ``writes`` explains, less its share of all; how many values changed).

    An address met again shows another value only in a write, whatever the order of the bits.
    """
    still = ~cycles.inside.any(axis=0)
    moving = cycles.middle.any(axis=0) & ~cycles.middle.all(axis=0)
    mostly = cycles.inside.mean(axis=0) < 0.02
    key = [int(c) for c in np.flatnonzero((still | mostly) & moving) if c not in taken and c not in data]
    later, changed = value_changes(packed(cycles.middle, key[:_KEY_BITS]), cycles.end[:, data])
    counts = changed.sum(axis=0)
    shares = [float(writes[later[changed[:, bit]]].mean()) for bit in np.flatnonzero(counts >= 8)]
    if not shares:
        return 0.0, int(counts.sum())
    # The median over the bits: one faulty lane changes on reads too, and must not hide the rest.
    return float(np.median(shares) - writes.mean()), int(counts.max())


def clocked_controls(table: Table, clock: str, direction: str, width: int) -> Controls | None:
    """The clock, then what moves while it is high (data), then the direction; None without a clock."""
    found = find_clock(table, set())
    if found is None:
        return None
    first, end = spans_of(table, table.high[:, found[0]])
    cycles = cycles_of(table, first[:_MOST_CYCLES], end[:_MOST_CYCLES])
    data = data_channels(cycles.inside, {found[0]}, width)
    lines = {clock: found}
    tried = []
    for channel in range(table.channels):
        low = ~cycles.middle[:, channel]
        if channel == found[0] or channel in data or not 0.0 < low.mean() < 0.8:
            continue
        score, changes = write_score(cycles, low, list(data), {found[0], channel})
        tried.append((score, changes, channel))
    tried.sort(reverse=True)
    if tried and tried[0][0] > 0.3:
        score, changes, channel = tried[0]
        margin = score - (tried[1][0] if len(tried) > 1 else 0.0)
        reason = f"low in {100 * (score + (~cycles.middle[:, channel]).mean()):.0f} % of the {changes} changed values"
        lines[direction] = (channel, min(0.98, 0.55 + margin), reason)
        return Controls(lines, cycles, ~cycles.middle[:, channel], data)
    return Controls(lines, cycles, np.zeros(len(cycles), bool), data)


def strobed_controls(
    table: Table, read: str, write: str, active_low: Mapping[str, bool], width: int
) -> Controls | None:
    """The pair of strobes whose second one explains every changed value; None if no pair does."""
    states = {c: ~table.high[:, c] if active_low[read] else table.high[:, c] for c in range(table.channels)}
    clock = find_clock(table, set())
    ticking = set() if clock is None else {clock[0]}
    pulsing = [
        c
        for c, state in states.items()
        if c not in ticking and len(spans_of(table, state)[0]) >= _FEWEST_SPANS and state.mean() < 0.7
    ]
    tried = []
    for reads in pulsing:
        for writes in pulsing:
            overlap = (states[reads] & states[writes]).mean()
            if reads == writes or overlap > 0.02 * min(states[reads].mean(), states[writes].mean()):
                continue
            rated = _rate_pair(table, states, (reads, writes), ticking, width)
            if rated is not None:
                tried.append((*rated, reads, writes))
    if not tried:
        return None
    tried.sort(reverse=True)
    score, spans, reads, writes = tried[0]
    if score < 0.3:
        return None
    margin = score - max((t[0] for t in tried[1:] if t[2] != reads or t[3] != writes), default=0.0)
    cycles, is_write, data = _pair_cycles(table, states, (reads, writes), ticking, width, _MOST_CYCLES)
    confidence = min(0.97, 0.7 + margin)
    lines = {
        read: (reads, confidence, f"{spans} spans in which data comes after the strobe"),
        write: (writes, confidence, "explains the values that changed"),
    }
    return Controls(lines, cycles, is_write, data)


def _rate_pair(
    table: Table, states: Mapping[int, Bits], pair: tuple[int, int], ticking: set[int], width: int
) -> tuple[float, int] | None:
    cycles, is_write, data = _pair_cycles(table, states, pair, ticking, width, _GLANCE_CYCLES)
    if len(data) < width // 2:
        return None
    cycles, is_write, data = _pair_cycles(table, states, pair, ticking, width, _SAMPLE_CYCLES)
    if len(data) < width // 2 or not 0.0 < is_write.mean() < 0.8:
        return None
    score, _ = write_score(cycles, is_write, list(data), {*pair, *ticking})
    steady = float((cycles.inside.mean(axis=0) < 0.004).mean())
    return round(score * steady, 3), len(cycles)


def _pair_cycles(
    table: Table, states: Mapping[int, Bits], pair: tuple[int, int], ticking: set[int], width: int, most: int
) -> tuple[Cycles2D, Bits, dict[int, float]]:
    first, end = spans_of(table, states[pair[0]])
    more_first, more_end = spans_of(table, states[pair[1]])
    is_write = np.concatenate([np.zeros(len(first), bool), np.ones(len(more_first), bool)])
    first, end = np.concatenate([first, more_first]), np.concatenate([end, more_end])
    order = np.argsort(first, kind="stable")[:most]
    cycles = cycles_of(table, first[order], end[order])
    is_write = is_write[order]
    data = data_channels(cycles.inside[~is_write], {*pair, *ticking}, width)
    return cycles, is_write, data
