"""The whole card: what is shared outside, the chips inside, summed.

    log P(capture | path) = log ∫ Beta(θ) ∏ over chips ((1 − θ) sound + θ Σ over its ways to be bad) dθ

for one *path*, a set of none, one or a few shared faults (``search`` chooses which sets). The chips are weighed on the
rows that the path leaves to be explained, each on its own lanes (``leaves``); how many of a card's chips are bad is
unknown and integrated out exactly (``shares``). What is approximated: a shared fault that comes and goes takes the
wrong reads that it can explain, rather than sharing them with the chips; of the few that are left, whether they are
slips or excused, the likelier is taken in place of the sum.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.leaf import Leaf, Unit, log_noise, units_of
from busledger.decoder.diagnosis.leaf_rows import region_rows
from busledger.decoder.diagnosis.leaves import weigh_leaf
from busledger.decoder.diagnosis.meetings import Meetings
from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.path import Path
from busledger.decoder.diagnosis.replay.study import Overlay, Rows, Study
from busledger.decoder.diagnosis.replay.weighing import log_excuse
from busledger.decoder.diagnosis.shares import sum_over_share
from busledger.decoder.diagnosis.shorted import either_lane
from busledger.decoder.diagnosis.untold import Untold

__all__ = ["Card", "CardState", "log_lost"]

Floats = NDArray[np.float64]

# What a chip tester or a swap has said, as odds of being bad against sound; our own estimates (a tester passes a chip
# that is slow or fails when warm now and then; a new chip is rarely bad, its socket may still be).
_TESTED = {"good": 0.1, "bad": 50.0, "replaced": 0.2}


_ROWS_OF_WORK = 60_000  # accesses whose weighing costs as much as all that does not depend on their number
# Judged: below any share of bad chips that the evidence leaves, what a bad chip costs at the most. Doubled and halved
# (six cards, as in search.py) nothing moves.
_RARE = 0.01
# Judged: wrong reads that may be let pass, as slips of the analyser or as what a shared fault could excuse; and wrong
# reads past which nobody looks for them: a slip is a matter of one read in a hundred thousand.
_SLIPS, _SCANNED = 2, 200
_BELOW = 9.0  # nats; a set whose most is further below the best is not asked whether its faults met. As in search.py
_FAR_APART = 700.0  # nats: e to that is still a number
_TIED = 0.01  # of a chance: a chip that is likelier than that is listed beside the one that is charged. Judged
# Of those that a shared fault could excuse, past which those of chips that are plainly bad are their own. Judged.
_MET = 4


@dataclass(frozen=True, eq=False)
class CardState:
    """One set of shared faults with the chips weighed behind it.

    ``log_total``: log of prior times likelihood, not normalised; ``bad``: float64, each unit's chance of being bad
    given these shared faults; ``rows``: what they leave to be explained; ``passed``: which of these were let pass, so
    that ``leaves`` know nothing of them; ``owed``: the nats that this costs.
    """

    paths: tuple[Path, ...]
    leaves: tuple[Leaf, ...]
    log_total: float
    bad: Floats
    rows: Rows
    passed: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, np.intp))
    owed: float = 0.0

    @property
    def gains(self) -> Floats:
        """At the most, the log by which the evidence would rise if a chip's wrong reads were explained otherwise."""
        found = [
            -np.logaddexp(math.log1p(-_RARE) + leaf.log_sound, math.log(_RARE) + leaf.log_bad) for leaf in self.leaves
        ]
        return np.maximum(0.0, np.array(found, np.float64))


class Card:
    """Weighs sets of shared faults; a chip whose rows a set leaves alone is weighed once.

    ``regions`` int64, ``masks`` uint32: those of ``units``.
    """

    def __init__(self, study: Study, rows: Rows) -> None:
        self.study = study
        self.rows = rows
        self.units: list[Unit] = units_of(study.card)
        self.regions = np.array([unit.region for unit in self.units], np.int64)
        self.masks = np.array([unit.mask for unit in self.units], np.uint32)
        tested = {one.designator: one.result for one in study.evidence.board.tested}
        told = [_TESTED.get(tested.get(unit.name or "", ""), 1.0) for unit in self.units]
        self._odds = np.array([math.log(odds) for odds in told], np.float64)
        self._prior = tuple(float(v) for v in priors()["leaf"]["bad_share"])
        self._meetings = Meetings(study, self.units, rows)
        self._top = -math.inf  # the best set weighed so far
        self.work = 0.0  # chips weighed again, a long one for several: what the search spends
        self._regions = len(study.card.regions)
        self._of_region = [[u for u, unit in enumerate(self.units) if unit.region == r] for r in range(self._regions)]
        self._base_rows = region_rows(rows, self._regions)
        self._weighed: dict[tuple[int, int, bool, bytes], Leaf] = {}
        self._base = [weigh_leaf(study, unit, self._base_rows[unit.region]) for unit in self.units]

    def weigh(self, paths: Sequence[Path]) -> CardState:
        """The card with these shared faults."""
        rows = self.rows
        strays = 0.0
        excuses: dict[int, float] = {}
        untold = Untold(paths)
        for place, path in enumerate(paths):
            overlay = path.overlay()
            overlay.start()
            before, rows = rows, overlay.feed(rows)
            untold.laid(place, before, overlay)
            strays += log_lost(overlay, path.mask)
            if isinstance(overlay, FoundFault):
                price = log_excuse(overlay.scored.effect.tally)
                for cycle in overlay.excusable.tolist():
                    excuses[cycle] = max(price, excuses.get(cycle, -math.inf))
        strays += sum(path.log_weight for path in paths)
        state = self._summed(paths, rows, self._leaves(rows, paths), strays)
        strays += (owed := untold.log_charge(state.leaves, state.bad))
        state = replace(state, log_total=state.log_total + owed)
        ties: list[tuple[CardState, CardState, NDArray[np.bool_]]] = []
        for region, several, lanes, acts in either_lane(paths, rows):
            if acts is not None and any(self.units[u].mask & sum(lanes) == sum(lanes) for u in self._of_region[region]):
                continue  # of one chip either lane is its own doing
            ways = []
            for lane in lanes:
                without = rows.compared & ~np.where(several, np.uint32(lane), np.uint32(0))
                left = rows.holding(rows.expected & without, without)
                leaves = self._leaves(left, paths, whole=True)
                ways.append(self._summed(paths, left, leaves, strays + (acts or 0.0)))
            one, other = sorted(ways, key=lambda way: -way.log_total)
            if acts is not None and one.log_total < state.log_total:
                continue  # each chip is bad by itself
            strays += acts or 0.0
            ties.append((one, other, self.regions == region))
            state, rows = one, one.rows
        best = state = _tied(state, ties)
        met = {}
        if state.log_total + float(state.gains.sum()) > self._top - _BELOW:
            met = self._meetings.reads(paths, rows, state.leaves, state.bad, state.gains)
        for at, price in self._let_pass(state, excuses, met):
            compared = rows.compared.copy()
            keep = [~met.get(cycle, (0.0, 0xFFFFFFFF))[1] for cycle in rows.index[at].tolist()]
            compared[at] &= np.array(keep, np.int64).astype(np.uint32)
            leaves = self._leaves(rows.holding(rows.expected & compared, compared), paths, whole=True)
            passed = replace(self._summed(paths, rows, leaves, strays + price), passed=at, owed=-price)
            passed = _tied(passed, ties)
            best = max(best, passed, key=lambda s: s.log_total)
        self._top = max(self._top, best.log_total)
        return best

    def _let_pass(
        self, state: CardState, excuses: Mapping[int, float], met: Mapping[int, tuple[float, int]]
    ) -> Iterator[tuple[NDArray[np.intp], float]]:
        """A few wrong reads that no chip need be charged with, and the log probability of what they gave: slips of
        several chips at once; those that a shared fault, which is not given its excuses, could excuse; both.

        ``excuses``: by cycle, log of the chance that such a fault gave what it does not foretell; ``met``: that shared
        faults gave just that between them.
        """
        rows = state.rows
        bad = np.flatnonzero(rows.wrong)
        if not len(bad):
            return
        shared = self._shared(rows, bad)
        few = shared
        if len(bad) > _SCANNED:  # of these, what a chip would be convicted for that is sound but for them
            few = shared[(rows.wrong[shared] & self._hardly_wrong(state)[rows.region[shared]]) != 0]
        slips = few if len(few) <= _SLIPS else few[:0]
        could = bad[np.isin(rows.index[bad], list(excuses))]
        if len(could) > _SLIPS:
            could = np.intersect1d(could, shared)  # what one chip alone gave it may have given of itself
        if len(could) > _MET:
            could = self._hardly_else(state, could)
        played = bad[np.isin(rows.index[bad], list(met))]
        could = np.union1d(could, played)
        beyond = np.setdiff1d(few, could)  # slips beside what a shared fault could excuse: these alone are few
        beyond = beyond if len(beyond) <= _SLIPS else few[:0]
        ways = (slips, played, could, np.union1d(slips, could), np.union1d(beyond, could))
        chosen = {tuple(at.tolist()): at for at in ways if len(at)}
        reads = int(np.count_nonzero(rows.compared))
        for at in chosen.values():
            excused = np.isin(at, could)
            lanes = [int(c).bit_count() for c in rows.compared[at]]
            cycles = rows.index[at].tolist()
            price = sum(
                max(excuses.get(cycle, -math.inf) - math.log(2.0**n - 1.0), met.get(cycle, (-math.inf,))[0])
                for cycle, n, is_ in zip(cycles, lanes, excused, strict=True)
                if is_
            )
            yield at, price + log_noise(int((~excused).sum()), reads, max(lanes)) * bool((~excused).any())

    def _hardly_else(self, state: CardState, shared: NDArray[np.intp]) -> NDArray[np.intp]:
        """Those of the reads that several chips share in which one of them is wrong that hardly ever is but in such:
        what is plainly a chip's own doing it need not share."""
        rows = state.rows
        met = self.wrong_by_unit(rows.take(shared))
        lanes = np.zeros(self._regions + 1, np.uint32)
        for unit, leaf, often in zip(self.units, state.leaves, met.tolist(), strict=True):
            if often > leaf.count.wrong / 2:
                lanes[unit.region] |= np.uint32(unit.mask)
        found: NDArray[np.intp] = shared[(rows.wrong[shared] & lanes[rows.region[shared]]) != 0]
        return found

    def _hardly_wrong(self, state: CardState) -> NDArray[np.uint32]:
        """uint32 a region and one more, lanes of the chips that have read wrong a few times."""
        lanes = np.zeros(self._regions + 1, np.uint32)
        for unit, leaf in zip(self.units, state.leaves, strict=True):
            if 0 < leaf.count.wrong <= _MET:
                lanes[unit.region] |= np.uint32(unit.mask)
        return lanes

    def _summed(self, paths: Sequence[Path], rows: Rows, leaves: Sequence[Leaf], strays: float) -> CardState:
        sound = np.array([leaf.log_sound for leaf in leaves], np.float64)
        bad = np.array([leaf.log_bad for leaf in leaves], np.float64)
        shared = sum_over_share(sound, bad, (self._prior[0], self._prior[1]), self._odds)
        return CardState(tuple(paths), tuple(leaves), shared.log_total + strays, shared.bad, rows)

    def _shared(self, rows: Rows, bad: NDArray[np.intp]) -> NDArray[np.intp]:
        """Wrong reads that several chips would have to share: a slip of the analyser as a whole, or a shared fault and
        a chip's that met in one read, which is one thing and not as many as there are chips."""
        keys = (rows.region[bad].astype(np.uint64) << np.uint64(32)) | rows.wrong[bad]
        patterns, at = np.unique(keys, return_inverse=True)
        several = np.array([
            sum(self.units[u].mask & key & 0xFFFFFFFF != 0 for u in self._of_region[key >> 32]) > 1
            for key in patterns.tolist()
        ], np.bool_)  # fmt: skip
        found: NDArray[np.intp] = bad[several[at]]
        return found

    def wrong_by_unit(self, rows: Rows) -> NDArray[np.int64]:
        """int64, wrong reads on each unit's lanes."""
        bad = np.flatnonzero(rows.wrong)
        keys = (rows.region[bad].astype(np.uint64) << np.uint64(32)) | rows.wrong[bad]
        patterns, often = np.unique(keys, return_counts=True)
        found = np.zeros(len(self.units), np.int64)
        for key, n in zip(patterns.tolist(), often.tolist(), strict=True):
            for u in self._of_region[key >> 32]:
                if self.units[u].mask & key & 0xFFFFFFFF:
                    found[u] += n
        return found

    def _leaves(self, rows: Rows, paths: Sequence[Path], *, whole: bool = False) -> list[Leaf]:
        """``whole``: reads of any region may have been taken out of the rows, whatever the paths touch."""
        if not paths and not whole:
            return self._base
        lanes = np.full(self._regions, 0xFFFFFFFF if whole else 0, np.uint32)
        for path in paths:
            for region in path.regions:
                lanes[region] |= np.uint32(path.mask & 0xFFFFFFFF)
        changed: dict[int, Rows] = {}
        found = []
        for unit, base in zip(self.units, self._base, strict=True):
            r = unit.region
            if not int(lanes[r]) & unit.mask:
                found.append(base)
                continue
            if r not in changed:
                changed[r] = region_rows_of(rows, r)
            if _same(changed[r], self._base_rows[r], unit.mask):
                found.append(base)
                continue
            found.append(self._leaf(unit, changed[r], any(path.plain for path in paths)))
        return found

    def _leaf(self, unit: Unit, rows: Rows, plain: bool) -> Leaf:
        """One chip on the rows of its region. Many sets of shared faults leave a chip the same reads to explain."""
        key = (unit.region, unit.mask, plain, _digest(rows, unit.mask))
        if key not in self._weighed:
            leaf = weigh_leaf(self.study, unit, rows, plain=plain)
            self.work += (1.0 + len(rows) / _ROWS_OF_WORK) if leaf.count.wrong else 0.0
            self._weighed[key] = leaf
        return self._weighed[key]


def _tied(state: CardState, ties: Sequence[tuple[CardState, CardState, NDArray[np.bool_]]]) -> CardState:
    """The state in which what is one chip's doing or another's is shared between them: each of the ``ties`` is one way,
    the likelier, the other, and which of the chips it is about; each such chip as it is where it is charged."""
    for one, other, mine in ties:
        share = 1.0 / (1.0 + math.exp(min(_FAR_APART, one.log_total - other.log_total)))
        if share < _TIED:
            continue
        leaves = tuple(
            max((now, there), key=lambda leaf: leaf.count.wrong) if is_mine else now
            for now, there, is_mine in zip(state.leaves, other.leaves, mine.tolist(), strict=True)
        )
        bad = np.where(mine, (1.0 - share) * state.bad + share * other.bad, state.bad)
        state = replace(state, leaves=leaves, bad=bad, log_total=state.log_total - math.log1p(-share))
    return state


def log_lost(overlay: Overlay, mask: int) -> float:
    """Log probability of what reads gave that a fault led where nothing answers, or nobody knows what, after it was
    laid over the rows."""
    if not isinstance(overlay, FoundFault):
        return 0.0
    found = overlay.log_outvoted
    found -= overlay.astray * math.log(2.0 ** mask.bit_count() - 1.0) if overlay.astray else 0.0
    return found + log_noise(overlay.lost_wrong, overlay.lost, mask.bit_count()) if overlay.lost_wrong else found


def region_rows_of(rows: Rows, region: int) -> Rows:
    """The rows of one region."""
    return rows.take(rows.region == region)


def _digest(rows: Rows, mask: int) -> bytes:
    """What tells the reads of one chip from what another set of shared faults leaves of them."""
    lanes = np.uint32(mask)
    compared = rows.compared & lanes
    told = hashlib.blake2b(digest_size=16)
    for column in (rows.index, rows.cell, compared, rows.wrong & lanes, rows.expected & compared):
        told.update(np.ascontiguousarray(column).data)
    return told.digest()


def _same(one: Rows, two: Rows, mask: int) -> bool:
    lanes = np.uint32(mask)
    if len(one) != len(two):
        return False
    compared = one.compared & lanes
    return bool(
        (one.cell == two.cell).all()
        and (compared == two.compared & lanes).all()
        and (one.wrong & lanes == two.wrong & lanes).all()
        and (one.expected & compared == two.expected & compared).all()
    )
