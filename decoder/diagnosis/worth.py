"""What shared faults are likely to gain, before the chips are weighed again: which sets are worth weighing at all.

For each one the most that it could gain is known (its own weight, and all that the chips it touches lose by their wrong
reads); those in front by that are laid over the rows, and the chips' losses shared out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.card import Card, CardState, log_lost
from busledger.decoder.diagnosis.lane_losses import lane_shares, part_gone, wrong_by_lane
from busledger.decoder.diagnosis.overlay import Blind, NotLookedAt
from busledger.decoder.diagnosis.own_doing import OwnDoing
from busledger.decoder.diagnosis.path import Path
from busledger.decoder.diagnosis.replay.study import Rows

__all__ = ["in_turn", "prospect", "share_of", "with_one_more", "worth_trying"]

# Judged: how far an estimate is trusted before a set is weighed in earnest. Doubled and halved with those of search.py,
# but for _PAIRED and _A_READ_SHARED, which are younger.
_DOUBTED = 40.0  # nats; a set whose estimate is further below the best is not weighed: it may be off by some tens
_LAID_OVER = (60, 400)  # shared faults laid over the rows for the estimate, at the least and at the most …
_LAID_ROWS = 4_000_000  # … as many as make so many rows
_LIKELY, _HOPED = 8, 6  # sets tried for what they likely gain, and then for what they could
_WHOLE = 3  # of those that leave nothing wrong where they explain anything, the likeliest, tried after the very first
_PAIRED = 2  # sets tried early for what they could gain with one fault more
_A_STRAY = 8.0  # nats that a read costs a chip which its own faults do not explain, about
_A_CHIP = 8.0  # nats that one more bad chip costs at the least
_A_READ = 16.0  # nats that explaining one wrong read can gain at the most: see leaves.log_noise
# Judged: nats that one more shared fault costs, and each wrong read that it explains.
_A_FAULT, _A_READ_SHARED = 15.0, 1.0


def worth_trying(
    card: Card, state: CardState, proposed: Sequence[Path], best: float, at_most: int
) -> list[tuple[float, Path]]:
    """Those that are likely to gain, best first; then some for what they could gain at the most; each with what it is
    likely to gain. Where what explains everything seems far better, those that would come up to it with one more fault
    are among them. ``at_most``: faults of a set.

    The most: all that the chips it touches lose by their wrong reads. Those in front by that, and those in front by
    what as many wrong reads cost the chips in the mean, are laid over the rows, and the chips' losses shared out by
    how many of their wrong reads are gone, or have come, or lane by lane (``lane_losses``). That estimate is poor where
    a fault turns the many patterns of a chip into one, as a wide one does before a chip that is bad itself; it is good
    where nothing is left wrong of any chip that it helps, so that some of these are tried first.
    """
    proposed = _each_once(proposed)
    gains = state.gains
    losing = np.flatnonzero(gains > 0.0)
    lost, lanes, of_region = gains[losing], card.masks[losing], card.regions[losing]
    hurt = np.zeros(len(card.study.card.regions), np.bool_)
    most: list[tuple[float, Path]] = []
    by_share: list[tuple[float, Path]] = []
    whole_before = card.wrong_by_unit(state.rows)
    price = _Prices(card, state, whole_before)
    fair: list[tuple[float, Path]] = []
    for path in proposed:
        hurt[:] = False
        hurt[list(path.regions)] = True
        touches = hurt[of_region] & (lanes & np.uint32(path.mask) != 0)
        touched = np.minimum(lost[touches], _A_READ * max(1, path.hits))
        own = path.log_weight + path.log_charge
        top = float(touched.sum()) + state.owed
        most.append((own + top, path))
        passed = state.owed * min(1.0, path.hits / max(1, len(state.passed)))
        asked_for, wrong, a_read = price.beside(getattr(path, "blind", None))
        share = share_of(asked_for[losing][touches], wrong[losing][touches], path.hits)
        by_share.append((own + share + passed, path))
        fair.append((own + min(a_read * path.hits, top), path))
    fair.sort(key=lambda item: -item[0])
    most.sort(key=lambda item: -item[0])
    by_share.sort(key=lambda item: -item[0])
    unseen: dict[int, tuple[NDArray[np.int64], NDArray[np.int64]]] = {}
    likely: list[tuple[float, Path]] = []
    whole: set[Path] = set()
    regions = len(card.study.card.regions)
    shares = lane_shares(state)
    by_lane = wrong_by_lane(state.rows, regions)
    few, many = _LAID_OVER
    to_lay = max(few, min(many, _LAID_ROWS // max(1, len(state.rows))))
    # What explains the many reads of a chip that is plainly bad seems to explain all of the others' as well, and would
    # crowd out what is judged without that chip.
    unlooked = [one for one in by_share if getattr(one[1], "blind", None) is not None]
    fairest = [path for _, path in (*fair[: to_lay // 2], *by_share[: to_lay // 4], *unlooked[: to_lay // 8])]
    hoped = [p for gain, p in most if state.log_total + gain > best and p.log_charge < 0.0][:_HOPED]
    first = dict.fromkeys([*fairest, *hoped])
    rest = [path for _, path in most if path not in first]
    for path in [*first, *rest[: max(0, to_lay - len(first))]]:
        overlay = path.overlay()
        overlay.start()
        left = overlay.feed(state.rows)
        blind, before, lanes_before = getattr(path, "blind", None), whole_before, by_lane
        if isinstance(blind, Blind):  # what is plain of a chip costs next to nothing, whatever the fault explains
            left = blind.feed(left)
            if id(blind) not in unseen:
                seen = blind.feed(state.rows)
                unseen[id(blind)] = card.wrong_by_unit(seen), wrong_by_lane(seen, regions)
            before, lanes_before = unseen[id(blind)]
        after = card.wrong_by_unit(left)
        now = wrong_by_lane(left, regions) if shares else by_lane
        change = 0.0
        for u in np.flatnonzero(before != after).tolist():
            strays = isinstance(blind, OwnDoing) and u in blind.units
            likely_gain = _change(float(gains[u]), int(before[u]), int(after[u]), strays)
            r = card.regions[u]
            change += max(likely_gain, float(gains[u]) * part_gone(shares, u, lanes_before[r], now[r]))
        gain = path.log_weight + change + _no_longer_passed(state, left) + log_lost(overlay, path.mask)
        likely.append((gain, path))
        if gain > 0.0 and not after[before != after].any():
            whole.add(path)
    likely.sort(key=lambda item: -item[0])
    front = [one for one in likely if state.log_total + one[0] > best - _DOUBTED]
    part: list[tuple[float, Path]] = []
    for gain, path in likely[len(front) :]:
        if state.log_total + with_one_more(state, path, gain, at_most) > best:
            part.append((gain, path))
    front += part[:_PAIRED]
    sure = [one for one in front if one[1] in whole][:_WHOLE]
    sure = list(dict.fromkeys([*front[:1], *sure]))
    front = [*sure, *(one for one in front if one not in sure)]
    ahead = {path for _, path in front[:_LIKELY]}
    laid = {path: gain for gain, path in likely}
    more = [(laid[path], path) for path in hoped if path not in ahead]
    return [*front[:_LIKELY], *more, *front[_LIKELY:]]


class _Prices:
    """What wrong reads cost the chips in the mean, by the chips that a fault is judged without. The many reads that one
    of them explains by itself cost next to nothing, and would make those few look cheap that it does not."""

    def __init__(self, card: Card, state: CardState, wrong: NDArray[np.int64]) -> None:
        self._card, self._state = card, state
        reads = int(np.count_nonzero(state.rows.wrong))
        self._known = {0: self._priced(state.gains, wrong, reads)}

    def beside(self, blind: NotLookedAt | None) -> tuple[NDArray[np.float64], NDArray[np.int64], float]:
        """(nats that each chip loses by wrong reads that are looked at, how many these are, nats a read)."""
        if not isinstance(blind, OwnDoing):
            return self._known[0]
        if id(blind) not in self._known:
            rows = blind.feed(self._state.rows)
            wrong = self._card.wrong_by_unit(rows)
            lost = self._state.gains.copy()
            at = list(blind.units)
            lost[at] = np.minimum(lost[at], _A_STRAY * wrong[at])
            self._known[id(blind)] = self._priced(lost, wrong, int(np.count_nonzero(rows.wrong)))
        return self._known[id(blind)]

    def _priced(
        self, lost: NDArray[np.float64], wrong: NDArray[np.int64], reads: int
    ) -> tuple[NDArray[np.float64], NDArray[np.int64], float]:
        return lost, wrong, (float(lost.sum()) + self._state.owed) / max(1, reads)


def _explained(path: Path) -> int:
    """Wrong reads that are no longer so: its acts may have come in as many right ones, that gave again what was due."""
    scored = getattr(path, "scored", None)
    return path.hits if scored is None or not scored.covers else int(scored.covers)


def _each_once(proposed: Sequence[Path]) -> list[Path]:
    """The paths without those that are judged the same with chips in view and without: of a fault that has a part in
    just as many reads, at the same weight, what these chips gave had no say."""
    found: dict[tuple[object, ...], Path] = {}
    for path in proposed:
        scored = getattr(path, "scored", None)
        way = (scored.variant, scored.path, scored.strict, scored.effect.tally) if scored is not None else ()
        found.setdefault((path.key, *way, round(path.log_weight, 6), path.hits), path)
    return list(found.values())


def share_of(lost: NDArray[np.float64], wrong: NDArray[np.int64], hits: int) -> float:
    """What chips would gain by so many ``hits`` if each of their ``wrong`` reads cost them the same of what they lose:
    float64, int64 a chip. What explains all is not outdone by what explains a little and might gain as much."""
    return float((lost * np.minimum(1.0, hits / np.maximum(1, wrong))).sum())


def _no_longer_passed(state: CardState, left: Rows) -> float:
    """What is no longer owed for reads that were let pass, where they are explained in what is ``left``."""
    if not len(state.passed):
        return 0.0
    still = np.isin(state.rows.index[state.passed], left.index[left.wrong != 0])
    return state.owed * float(1.0 - still.mean())


def _change(gain: float, before: int, after: int, strays: bool) -> float:
    """What one chip's evidence is likely to rise by when so many of its reads are wrong. ``strays``: those that are
    gone are such as its own faults do not explain, which cost more than the others."""
    if strays:
        return min(gain, _A_STRAY * (before - after))
    if before:
        return gain * (1.0 - after / before)
    return -(_A_CHIP + 0.7 * after)


def prospect(state: CardState) -> float:
    """The most that the set could come to if one more shared fault explained what it leaves."""
    left = int(np.count_nonzero(state.rows.wrong))
    return state.log_total + max(0.0, float(state.gains.sum()) + state.owed - _A_FAULT - _A_READ_SHARED * left)


def in_turn(
    state: CardState, likely: Sequence[tuple[float, Path]], at_most: int
) -> list[tuple[float, Path]]:
    """Behind the first ones those that are likely to gain most together with one more fault. ``at_most``: faults of a
    set."""
    first, others = list(likely[: _WHOLE + 1]), list(likely[_WHOLE + 1 :])
    both = sorted(others, key=lambda one: -with_one_more(state, one[1], one[0], at_most))[:_PAIRED]
    return [*first, *both, *(one for one in others if one not in both)]


def with_one_more(state: CardState, path: Path, gain: float, at_most: int) -> float:
    """What the set is likely to gain by the fault, and by one more that explains all that it leaves: a single one that
    explains everything, badly, is not to hide two that explain it well. ``at_most``: faults of a set."""
    if len(state.paths) + 1 >= at_most:
        return gain
    left = int(np.count_nonzero(state.rows.wrong)) - _explained(path)
    more = float(state.gains.sum()) + state.owed - (gain - path.log_weight) - _A_FAULT - _A_READ_SHARED * left
    return gain + max(0.0, more)
