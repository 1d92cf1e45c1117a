"""The lines that remain once strobes, direction and data lines are found: order of bits, companions, selects."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass

import numpy as np

from busledger.decoder.wiring.companions import Row, companions, kinds_of_read, selects
from busledger.decoder.wiring.controls import Controls
from busledger.decoder.wiring.foretold import Order, Witness, best_order, confidence, witnesses
from busledger.decoder.wiring.ordering import Link, carry_order
from busledger.decoder.wiring.traffic import Bits, Table, packed
from busledger.decoder.wiring.wanted import Wanted

__all__ = ["Settled", "settle_lines"]

Entry = tuple[int, float, str, tuple[int, ...]]  # channel, confidence, reason, rivals
_STRONG = 0.95
_NAMED = 0.75
_LIKELY = 0.6
_OPEN = 0.5
_SELECT = 0.88
_FOLLOW = 0.25


@dataclass(frozen=True, slots=True)
class Settled:
    """``rows``: (channel, line, confidence, reason, rivals)."""

    rows: tuple[Row, ...]
    selects: tuple[int, ...]


def settle_lines(table: Table, found: Controls, wanted: Wanted) -> Settled:
    """Names for everything that ``found`` leaves open."""
    rows: list[Row] = [(c, line, conf, why, ()) for line, (c, conf, why) in found.lines.items()]
    # What goes with the strobes is no surer than they are; a clock cuts the same cycles whatever the direction is.
    strobes = [conf for line, (_, conf, _) in found.lines.items() if line in (*wanted.reads, *wanted.writes)]
    trust = min(strobes, default=1.0)
    beside = companions(table, found, wanted)
    rows += [(c, line, min(conf, trust), why, rivals) for c, line, conf, why, rivals in beside]
    used = {row[0] for row in rows} | set(found.taken) | set(found.data)
    address = found.cycles.address
    moving = np.asarray(address.any(axis=0) & ~address.all(axis=0))
    free = [c for c in range(table.channels) if c not in used and moving[c]]
    chain = carry_order(address, found.writes, _allowed(found, wanted, free))
    kinds = kinds_of_read(found, wanted, free, [link[0] for link in chain[:6]])
    rows += kinds
    free = [c for c in free if c not in {row[0] for row in kinds}]
    if kinds:
        chain = carry_order(address, found.writes, _allowed(found, wanted, free))
    bits = _Bits(found, wanted, free, chain)
    rows += bits.rows()
    chosen = selects(address, [c for c in free if c not in {row[0] for row in rows}], free)
    return Settled((*rows, *_rest(rows, found, wanted, [c for c in free if c not in chosen])), chosen)


def _allowed(found: Controls, wanted: Wanted, free: Sequence[int]) -> list[Set[int]]:
    """For each address bit that counts up the channels that it may be: data channels where the bus shares lines."""
    data, others = frozenset(found.data), frozenset(free)
    return [data if line in wanted.data else others for line in wanted.address[wanted.first_step :]]


class _Bits:
    """Address and data bits by carries, and by operands that turn up as addresses."""

    def __init__(self, found: Controls, wanted: Wanted, free: Sequence[int], chain: Sequence[Link]) -> None:
        self.found, self.wanted, self.free = found, wanted, free
        self.width = len(wanted.data)
        self.line = dict(enumerate(wanted.address, wanted.lowest))
        self.address: dict[int, Entry] = {}
        self.data: dict[int, Entry] = {}
        self._carries(chain)
        strong = {bit: entry[0] for bit, entry in self.address.items() if entry[1] >= _STRONG}
        levels = found.cycles.address
        steps = packed(levels, [strong[bit] for bit in sorted(strong)])
        rest = packed(levels, [c for c in free if c not in strong.values()][:60])
        self.events = witnesses(steps, rest, packed(found.cycles.end, list(found.data)))
        if set(wanted.data) & set(wanted.address):
            self._shared()
        else:
            self._data()
        self._high()

    def rows(self) -> list[Row]:
        """Rows of all bits that have a channel; a channel and a line stand in one row only."""
        made: list[Row] = [(e[0], self.line[bit], round(e[1], 3), *e[2:]) for bit, e in self.address.items()]
        taken = {row[1] for row in made}
        made += [
            (e[0], self.wanted.data[bit], round(e[1], 3), *e[2:])
            for bit, e in self.data.items()
            if self.wanted.data[bit] not in taken
        ]
        return made

    def _carries(self, chain: Sequence[Link]) -> None:
        value = packed(self.found.cycles.address, [link[0] for link in chain])
        follow = ((value[1:] - value[:-1]) & (1 << len(chain)) - 1) == 1
        # Where few cycles follow each other by one, the chain may begin at the wrong bit.
        sure = 0.99 if len(follow) and follow.mean() > _FOLLOW else 0.45
        for bit, (channel, seen, second) in zip(list(self.line)[self.wanted.first_step :], chain, strict=False):
            sure = min(sure, confidence(seen, second))
            why = f"takes the carry of the bits below it {seen} times" if self.address else f"steps alone {seen} times"
            self.address[bit] = (channel, sure, why, ())

    def _shared(self) -> None:
        """A line that carries an address bit and a data bit is known by the first."""
        names = {entry[0]: self.line[bit] for bit, entry in self.address.items()}
        for bit, line in enumerate(self.wanted.data):
            for at, entry in self.address.items():
                if names[entry[0]] == line and self.line[at] == line:
                    self.data[bit] = entry

    def _data(self) -> None:
        """Data bits by the low address bits that they foretell."""
        pool = list(self.found.data)
        low = {bit: (pool, [e[0]]) for bit, e in self.address.items() if bit < self.width and e[1] >= _LIKELY}
        if len(pool) < len(low) or len(low) < 3:
            return
        # A data bit is no surer than the address bit that it is known by.
        order = best_order(self.found.cycles.end, self.found.cycles.address, self.events, low)
        weakest = {bit: self.address[bit][1] for bit in low}
        self._enter(self.data, order, "its byte turns up as the low address byte", weakest)
        missing = [bit for bit in range(self.width) if bit not in self.data]
        left = [c for c in pool if c not in {entry[0] for entry in self.data.values()}]
        if len(missing) == len(left) == 1 and all(entry[1] >= _NAMED for entry in self.data.values()):
            self.data[missing[0]] = (left[0], 0.85, "the only data line left", ())

    def _high(self) -> None:
        """Address bits that carries leave open, by data bits that foretell them: with the low byte, or next to it."""
        known = {bit: entry[0] for bit, entry in self.data.items() if entry[1] >= _OPEN}
        both = {bit: c for bit, c in known.items() if bit in self.address and self.address[bit][1] >= _LIKELY}
        data, address = self.found.cycles.end, self.found.cycles.address
        events = [_showing(data, address, event, both, self.address) for event in self.events] if both else []
        for base in (0, self.width):
            fixed = {entry[0] for entry in self.address.values() if entry[1] >= _STRONG}
            lines = set(self.wanted.data)
            pool = [c for c in self.free if c not in fixed]
            asked = {
                base + bit: ([c], pool)
                for bit, c in known.items()
                if base + bit in self.line
                and self.line[base + bit] not in lines
                and (base + bit not in self.address or self.address[base + bit][1] < _STRONG)
            }
            near = events if base == 0 else _next_to(events)
            # With channels over, or lines not clipped, a select may stand in for an address bit.
            most = 0.99 if len(self.free) == len(self.line) else _SELECT
            weakest = {base + bit: min(most, self.data[bit][1]) for bit in known}
            if asked and len(pool) > 1 and near:
                order = best_order(data, address, near, asked)
                self._enter(self.address, order, "foretold by the byte read for it", weakest)

    def _enter(
        self,
        entries: dict[int, Entry],
        order: Order,
        why: str,
        most: Mapping[int, float],
    ) -> None:
        """Add what an order tells to what is known; two mechanisms that agree strengthen each other."""
        for bit, place in order.places.items():
            channel, seen, sure = place.channel, place.events, min(0.99, most[bit], place.sure)
            rivals = (place.rival,) if place.rival >= 0 and sure < 0.9 else ()
            before = entries.get(bit)
            if before is None or (before[0] != channel and sure > before[1]):
                entries[bit] = (channel, sure if before is None else min(sure, 0.7), f"{why}, {seen} times", rivals)
            elif before[0] == channel:
                both = min(0.99, 1 - 2 * (1 - before[1]) * (1 - sure)) if sure > 0.5 else before[1]
                entries[bit] = (channel, max(both, before[1]), f"{before[2]}; {why}, {seen} times", ())
        # A channel stands for one bit: the surer one.
        for bit, entry in list(entries.items()):
            if any(e[0] == entry[0] and (e[1], -b) > (entry[1], -bit) for b, e in entries.items() if b != bit):
                del entries[bit]


def _next_to(events: Sequence[Witness]) -> list[Witness]:
    """The same addresses with the bytes read just before and just after: ``events[n]`` have a lag of n + 1."""
    near = []
    for lag, event in enumerate(events, 1):
        for other in (lag - 1, lag + 1):
            now = event.now[event.now >= other]
            if other > 0:
                near.append(Witness(now, now - other))
    return near


def _showing(
    data: Bits,
    address: Bits,
    event: Witness,
    both: Mapping[int, int],
    known: Mapping[int, Entry],
) -> Witness:
    """The events whose low byte is the one that was read."""
    agree = np.ones(len(event.now), bool)
    for bit, channel in both.items():
        agree &= data[event.then, channel] == address[event.now, known[bit][0]]
    return event.take(agree)


def _rest(rows: Sequence[Row], found: Controls, wanted: Wanted, free: Sequence[int]) -> list[Row]:
    """Channels and lines that nothing tells apart, in any order, each with its rivals."""
    names, used = {row[1] for row in rows}, {row[0] for row in rows}
    made = _any_order([c for c in found.data if c not in used], [n for n in wanted.data if n not in names])
    lines = [n for n in wanted.address if n not in names and n not in wanted.data]
    return made + _any_order([c for c in free if c not in used and c not in found.data], lines)


def _any_order(channels: Sequence[int], lines: Sequence[str]) -> list[Row]:
    """A lone pair belongs together."""
    if len(channels) == 1 and len(lines) == 1:
        return [(channels[0], lines[0], 0.8, "the only one left", ())]
    share = round(1 / max(2, len(channels), len(lines)), 3)
    return [
        (channel, line, share, "one of those left", tuple(c for c in channels if c != channel))
        for channel, line in zip(channels, lines, strict=False)
    ]
