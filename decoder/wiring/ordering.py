"""Which address bit a channel is: as an address is counted up by one, one bit rises and exactly those below it fall."""

from __future__ import annotations

from collections.abc import Sequence, Set

import numpy as np

from busledger.decoder.wiring.traffic import Bits, Ints, packed

__all__ = ["Link", "carry_order", "is_clear"]

Link = tuple[int, int, int]
_LAGS = 24
_STARTS = 4


def carry_order(address: Bits, writes: Bits, allowed: Sequence[Set[int]]) -> list[Link]:
    """(channel, times seen, times the next best was seen) from the lowest address bit up, as far as carries show them.

    ``address`` bool (cycles, channels); ``allowed``: for each bit the channels that it may be. Steps are looked for
    from write to write, from cycle to cycle, and between cycles up to 24 apart, where a loop walks through memory;
    each pair of addresses counts once. The chain under which most cycles step by one is taken.
    """
    channels = sorted(set().union(*allowed))[:60] if allowed else []
    keys = packed(address, channels)
    places = [frozenset(channels.index(c) for c in these if c in channels) for these in allowed]
    walks = ((keys[writes], 1), (keys, 1), (keys[~writes], 1), (keys, _LAGS))

    def worth(chain: Sequence[Link]) -> float:
        """A walk in steps of two looks like the second bit alone, a status line like a bit below the first: both make
        fewer cycles follow each other."""
        clear = [link[0] for link in chain[: _clear(chain)]]
        value = packed(address, clear)
        steps = (value[1:] - value[:-1]) & (1 << len(clear)) - 1
        return float((steps == 1).mean()) * min(len(clear), 10) if len(steps) and len(clear) > 1 else 0.0

    chains = [
        [(channels[c], seen, second) for c, seen, second in chain]
        for walk, lags in walks
        for chain in _chains(walk, lags, places)
    ]
    best = max(chains, key=worth, default=[])
    # Rare carries are seen in one walk and not in another: the sums over walks that agree so far.
    return _joined(best, [chain for chain in chains if chain and chain[0][0] == best[0][0]])


def is_clear(seen: int, second: int) -> bool:
    """Whether a carry was seen often enough, and its rival seldom enough, to go on from it."""
    return seen > 0 and seen >= 2 * second


def _clear(chain: Sequence[Link]) -> int:
    return next((n for n, link in enumerate(chain) if not is_clear(*link[1:])), len(chain))


def _joined(best: list[Link], chains: Sequence[Sequence[Link]]) -> list[Link]:
    """The chain, carried on by the longest other one that agrees with all of its clear links."""
    head = best[: _clear(best)]
    for chain in chains:
        same = [link[0] for link in chain[: len(head)]] == [link[0] for link in head]
        if same and _clear(chain) > len(head):
            head = [*head, *chain[len(head) : _clear(chain)]]
    return head


def _chains(walk: Ints, lags: int, allowed: Sequence[frozenset[int]]) -> list[list[Link]]:
    """The chains of one walk, from each of its likeliest first bits; channels by their place in ``walk``'s numbers."""
    places, number = np.unique(walk, return_inverse=True)
    pairs = [np.unique(number[:-lag] * len(places) + number[lag:]) for lag in range(1, min(lags, len(walk) - 1) + 1)]
    if not pairs or not allowed:
        return []
    before, after = (places[part] for part in np.divmod(np.unique(np.concatenate(pairs)), len(places)))
    rising, falling = after & ~before, before & ~after
    one = (rising != 0) & (rising & (rising - 1) == 0)
    rising, falling = rising[one], falling[one]
    fits, counts = np.unique(rising[falling == 0], return_counts=True)
    ranked = [int(fits[k]) for k in np.argsort(-counts, kind="stable")]
    starts = [bit for bit in ranked if bit.bit_length() - 1 in allowed[0]][:_STARTS]
    return [_chain(rising, falling, allowed, start) for start in starts]


def _chain(rising: Ints, falling: Ints, allowed: Sequence[frozenset[int]], start: int) -> list[Link]:
    """The order that begins with the bit ``start``: each next bit rises as exactly the ones before it fall."""
    order: list[Link] = []
    known = 0
    for may_be in allowed:
        fits, counts = np.unique(rising[falling == known], return_counts=True)
        ranked = sorted(
            ((int(n), int(bit)) for bit, n in zip(fits, counts, strict=True) if int(bit).bit_length() - 1 in may_be),
            reverse=True,
        )
        ranked = [(n, bit) for n, bit in ranked if not bit & known and (order or bit == start)]
        if not ranked:
            break
        seen, bit = ranked[0]
        order.append((bit.bit_length() - 1, seen, ranked[1][0] if len(ranked) > 1 else 0))
        known |= bit
    return order
