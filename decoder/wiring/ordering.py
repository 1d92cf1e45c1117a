"""Which address bit and which data bit a channel is.

Address bits: as an address is counted up by one, one bit rises and exactly the bits below it fall.
Data bits: a byte that is read as an operand appears on the address bus a cycle or two later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.wiring.traffic import Bits, Ints, packed

__all__ = ["Operands", "carry_order", "correlation", "is_clear", "leads", "operands", "value_changes"]

_LAGS = 24
_STARTS = 4
_FEWEST_ERRORS = 2.5
_OPERAND_LAGS = (1, 2, 3)


def carry_order(address: Bits, writes: Bits, channels: Sequence[int]) -> list[tuple[int, int, int]]:
    """(channel, times seen, times the next best was seen) for A0, A1, … as far as carries show them.

    ``address`` bool (cycles, channels). Steps are looked for from write to write, from cycle to cycle, and between
    cycles up to 24 apart, where a loop walks through memory; each pair of addresses counts once. The walk that
    gives the longest clear chain is taken.
    """
    keys = packed(address, channels)
    walks = ((keys[writes], 1), (keys, 1), (keys[~writes], 1), (keys, _LAGS))
    toggles = (address[1:] != address[:-1]).sum(axis=0)

    def worth(chain: list[tuple[int, int, int]]) -> tuple[int, float]:
        """Clear links first; a walk in steps of two looks like A1 alone, but leaves out a livelier bit."""
        inside = {channel for channel, _, _ in chain}
        livelier = sum(1 for c in channels if c not in inside and toggles[c] > toggles[chain[0][0]])
        clear = next((n for n, link in enumerate(chain) if not is_clear(*link[1:])), len(chain))
        return clear - livelier, float(sum(np.log2(1 + seen) for _, seen, _ in chain[:clear]))

    chains = [chain for walk, lags in walks for chain in _chains(walk, lags, channels)]
    return max(chains, key=worth, default=[])


def is_clear(seen: int, second: int) -> bool:
    """Whether a carry was seen often enough, and its rival seldom enough, to go on from it."""
    return seen > 0 and seen >= 2 * second


def _chains(walk: Ints, lags: int, channels: Sequence[int]) -> list[list[tuple[int, int, int]]]:
    """The chains of one walk, from each of its likeliest first bits."""
    places, number = np.unique(walk, return_inverse=True)
    pairs = [np.unique(number[:-lag] * len(places) + number[lag:]) for lag in range(1, min(lags, len(walk) - 1) + 1)]
    if not pairs:
        return []
    before, after = (places[part] for part in np.divmod(np.unique(np.concatenate(pairs)), len(places)))
    rising, falling = after & ~before, before & ~after
    one = (rising != 0) & (rising & (rising - 1) == 0)
    rising, falling = rising[one], falling[one]
    fits, counts = np.unique(rising[falling == 0], return_counts=True)
    starts = fits[np.argsort(-counts, kind="stable")][:_STARTS]
    return [_chain(rising, falling, channels, int(start)) for start in starts]


def _chain(rising: Ints, falling: Ints, channels: Sequence[int], start: int) -> list[tuple[int, int, int]]:
    """The order that begins with the bit ``start``: each next bit rises as exactly the ones before it fall."""
    order: list[tuple[int, int, int]] = []
    known = 0
    while len(order) < len(channels):
        fits, counts = np.unique(rising[falling == known], return_counts=True)
        free = (fits & known) == 0
        fits, counts = fits[free], counts[free]
        if not len(fits):
            break
        rank = np.argsort(-counts, kind="stable")
        first = int(np.flatnonzero(fits == start)[0]) if not order else int(rank[0])
        second = max((int(n) for k, n in enumerate(counts) if k != first), default=0)
        bit = int(fits[first])
        order.append((channels[bit.bit_length() - 1], int(counts[first]), second if order else 0))
        known |= bit
    return order


@dataclass(frozen=True, slots=True)
class Operands:
    """Bytes that turned up as low address bytes. ``pairs``: data column → (address column, standard errors of lead).

    ``events`` int64: the cycles whose address was foretold, all pairs agreeing; ``lag``: cycles since the byte;
    ``votes``: how many independent bytes there were.
    """

    pairs: dict[int, tuple[int, float]]
    events: Ints
    lag: int
    votes: float


def operands(data: Bits, address: Bits, low: Sequence[int], channels: Sequence[int]) -> Operands:
    """Which data channel foretells which of the low address bits ``low``, and in which cycles.

    Operands, vectors and pushed return addresses all turn up as addresses soon after. Only cycles whose address does
    not simply follow on count; each place a byte comes from, and each address it leads to, has one vote in all.
    ``data`` and ``address`` are bool (cycles, channels); ``low`` and ``channels`` index their columns.
    """
    best, total = Operands({}, np.zeros(0, np.int64), 1, 0.0), 0.0
    moving = np.flatnonzero(address.any(axis=0) & ~address.all(axis=0))[:60]
    keys, values = packed(address, [int(c) for c in moving]), packed(data, channels)
    steps = packed(address, low)
    places, number = np.unique(keys, return_inverse=True)
    for lag in _OPERAND_LAGS:
        now = np.arange(lag, len(keys))
        now = now[np.abs(steps[now] - steps[now - 1]) > 1]
        if not len(now) or not len(channels) or not len(low):
            continue
        events = (number[now - lag] * (1 << len(channels)) + values[now - lag]) * len(places) + number[now]
        _, once = np.unique(events, return_index=True)
        now = np.sort(now[once])
        weight = 1.0 / np.maximum(_shares(keys[now]), _shares(keys[now - lag]))
        votes = float(weight.sum() ** 2 / (weight**2).sum())
        score = correlation(data[now - lag][:, list(channels)], address[now][:, list(low)], weight)
        pairs = {
            channels[row]: (low[column], lead) for row, column, lead in leads(score, votes) if lead > _FEWEST_ERRORS
        }
        if sum(lead for _, lead in pairs.values()) > total:
            total = sum(lead for _, lead in pairs.values())
            agree = np.ones(len(now), bool)
            for channel, (line, _) in pairs.items():
                agree &= data[now - lag, channel] == address[now, line]
            best = Operands(pairs, now[agree], lag, votes)
    return best


def leads(score: NDArray[np.float64], votes: float) -> list[tuple[int, int, float]]:
    """(row, column, lead) of the pairing that adds up to most; the lead over any rival in standard errors."""
    from scipy.optimize import linear_sum_assignment

    found = []
    for row, column in zip(*linear_sum_assignment(-score), strict=True):
        rival = max(np.delete(score[row], column).max(initial=0.0), np.delete(score[:, column], row).max(initial=0.0))
        found.append((int(row), int(column), float(score[row, column] - rival) * float(np.sqrt(votes))))
    return found


def _shares(values: Ints) -> Ints:
    """How often each value occurs among all."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    return counts[inverse].astype(np.int64)


def correlation(left: Bits, right: Bits, weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weighted phi coefficients (left columns, right columns); 0 where a column never moves."""
    share = (weight / weight.sum())[:, None]
    a, b = left - (left * share).sum(axis=0), right - (right * share).sum(axis=0)
    spread = np.sqrt((share * a**2).sum(axis=0))[:, None] * np.sqrt((share * b**2).sum(axis=0))[None, :]
    return np.asarray(np.divide((a * share).T @ b, spread, out=np.zeros_like(spread), where=spread > 1e-9), np.float64)


def value_changes(key: Ints, value: Bits) -> tuple[Ints, Bits]:
    """Cycles that meet an address met before, and which bits (cycles, bits) differ from what was met then."""
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    changed = value[order][1:] != value[order][:-1]
    later = order[1:][same]
    return later.astype(np.int64), changed[same]
