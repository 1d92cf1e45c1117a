"""Two wired sets held against each other: the same cycles seen twice, and what differs in them.

The two sides of a bus driver, or a processor and a device that takes its bus: what a set is does not matter, only
that both are recorded on one clock. Nothing is taken for granted: whether two sets show the same bus at all is
judged from how far the cycles that come at the same time agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import KIND_NAMES
from busledger.decoder.checks.sets.between_tally import DataCounts, PairTally
from busledger.decoder.checks.sets.pairing import usual_interval, windows
from busledger.decoder.checks.sets.set_results import AddressSpan, BetweenResult, LaneBetween, LineBetween
from busledger.decoder.checks.sets.transfers import Transfers

__all__ = ["SetSide", "hold_together"]

_SAME_BUS = 0.5  # share of the simultaneous cycles that must agree: the larger part
_ADDRESS_BITS = 4  # fewer known on both sides say nothing of whether it is one bus
# Addresses at which the sides have nothing in common: most words differ, each in more lanes than a few bad ones.
_APART_WORDS = 0.5
_APART_LANES = 2.5  # in the mean: unrelated words differ in four lanes of eight, a short makes two differ
_APART_FEWEST = 8  # words, so that a page met once in passing is none (judged)


@dataclass(frozen=True)
class SetSide:
    """One set: its name, the channels of each data bit, the address bits that channels give (a mask), its transfers."""

    name: str
    data: tuple[frozenset[int], ...]
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
    if len(first.data) != len(second.data):
        widths = f"{first.name} has {len(first.data)} data bits and {second.name} {len(second.data)}"
        return BetweenResult(**base, why_not=f"not compared: {widths}")
    steps = [usual_interval(block["time"]) for one in (first, second) for block in _beginning(one)]
    within = min((step for step in steps if step is not None), default=0) // 2
    # A level that both sets take from one clip says nothing of two sides.
    shared = [lane for lane, channels in enumerate(first.data) if channels & second.data[lane]]
    base["same_channels"] = tuple(f"D{lane}" for lane in shared)
    tally = PairTally(first.address, second.address, len(first.data), sum(1 << lane for lane in shared))
    for window in windows(first.transfers.blocks(), second.transfers.blocks(), within):
        tally.add(window, within)
    return _result(tally, base, within, tick_s)


def _beginning(side: SetSide) -> list[NDArray[Any]]:
    return [next(side.transfers.blocks(1 << 20))] if len(side.transfers) else []


def _result(tally: PairTally, base: dict[str, Any], within: int, tick_s: float) -> BetweenResult:
    by_time = tally.shared.bit_count() < _ADDRESS_BITS
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
    return BetweenResult(**base, same_bus=True, data_outside=tally.outside, **_of_data(tally.data, tick_s))


def _of_data(data: DataCounts, tick_s: float) -> dict[str, Any]:
    """What the compared words say, apart from addresses at which the driver between the sides is off."""
    straight, opposite = data.differing_bits(False), data.differing_bits(True)
    inverted = bool(straight.sum() > opposite.sum())
    bits, differ = (opposite if inverted else straight), data.differ[int(inverted)]
    apart = (differ >= _APART_WORDS * data.words) & (bits >= _APART_LANES * differ) & (differ > 0)
    if not (data.words[apart] >= _APART_FEWEST).any() or not data.words[~apart].any():
        apart[:] = False
    wrong = ~apart & (differ > 0)
    return {
        "data_compared": int(data.words[~apart].sum()),
        "data_apart": int(data.words[apart].sum()),
        "data_differ": int(differ[~apart].sum()),
        "inverted": inverted,
        "first_difference_s": int(data.first_at[int(inverted)][wrong].min()) * tick_s if wrong.any() else None,
        "lanes": tuple(
            _lane(levels[..., ~apart].sum(axis=-1), lane, inverted) for lane, levels in enumerate(data.levels)
        ),
        "spans": _spans(data, differ, wrong),
        "apart": _spans(data, differ, apart),
    }


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


def _spans(data: DataCounts, differ: NDArray[np.int64], chosen: NDArray[np.bool_]) -> tuple[AddressSpan, ...]:
    """Runs of ``chosen`` pages; pages that nobody read or wrote do not part a run."""
    used = np.flatnonzero(data.words)
    marks = np.concatenate([[False], chosen[used], [False]])
    starts, stops = np.flatnonzero(marks[1:] & ~marks[:-1]), np.flatnonzero(marks[:-1] & ~marks[1:])
    return tuple(
        AddressSpan(
            start=int(used[low]) << data.shift,
            end=(int(used[stop - 1]) + 1 << data.shift) - 1,
            compared=int(data.words[used[low:stop]].sum()),
            differ=int(differ[used[low:stop]].sum()),
        )
        for low, stop in zip(starts, stops, strict=True)
    )
