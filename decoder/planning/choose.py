"""Which lines to clip in which pass: the most bits about the open faults for the channels there are.

The gain of a set of lines is the entropy of the partition that the faults'
signatures make: what the capture is expected to tell, in bits (C. E. Shannon,
Bell System Technical Journal 27, 1948). Lines are taken greedily by gain a
channel, alone or in the bundles that are only worth something together (all
address lines inside a region, what tells regions apart, a select with the
lines that prove it); what does not fit goes on in the next pass.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from busledger.decoder.diagnosis import PossibleFault
from busledger.decoder.planning.sight import Bench, Sight, Signature

__all__ = ["Choice", "choose_lines", "entropy", "expected_gain", "groups", "merged"]

_EPSILON = 1e-9


def groups(bench: Bench, faults: Sequence[PossibleFault], lines: Iterable[str]) -> dict[Signature, list[int]]:
    """Signature → the indexes of the faults that have it."""
    sight = Sight(bench, lines)
    found: dict[Signature, list[int]] = {}
    for index, fault in enumerate(faults):
        found.setdefault(sight.signature(fault), []).append(index)
    return found


def entropy(weights: Iterable[float]) -> float:
    """Bits of a distribution given by weights that need not sum to 1; 0 for none."""
    held = [w for w in weights if w > 0]
    total = sum(held)
    return -sum(w / total * math.log2(w / total) for w in held) if held else 0.0


def expected_gain(bench: Bench, faults: Sequence[PossibleFault], lines: Iterable[str]) -> float:
    """Bits that a capture of ``lines`` is expected to tell about which of ``faults`` it is.

    As each fault has exactly one signature, this is the entropy of the
    signatures: prior entropy less the expected entropy after the capture.
    """
    shares = (sum(faults[i].prior for i in members) for members in groups(bench, faults, lines).values())
    return entropy(shares)


def merged(bench: Bench, faults: Sequence[PossibleFault]) -> list[PossibleFault]:
    """One fault with the sum of the priors for those that no set of lines could tell apart."""
    whole = groups(bench, faults, bench.lines())
    return [faults[members[0]]._replace(prior=sum(faults[i].prior for i in members)) for members in whole.values()]


@dataclass(frozen=True, slots=True)
class Choice:
    """Lines in the order they were taken, the bits that they tell, and the most that any lines could."""

    lines: tuple[str, ...]
    bits: float
    most: float


def choose_lines(
    bench: Bench,
    faults: Sequence[PossibleFault],
    room: Callable[[int], int],
    *,
    limit: int | None = None,
    given: frozenset[str] = frozenset(),
) -> Choice:
    """Lines in the order to clip them, until nothing is gained.

    Parameters
    ----------
    room : how many channels the running pass still has when so many lines are taken
    limit : stop after so many lines; None = until the gain is exhausted
    given : lines that every pass carries
    """
    offered = [line for line in bench.lines() if line not in given]
    gain = _Memory(bench, merged(bench, faults))
    most = gain(given | set(offered))
    taken: list[str] = []
    have = gain(given)
    while have < most - _EPSILON and (limit is None or len(taken) < limit):
        held = given | set(taken)
        free = room(len(taken)) if limit is None else min(room(len(taken)), limit - len(taken))
        best = _best(gain, held, have, _bundles(bench, held, offered), free)
        if best is None:
            break
        part = best if limit is None else best[: limit - len(taken)]
        taken += part
        have = gain(held | set(part))
    for line in taken if limit is None else ():
        # Taken early for a little, made needless by what came after.
        rest = given | (set(taken) - {line})
        if gain(rest) >= have - _EPSILON:
            taken = [other for other in taken if other != line]
    return Choice(tuple(taken), have, most)


class _Memory:
    """The gain of sets of lines, each computed once."""

    def __init__(self, bench: Bench, faults: Sequence[PossibleFault]) -> None:
        self._bench, self._faults = bench, faults
        self._known: dict[frozenset[str], float] = {}

    def __call__(self, lines: Iterable[str]) -> float:
        key = frozenset(lines)
        if key not in self._known:
            self._known[key] = expected_gain(self._bench, self._faults, key)
        return self._known[key]


def _best(
    gain: _Memory, held: frozenset[str], have: float, bundles: list[tuple[str, ...]], free: int
) -> tuple[str, ...] | None:
    """The bundle with the most bits a channel, one that fits the running pass before one that does not."""
    scored = [(gain(held | set(b)) - have, b) for b in bundles]
    paying = [(bits / len(b), -len(b), b) for bits, b in scored if bits > _EPSILON]
    fitting = [row for row in paying if -row[1] <= free]
    rows = fitting or paying
    return max(rows, key=lambda row: row[:2])[2] if rows else None


def _bundles(bench: Bench, held: frozenset[str], offered: Sequence[str]) -> list[tuple[str, ...]]:
    """Single lines, and sets that only tell something together; without what is held, in the order offered."""
    regions = range(len(bench.board.regions))
    cells = [{bench.address[b] for b in bench.cell_bits[r]} for r in regions]
    outside = [{bench.address[b] for b in bench.fixed[r]} for r in regions]
    far = set(bench.far)
    wanted: list[set[str]] = [{line} for line in offered]
    for r in regions:
        select = bench.board.regions[r].select
        own = {select} if select else set()
        lanes = {bench.data[b] for b in bench.data if bench.lanes[r] >> b & 1}
        wanted += [outside[r], outside[r] | own, cells[r] | outside[r], cells[r] | own]
        wanted += [cells[r] | own | lanes, cells[r] | outside[r] | lanes]
        wanted += [cells[r] | way | {lane} for lane in lanes for way in (own, outside[r])]
        wanted += [own | {lane} for lane in lanes]
    wanted += [set().union(*cells), set().union(*cells, *outside), far]
    wanted += [{a for s in (one, two) if (a := bench.board.regions[s].select)} for one, two in combinations(regions, 2)]
    wanted.append(set(offered))
    order = {line: k for k, line in enumerate(offered)}
    found = {tuple(sorted((w & set(order)) - held, key=order.__getitem__)) for w in wanted}
    return sorted(found - {()}, key=lambda b: [order[line] for line in b])
