"""The lines that remain once strobes, direction and data lines are found: selects, order of bits, companions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.wiring.controls import Controls, find_clock
from decoder.wiring.ordering import Operands, carry_order, correlation, is_clear, leads, operands
from decoder.wiring.traffic import Bits, Table, packed, spans_of

__all__ = ["Settled", "settle_lines"]

Row = tuple[int, str, float, str, tuple[int, ...]]
Scores = NDArray[np.float64]
_SURE_LOW_BITS = 6
_MANY_VOTES = 150
_MANY_PAIRS = 4


@dataclass(frozen=True, slots=True)
class Settled:
    """``rows``: (channel, line, confidence, reason, rivals)."""

    rows: tuple[Row, ...]
    selects: tuple[int, ...]


def settle_lines(
    table: Table,
    found: Controls,
    address: Sequence[str],
    data: Sequence[str],
    others: Mapping[str, str | None],
    active_low: frozenset[str],
) -> Settled:
    """Names for everything that ``found`` leaves open; ``others`` maps a companion's role to its line."""
    rows: list[Row] = [(c, line, conf, why, ()) for line, (c, conf, why) in found.lines.items()]
    taken = {row[0] for row in rows} | set(found.data)
    companions = _companions(table, found, taken, others, active_low)
    rows += companions
    taken |= {row[0] for row in companions}
    middle = found.cycles.middle
    moving = np.asarray(middle.any(axis=0) & ~middle.all(axis=0))
    free = [c for c in range(table.channels) if c not in taken and moving[c]]
    order = carry_order(middle, found.writes, free[:60])
    placed = _carries(order, address)
    low = [row[0] for row in placed[:_SURE_LOW_BITS]]
    selects = _selects(middle, [c for c in free if c not in {r[0] for r in placed}], free)
    fetches = _fetch(found, others.get("fetch"), active_low, free, low, {r[0] for r in placed})
    selects = tuple(c for c in selects if c not in {r[0] for r in fetches})
    rows += placed + fetches
    loose = [c for c in free if c not in {r[0] for r in rows} and c not in selects]
    rows += _bytes_on_the_bus(found, placed, loose, address, data)
    return Settled(tuple(rows), selects)


def _active(table: Table, channel: int, line: str, active_low: frozenset[str]) -> Bits:
    return ~table.high[:, channel] if line in active_low else table.high[:, channel]


def _companions(
    table: Table, found: Controls, taken: set[int], others: Mapping[str, str | None], active_low: frozenset[str]
) -> list[Row]:
    """The clock, the memory and I/O requests and refresh, by their relation to the strobes."""
    rows: list[Row] = []
    used = set(taken)
    clock, request, io, refresh = (others.get(k) for k in ("clock", "request", "io_request", "refresh"))
    if clock is not None and (guess := find_clock(table, used)) is not None:
        rows.append((guess[0], clock, guess[1], guess[2], ()))
        used.add(guess[0])
    free = [c for c in range(table.channels) if c not in used]
    middle = found.cycles.middle
    covered = np.zeros(len(middle), bool)
    if request is not None:
        on: dict[int, Bits] = {c: np.asarray(~middle[:, c] if request in active_low else middle[:, c]) for c in free}
        pulses = {c: len(spans_of(table, _active(table, c, request, active_low))[0]) for c in free}
        fit = sorted(((float(on[c].mean()), c) for c in free if pulses[c] >= 0.8 * len(middle)), reverse=True)
        if fit and fit[0][0] > 0.8:
            second = fit[1][0] if len(fit) > 1 else 0.0
            share, channel = fit[0]
            covered = on[channel]
            why = f"asserted in {100 * share:.1f} % of the cycles and pulses with each"
            rows.append((channel, request, 0.97 if share - second > 0.1 else 0.7, why, ()))
            free.remove(channel)
    if io is not None and covered.any() and not covered.all():
        asked: dict[int, Bits] = {c: (~middle[:, c] if io in active_low else middle[:, c]) for c in free}
        fit = [(float(asked[c][~covered].mean()), c) for c in free if not asked[c][covered].any()]
        if fit and max(fit)[0] > 0.9:
            why = f"asserted in the {int((~covered).sum())} cycles without {request}"
            rows.append((max(fit)[1], io, 0.95 if sum(f[0] > 0.9 for f in fit) == 1 else 0.6, why, ()))
            free.remove(max(fit)[1])
    if refresh is not None:
        never = [
            (len(spans_of(table, _active(table, c, refresh, active_low))[0]), c)
            for c in free
            if not (~middle[:, c] if refresh in active_low else middle[:, c]).any()
        ]
        if never and max(never)[0] >= 32:
            why = f"{max(never)[0]} pulses, all between cycles"
            rows.append((max(never)[1], refresh, 0.95 if sum(n[0] >= 32 for n in never) == 1 else 0.6, why, ()))
    return rows


def _carries(order: Sequence[tuple[int, int, int]], address: Sequence[str]) -> list[Row]:
    """Address bits as far as the carries are clear."""
    rows: list[Row] = []
    chain = 0.99
    for (channel, seen, second), line in zip(order, address, strict=False):
        if not is_clear(seen, second):
            break
        chain = min(chain, 1 - 0.5 * float(np.exp(-((seen - second) ** 2) / (seen + second + 1) / 2)))
        why = f"takes the carry of the bits below it {seen} times" if rows else f"steps alone {seen} times"
        rows.append((channel, line, round(chain, 3), why, ()))
    return rows


def _selects(middle: Bits, candidates: Sequence[int], known: Sequence[int]) -> tuple[int, ...]:
    """Channels that are low one at a time and follow from the others: chip selects."""
    lows = [c for c in candidates if 0.0 < (~middle[:, c]).mean() < 0.7]
    group: list[int] = []
    for channel in sorted(lows, key=lambda c: float((~middle[:, c]).mean())):
        if all(not (~middle[:, channel] & ~middle[:, other]).any() for other in group):
            group.append(channel)
    if len(group) < 2:
        return ()
    rest = [c for c in known if c not in group]
    key = packed(middle, rest[:60])
    _, inverse = np.unique(key, return_inverse=True)
    count = np.bincount(inverse)
    follows = []
    for channel in group:
        ones = np.bincount(inverse, weights=middle[:, channel])
        follows.append(float(np.minimum(ones, count - ones).sum()) / len(middle) < 0.001)
    return tuple(c for c, ok in zip(group, follows, strict=True) if ok)


def _fetch(
    found: Controls,
    fetch: str | None,
    active_low: frozenset[str],
    free: Sequence[int],
    low: Sequence[int],
    taken: set[int],
) -> list[Row]:
    """Opcode fetch: asserted in part of the reads, never in a write, and changing while only low address bits do."""
    if fetch is None or not low:
        return []
    middle = found.cycles.middle
    high = [c for c in free if c not in low]
    fits = []
    for channel in free:
        on = ~middle[:, channel] if fetch in active_low else middle[:, channel]
        if channel in taken or on[found.writes].any() or not 0.05 < float(np.mean(on[~found.writes])) < 0.95:
            continue
        others = [c for c in high if c != channel]
        near = ~(middle[1:][:, others] != middle[:-1][:, others]).any(axis=1)
        fits.append((float((on[1:] != on[:-1])[near].mean()) if near.any() else 0.0, channel))
    if not fits or max(fits)[0] < 0.1:
        return []
    rate, channel = max(fits)
    second = sorted(fits)[-2][0] if len(fits) > 1 else 0.0
    why = "in part of the reads, never in a write, and not by address"
    return [(channel, fetch, 0.95 if rate > 3 * second else 0.6, why, ())]


def _sure(errors: float, told: Operands) -> float:
    """Confidence of a lead of so many standard errors among about ten rivals.

    Few bytes, or few data lines that agree on them, never make it sure: a small program repeats its accidents.
    """
    most = 0.99 if told.votes >= _MANY_VOTES and len(told.pairs) >= _MANY_PAIRS else 0.8
    return round(min(most, 1 - 5 * float(np.exp(-(errors**2) / 2)) if errors > 2 else 0.3), 3)


def _bytes_on_the_bus(
    found: Controls, placed: Sequence[Row], loose: Sequence[int], address: Sequence[str], data: Sequence[str]
) -> list[Row]:
    """Data bits and the address bits still loose, by bytes that turn up as addresses; the rest in any order."""
    width = len(data)
    end, middle, channels = found.cycles.end, found.cycles.middle, list(found.data)
    label = {row[0]: n for n, row in enumerate(placed[:width])}
    told = operands(end, middle, list(label), channels)
    rows: list[Row] = [
        (channel, data[label[line]], _sure(lead, told), "its byte turns up as the low address byte", ())
        for channel, (line, lead) in told.pairs.items()
    ]
    if len(told.pairs) >= 3 and len(told.events) >= 12:
        rows += _loose_bits(found, told, loose, [*placed, *rows], address, data)
    names = {row[1] for row in rows} | {row[1] for row in placed}
    used = {row[0] for row in rows}
    rows += _any_order([c for c in channels if c not in used], [n for n in data if n not in names])
    rows += _any_order([c for c in loose if c not in used], [n for n in address if n not in names])
    return rows


def _loose_bits(
    found: Controls,
    told: Operands,
    loose: Sequence[int],
    rows: Sequence[Row],
    address: Sequence[str],
    data: Sequence[str],
) -> list[Row]:
    """Loose address channels, by the data channel that foretells them in cycles known to have an operand before them.

    The low byte is ``told.lag`` cycles before; the high byte next to it, before or after.
    """
    end, middle, width = found.cycles.end, found.cycles.middle, len(data)
    number = {row[0]: data.index(row[1]) for row in rows if row[1] in data}
    made: list[Row] = []
    open_low = [n for n in address[:width] if n not in {row[1] for row in rows}]
    channels = list(found.data)
    left = list(loose)
    high_lag = max(
        (lag for lag in (told.lag - 1, told.lag + 1) if lag > 0),
        key=lambda lag: float(_foretold(end, middle, told.events, lag, channels, left).max(axis=0, initial=0).sum()),
    )
    for lag, base in ((told.lag, 0), (high_lag, width)):
        score = _foretold(end, middle, told.events, lag, channels, left)
        for row, column, lead in leads(score, len(told.events)):
            channel, line = channels[row], left[column]
            if score[row, column] < 0.5 or lead < 2.5 or line in {m[0] for m in made}:
                continue
            conf = _sure(lead, told)
            if channel not in number:
                if base or not open_low:
                    continue
                number[channel] = address.index(open_low[0])
                conf = min(conf, 1 / len(open_low))
                open_low.pop(0)
                made.append((channel, data[number[channel]], conf, "goes with the address bit it foretells", ()))
            name = address[base + number[channel]] if base + number[channel] < len(address) else None
            if name is None or name in {m[1] for m in made} or name in {r[1] for r in rows}:
                continue
            made.append((line, name, conf, f"foretold by {data[number[channel]]} {lag} cycles before", ()))
    return made


def _foretold(
    end: Bits, middle: Bits, events: NDArray[np.int64], lag: int, channels: Sequence[int], lines: Sequence[int]
) -> Scores:
    now = events[events >= lag]
    if not len(now) or not lines:
        return np.zeros((len(channels), len(lines)))
    return correlation(end[now - lag][:, list(channels)], middle[now][:, list(lines)], np.ones(len(now)))


def _any_order(channels: Sequence[int], lines: Sequence[str]) -> list[Row]:
    """Channels and lines that nothing tells apart, in any order, each with its rivals; a lone pair belongs together."""
    if len(channels) == 1 and len(lines) == 1:
        return [(channels[0], lines[0], 0.8, "the only one left", ())]
    share = round(1 / max(2, len(channels), len(lines)), 3)
    return [
        (channel, line, share, "one of those left", tuple(c for c in channels if c != channel))
        for channel, line in zip(channels, lines, strict=False)
    ]
