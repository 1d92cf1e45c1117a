"""Two wired sets held against each other: the same cycles seen twice, and what differs in them.

The two sides of a bus driver, or a processor and a device that takes its bus: what a set is does not matter, only
that both are recorded on one clock. Nothing is taken for granted: whether two sets show the same bus at all is
judged from how far the cycles that come at the same time agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.bus import KIND_NAMES, WRITE_KINDS
from decoder.checks.pairing import Window, pair_by_time, usual_interval, windows
from decoder.checks.set_results import AddressSpan, BetweenResult, LaneBetween, LineBetween
from decoder.checks.transfers import Transfers

__all__ = ["SetSide", "hold_together"]

_BITS = 32
_PAGES = 256
_SAME_BUS = 0.5  # share of the simultaneous cycles that must agree
_ADDRESS_BITS = 4  # fewer known on both sides say nothing of whether it is one bus
_DELAYS = 1 << 16  # pairs whose delay is looked at where addresses say nothing
_WRITES = np.array(WRITE_KINDS, np.uint8)


@dataclass(frozen=True)
class SetSide:
    """One set: its name, the width of its data, the address bits that channels give (a mask), its transfers."""

    name: str
    data_bits: int
    address: int
    transfers: Transfers


def hold_together(first: SetSide, second: SetSide, tick_s: float) -> BetweenResult:
    """Pair the transfers of two sets and count what differs. ``tick_s``: seconds a tick."""
    base: dict[str, Any] = {
        "first": first.name,
        "second": second.name,
        "first_cycles": len(first.transfers),
        "second_cycles": len(second.transfers),
    }
    if first.data_bits != second.data_bits:
        widths = f"{first.name} has {first.data_bits} data bits and {second.name} {second.data_bits}"
        return BetweenResult(**base, why_not=f"not compared: {widths}")
    steps = [usual_interval(block["time"]) for one in (first, second) for block in _beginning(one)]
    within = min((step for step in steps if step is not None), default=0) // 2
    tally = _Tally(first.address & second.address, first.address, second.address, first.data_bits)
    for window in windows(first.transfers.blocks(), second.transfers.blocks(), within):
        tally.add(window, within)
    return _result(tally, base, within, tick_s)


def _beginning(side: SetSide) -> list[NDArray[Any]]:
    return [next(side.transfers.blocks(1 << 20))] if len(side.transfers) else []


@dataclass
class _Tally:
    """What the pairs add up to. ``address``: mask of the bits that both sets see, the next two what each sees.

    ``levels[lane, write, a, b]`` counts words with level a on the first side and b on the second; ``words`` those with
    any known lane; ``differ[i]`` those that differ, straight (0) or with the second side inverted (1), ``pages`` and
    ``first_at`` the same by page of addresses and the first tick.
    """

    address: int
    first_address: int
    second_address: int
    data_bits: int
    matched: int = 0
    moved: int = 0
    outside: int = 0
    words: int = 0
    lines: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_BITS, np.int64))
    only: NDArray[np.int64] = field(default_factory=lambda: np.zeros((2, len(KIND_NAMES)), np.int64))
    levels: NDArray[np.int64] = field(default_factory=lambda: np.zeros((_BITS, 2, 2, 2), np.int64))
    differ: NDArray[np.int64] = field(default_factory=lambda: np.zeros(2, np.int64))
    pages: NDArray[np.int64] = field(default_factory=lambda: np.zeros((3, _PAGES), np.int64))
    first_at: list[int | None] = field(default_factory=lambda: [None, None])
    delays: list[NDArray[np.int64]] = field(default_factory=list)

    @property
    def page_shift(self) -> int:
        """Address bits within a page: 256 pages of what the better clipped side sees."""
        return max(0, max(self.first_address, self.second_address).bit_length() - 8)

    def add(self, window: Window, within: int) -> None:
        """Count one window."""
        writes = [np.isin(rows["kind"], _WRITES) for rows in (window.first, window.second)]
        alone = [window.own_first.copy(), window.own_second.copy()]
        for write in (False, True):
            rows = [np.flatnonzero(side == write) for side in writes]
            partner = pair_by_time(window.first["time"][rows[0]], window.second["time"][rows[1]], within)
            mine, theirs = rows[0][partner >= 0], rows[1][partner[partner >= 0]]
            alone[0][mine] = False
            alone[1][theirs] = False
            own = window.own_first[mine]
            self._pairs(window.first[mine[own]], window.second[theirs[own]], write)
        for k, rows_of in enumerate((window.first, window.second)):
            self.only[k] += np.bincount(rows_of["kind"][alone[k]], minlength=len(KIND_NAMES))

    def _pairs(self, a: NDArray[Any], b: NDArray[Any], write: bool) -> None:
        """Rows of the two sides, pair by pair."""
        known = ~(a["address_unknown"] | b["address_unknown"]) & np.uint32(self.address)
        other = (a["address"] ^ b["address"]) & known
        same = other == 0
        self.matched += int(np.count_nonzero(same))
        self.moved += int(np.count_nonzero(~same))
        for bit in range(self.address.bit_length()):
            self.lines[bit] += np.count_nonzero(other == np.uint32(1 << bit))
        if sum(map(len, self.delays)) < _DELAYS:
            delay = b["time"] - a["time"]
            self.delays.append(np.abs(delay - np.median(delay)).astype(np.int64) if len(delay) else delay)
        judged = a["judged"] & b["judged"]
        self.outside += int(np.count_nonzero(same & ~judged))
        self._words(a[same & judged], b[same & judged], write)

    def _words(self, a: NDArray[Any], b: NDArray[Any], write: bool) -> None:
        """Data of cycles that are the same one on both sides."""
        known = ~(a["data_unknown"] | b["data_unknown"]) & np.uint32((1 << self.data_bits) - 1)
        some = known != 0
        a, b, known = a[some], b[some], known[some]
        self.words += len(a)
        better = a if self.first_address >= self.second_address else b
        page = (better["address"] & np.uint32(max(self.first_address, self.second_address))) >> self.page_shift
        self.pages[2] += np.bincount(page, minlength=_PAGES)
        differing = (a["data"] ^ b["data"]) & known
        for inverted, bits in enumerate((differing, differing ^ known)):
            wrong = bits != 0
            self.differ[inverted] += np.count_nonzero(wrong)
            self.pages[inverted] += np.bincount(page[wrong], minlength=_PAGES)
            # Reads are counted before writes of the same window: the earlier of the two is the first.
            times = [*a["time"][wrong][:1].tolist()]
            earlier = self.first_at[inverted]
            self.first_at[inverted] = min([*times, *([] if earlier is None else [earlier])], default=None)
        for lane in range(self.data_bits):
            seen = (known >> np.uint32(lane) & 1).astype(bool)
            pair = (a["data"][seen] >> np.uint32(lane) & 1) * 2 + (b["data"][seen] >> np.uint32(lane) & 1)
            self.levels[lane, int(write)] += np.bincount(pair, minlength=4).reshape(2, 2)


def _result(tally: _Tally, base: dict[str, Any], within: int, tick_s: float) -> BetweenResult:
    by_time = tally.address.bit_count() < _ADDRESS_BITS
    base |= {
        "matched": tally.matched,
        "other_address": tally.moved,
        "address_lines": tuple(
            LineBetween(line=f"A{bit}", count=int(count)) for bit, count in enumerate(tally.lines) if count
        ),
        "only_first": _by_kind(tally.only[0]),
        "only_second": _by_kind(tally.only[1]),
        "by_time_alone": by_time,
    }
    pairs = tally.matched + tally.moved
    agreeing = _steady(tally.delays, within) if by_time else (tally.matched + tally.lines.sum()) / max(pairs, 1)
    if not pairs:
        return BetweenResult(**base, why_not="no cycle of one came together with a cycle of the other")
    if agreeing < _SAME_BUS:
        what = "at unsteady delays" if by_time else "at other addresses"
        return BetweenResult(**base, why_not=f"most cycles that come together are {what}: two buses of their own")
    inverted = bool(tally.levels[:, :, [0, 1], [1, 0]].sum() > tally.levels[:, :, [0, 1], [0, 1]].sum())
    at = tally.first_at[inverted]
    return BetweenResult(
        **base,
        same_bus=True,
        data_compared=tally.words,
        data_outside=tally.outside,
        data_differ=int(tally.differ[int(inverted)]),
        inverted=inverted,
        first_difference_s=None if at is None else at * tick_s,
        lanes=tuple(_lane(tally.levels[lane], lane, inverted) for lane in range(tally.data_bits)),
        spans=_spans(tally, inverted),
    )


def _by_kind(counts: NDArray[np.int64]) -> dict[str, int]:
    return {KIND_NAMES[kind]: int(count) for kind, count in enumerate(counts) if count}


def _steady(delays: Sequence[NDArray[np.int64]], within: int) -> float:
    """Share of pairs whose delay is near the usual one: nearly all on one bus, a quarter where nothing binds them."""
    gathered = np.concatenate([*delays, np.zeros(0, np.int64)])
    return float(np.mean(gathered <= within // 4)) if len(gathered) else 0.0


def _lane(levels: NDArray[np.int64], lane: int, inverted: bool) -> LaneBetween:
    """``levels[write, a, b]`` of one lane."""
    if inverted:
        levels = levels[:, ::-1]
    wrong = levels[:, 0, 1] + levels[:, 1, 0]
    return LaneBetween(
        lane=f"D{lane}",
        compared=int(levels.sum()),
        differ=int(wrong.sum()),
        second_low=int(levels[:, 1, 0].sum()),
        second_high=int(levels[:, 0, 1].sum()),
        reads_compared=int(levels[0].sum()),
        reads=int(wrong[0]),
        writes_compared=int(levels[1].sum()),
        writes=int(wrong[1]),
    )


def _spans(tally: _Tally, inverted: bool) -> tuple[AddressSpan, ...]:
    """Runs of pages in which words differ; pages that nobody read or wrote do not part a run."""
    differ, compared = tally.pages[int(inverted)], tally.pages[2]
    used = np.flatnonzero(compared)
    wrong = differ[used] > 0
    starts = np.flatnonzero(wrong & ~np.append(False, wrong[:-1])) if len(used) else used
    ends = np.flatnonzero(wrong & ~np.append(wrong[1:], False)) if len(used) else used
    size = 1 << tally.page_shift
    return tuple(
        AddressSpan(
            start=int(used[low]) * size,
            end=(int(used[high]) + 1) * size - 1,
            compared=int(compared[used[low : high + 1]].sum()),
            differ=int(differ[used[low : high + 1]].sum()),
        )
        for low, high in zip(starts, ends, strict=True)
    )
