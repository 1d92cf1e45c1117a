"""One chip with its socket: everything that may be wrong with it, weighed on its own lanes alone.

Given what the shared path does, what a chip was asked to store and to give is
known, so each chip is weighed by itself. A chip is sound, with a stray wrong
read now and then; or bad in one of these ways:

* a listed fault of the chip, hard or now and then, everywhere or where one address bit has one level;
* a fault of one lane, or of several lanes, each with a fault of its own;
* a fault of one cell; of the cells that agree in some address bits (``patches``); of cells here and there;
* bad in a way not listed: at any rate, any pattern;
* two faults on the same lanes, the second on what the first leaves (``twice``).

What is approximated: of the ways of several lanes only "all lanes that fail" is
summed, and an address bit is asked about only for the likeliest faults.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.faults.candidate import Candidate, bits_of, priors
from busledger.decoder.diagnosis.leaf import Leaf, LeafState, Unit, log_noise, unlisted
from busledger.decoder.diagnosis.leaf_cells import places, scattered
from busledger.decoder.diagnosis.leaf_chip import NO_PART, Chip
from busledger.decoder.diagnosis.leaf_halves import halves_by_stories
from busledger.decoder.diagnosis.leaf_rows import LeafCount, count_reads, narrowed
from busledger.decoder.diagnosis.replay.patterns import log_by_level, log_by_word, log_patterns
from busledger.decoder.diagnosis.replay.replay import NOTHING, Effect
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import (
    EXCUSE,
    HARD,
    SOMETIMES,
    Tally,
    log_chances,
    log_rate,
    log_sum,
)
from busledger.decoder.diagnosis.scoring import Scored, log_own, ways
from busledger.decoder.diagnosis.screening import replay_leaf
from busledger.decoder.diagnosis.twice import second_faults

__all__ = ["weigh_leaf"]

# A bound of work, judged; doubled and halved: no answer changes (as in replay/wear.py).
_THROUGHOUT = 1 << 20  # tells what half of a chip does every time from what it does now and then
_ASKED_WHERE = 3  # faults of a chip that are asked for the address bit that they depend on


def weigh_leaf(study: Study, unit: Unit, rows: Rows, *, plain: bool = False) -> Leaf:
    """``rows``: those of its region; ``plain``: what the chip was given is not known, so only faults that bend what it
    gives are asked about."""
    mine = narrowed(rows, unit.mask)
    count = count_reads(mine)
    sound = log_noise(count.event_count, count.reads, unit.mask.bit_count())
    if count.wrong == 0:
        return Leaf(unit, count, sound, (_unseen(unit, count),))
    states = list(_Weighing(Chip(study, unit, mine, count, plain)).states())

    def rest(left: Rows) -> Iterable[LeafState]:
        again = narrowed(left, unit.mask)
        count = count_reads(again)
        return _Weighing(Chip(study, unit, again, count, plain, second=True)).states() if count.wrong else ()

    return Leaf(unit, count, sound, (*states, *second_faults(study, mine, states, rest)))


def _unseen(unit: Unit, count: LeafCount) -> LeafState:
    """Bad, and yet every read came back right: about half of the reads would have been chances."""
    chances = count.reads // 2
    shares = [math.log(0.5) + log_rate(0, chances, HARD), math.log(0.5) + log_rate(0, chances, SOMETIMES)]
    return LeafState(0.0, log_sum(shares), (unlisted(unit, NOTHING),))


class _Weighing:
    """All ways to be bad of one chip that has read wrong."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._study, self._unit, self._rows, self._count = chip.study, chip.unit, chip.rows, chip.count
        self._lanes, self._share = chip.lanes, chip.share
        self._besides: dict[int, tuple[LeafCount, float]] = {}

    def states(self) -> Iterable[LeafState]:
        wide = [c.mask == self._unit.mask or c.mask.bit_count() > 1 for c in self._unit.candidates]
        whole = [c for c, is_wide in zip(self._unit.candidates, wide, strict=True) if is_wide]
        single = [c for c, is_wide in zip(self._unit.candidates, wide, strict=True) if not is_wide]
        yield self._unlisted_state()
        if self._lanes == 1:
            yield from self._listed(whole, self._rows, self._count, 0.0, 1.0)
            yield from places(self._chip, self._rows, self._count, self._unit.mask)
            yield from scattered(self._chip, self._rows, self._unit.mask)
            return
        kinds = self._weight_of(whole), self._weight_of(single)
        yield from self._listed(whole, self._rows, self._count, 0.0, kinds[0] / max(sum(kinds), 1e-12))
        yield from self._by_lanes(single, kinds[1] / max(sum(kinds), 1e-12))
        yield from scattered(self._chip, self._rows, self._unit.mask)

    def _weight_of(self, candidates: Sequence[Candidate]) -> float:
        return sum(c.prior for c in candidates)

    def _unlisted_state(self) -> LeafState:
        count = self._count
        news = count.event_count
        rows, mask = self._rows, self._unit.mask
        own = self._chip.log_anywhere(count, math.log(max(2.0**self._lanes - 1.0, 1.0)))
        own = log_by_level(rows, mask, own, count.log_slips) + log_patterns(rows, mask)
        own = log_by_word(rows, mask, own)
        chances = np.stack([count.events, count.right], axis=1)
        effect = Effect(Tally(news, count.right_count, 0, count.wrong), hash((self._unit.region, self._unit.mask)),
                        self._chip.first_wrong(self._unit.mask), chances)  # fmt: skip
        return LeafState(math.log(self._share["unlisted"]), own, (unlisted(self._unit, effect),))

    # -- listed faults -------------------------------------------------------
    def _listed(
        self, candidates: Sequence[Candidate], rows: Rows, count: LeafCount, log_others: float, part: float
    ) -> list[LeafState]:
        """Listed faults over ``rows``; ``part``: their share of the listed; ``log_others``: the rest of the chip."""
        total = self._weight_of(candidates)
        if not candidates or total <= 0.0 or part <= 0.0:
            return []
        effects = replay_leaf(self._study, candidates, rows, count, plain=self._chip.plain)
        found = []
        log_part = math.log(self._share["listed"] * part)
        for c in candidates:
            for scored in ways(c, effects):
                if not scored.effect.tally.hits and not scored.covers:
                    continue
                mine, beside = self._beside(c.mask, rows, count)
                like = log_own(scored, c.mask.bit_count()) + self._chip.strays(scored, mine, c.mask) + beside
                weight = log_part + math.log(c.prior / total) + scored.weight
                found.append(LeafState(weight, like + log_others, (scored,)))
        if not found:
            return []
        return found + self._where(found, rows, count)

    def _beside(self, mask: int, rows: Rows, count: LeafCount) -> tuple[LeafCount, float]:
        """(counts on the lanes of a fault, log likelihood of the chip's other lanes): those are sound, or bad in a way
        not listed. A replay tells of its own lanes only."""
        if rows is not self._rows or mask & self._unit.mask == self._unit.mask:
            return count, 0.0
        if mask not in self._besides:
            rest = self._unit.mask & ~mask
            others = narrowed(rows, rest)
            mine, other = count_reads(narrowed(rows, mask)), count_reads(others)
            news, lanes = other.event_count, rest.bit_count()
            sound = log_noise(news, other.reads, lanes)
            bad = log_chances(other.events, other.right, (news, other.right_count)) + log_patterns(others, rest)
            self._besides[mask] = mine, log_sum([sound, math.log(self._share["unlisted"]) + bad]) if news else sound
        return self._besides[mask]

    def _where(self, found: Sequence[LeafState], rows: Rows, count: LeafCount) -> list[LeafState]:
        """The likeliest faults that come and go, asked whether one address bit says when."""
        some = [s for s in found if not s.faults[0].hard and s.faults[0].effect.log_own is None]
        some.sort(key=lambda s: -s.log)
        if not some or self._share["where"] <= 0.0 or (self._chip.second and rows is not self._rows):
            return []
        word = rows.cell - self._chip.span.start
        bits = [b for b in range(16) if (len(self._study.cells.chip_bits(self._unit.region)) > b)]
        more: list[LeafState] = []
        for state in some[:_ASKED_WHERE]:
            scored = state.faults[0]
            before = len(more)
            for start in range(0, len(bits), 6):
                few = bits[start : start + 6]
                code = (word >> start) & ((1 << len(few)) - 1)
                coded = replace(rows, window=code.astype(np.uint16))
                effects = replay_leaf(self._study, [scored.candidate], coded, count, only=scored)
                again = next((s for s in ways(scored.candidate, effects) if _same_way(s, scored)), None)
                if again is None:
                    continue
                mine, beside = self._beside(scored.candidate.mask, rows, count)
                if scored.effect.log_led is not None:
                    weight = state.log_weight + math.log(self._share["where"] / (4.0 * len(bits)))
                    half = state._replace(log_weight=weight)
                    more += halves_by_stories(self._chip, half, coded, again.effect, few, start, mine, beside)
                    continue
                more += self._halves(state, again.effect, few, start, mine, beside, len(bits))
            if len(more) > before and not isinstance(scored.variant.behaviour, LaneFault):
                likeliest = max(more[before:], key=lambda s: s.log)
                if exact := self._throughout(likeliest, rows, plain=self._chip.plain):
                    where = {**likeliest.faults[0].detail, "every_time": True}
                    more[before:] = [s for s in more[before:] if s.faults[0].detail != where] + exact
        return more

    def _throughout(self, half: LeafState, rows: Rows, *, plain: bool) -> list[LeafState]:
        """A fault of half a chip played as one that acts there every time. Of one that comes and goes nobody knows at
        which writes it did, and so not what the cells hold either."""
        scored = half.faults[0]
        if rows is self._rows and scored.candidate.mask & self._unit.mask != self._unit.mask:
            return []
        line, level = scored.detail["where_lines"][0][1:].split("=")
        bit = int(line) - self._chip.shift
        there = ((rows.cell - self._chip.span.start) >> bit) & 1 == int(level)
        inside, outside = rows.take(there), rows.take(~there)
        mine, others = count_reads(inside), count_reads(outside)
        lanes = (scored.candidate.mask & self._unit.mask).bit_count()
        effects = replay_leaf(self._study, [scored.candidate], inside, mine, plain=plain)
        found = []
        for hard in ways(scored.candidate, effects):
            if not hard.hard or hard.variant != scored.variant or hard.path != scored.path or not hard.covers:
                continue
            like = log_own(hard, scored.candidate.mask.bit_count())
            like += self._chip.strays(hard, mine, scored.candidate.mask)
            like += self._chip.left_over(others.event_count, others, lanes)
            effect = replace(scored.effect, tally=hard.effect.tally, hash_=scored.effect.hash_ ^ _THROUGHOUT)
            always = replace(scored, effect=effect, detail={**scored.detail, "every_time": True})
            found.append(LeafState(half.log_weight, like, (always,)))
        return found

    def _halves(
        self,
        state: LeafState,
        effect: Effect,
        few: Sequence[int],
        start: int,
        count: LeafCount,
        beside: float,
        bits: int,
    ) -> list[LeafState]:
        scored = state.faults[0]
        tally = effect.tally
        found = []
        best = state.log
        code = np.arange(effect.chances.shape[0])
        lanes = (scored.candidate.mask & self._unit.mask).bit_count()
        weight = state.log_weight + math.log(self._share["where"] / (4.0 * bits))
        # What is excused is paid for here as in log_sometimes.
        excused = tally.excused + tally.contradicted
        excuses = excused * (EXCUSE - math.log(max(2.0 ** scored.candidate.mask.bit_count() - 1.0, 1.0)))
        all_hits, all_misses = effect.chances.sum(axis=0).tolist()
        high = (code >> (np.array(few, np.int64)[:, None] - start)) & 1
        for b, there in zip(few, (high @ effect.chances).tolist(), strict=True):
            if b + self._chip.shift in scored.candidate.lines:
                continue  # one access and the place that it lands in lie on either side of the line itself
            for level in (0, 1):
                hits, misses = there if level else (all_hits - there[0], all_misses - there[1])
                if hits == 0 or (misses, hits) == (tally.misses, tally.hits):
                    continue
                strays = count.news(count.wrong - scored.covers + all_hits - hits)
                # What it explains without having acted is no repeat of its acts.
                strays = max(strays, count.event_count - hits - excused)
                noise = beside + self._chip.left_over(strays, count, lanes)
                for hard in (True, False):
                    own = log_rate(hits, misses, HARD if hard else SOMETIMES)
                    own += effect.log_unknown
                    own += excuses
                    if weight + own + noise < best - NO_PART:
                        continue
                    best = max(best, weight + own + noise)
                    there_only = tally._replace(hits=hits, misses=misses)
                    hash_ = scored.effect.hash_ ^ (b * 2 + level + 1)
                    narrower = Effect(there_only, hash_, scored.effect.first, effect.chances)
                    detail = {"where_lines": [f"A{b + self._chip.shift}={level}"], "every_time": hard}
                    mine = Scored(
                        scored.candidate, scored.variant, False, narrower, scored.weight, scored.path, detail
                    )
                    found.append(LeafState(weight, own + noise, (mine,)))
        return found

    # -- lanes --------------------------------------------------------------
    def _by_lanes(self, single: Sequence[Candidate], part: float) -> list[LeafState]:
        """One lane with a fault of its own, or every lane that has read wrong."""
        lanes = bits_of(self._unit.mask)
        chosen: dict[int, list[LeafState]] = {}
        clean: dict[int, float] = {}
        for lane in lanes:
            rows = narrowed(self._rows, 1 << lane)
            count = count_reads(rows)
            clean[lane] = log_noise(count.event_count, count.reads, 1)
            if not count.wrong:
                continue
            mine = [c for c in single if c.mask == 1 << lane]
            chosen[lane] = self._listed(mine, rows, count, 0.0, 1.0)
            if not self._chip.second:  # cells of one lane beside a first fault of the chip: a bound of work
                chosen[lane] += places(self._chip, rows, count, 1 << lane)
        all_clean = sum(clean.values())
        one, several = (float(v) for v in priors()["leaf"]["lanes_bad"])
        found = [
            LeafState(state.log_weight + math.log(part * one / len(lanes)), state.log_like + all_clean - clean[lane],
                      state.faults)
            for lane, states in chosen.items()
            for state in states
        ]  # fmt: skip
        able = {lane: states for lane, states in chosen.items() if states}
        if len(able) > 1:
            subset = math.log(math.comb(len(lanes), len(able)) * max(1, len(lanes) - 1))
            like = sum(log_sum([s.log for s in states]) for states in able.values())
            like += all_clean - sum(clean[lane] for lane in able)
            best = [max(states, key=lambda s: s.log).faults[0] for states in able.values()]
            best.sort(key=lambda s: -s.covers)
            found.append(LeafState(math.log(part * several) - subset, like, tuple(best)))
        return found


def _same_way(one: Scored, two: Scored) -> bool:
    return one.hard == two.hard and one.variant == two.variant and one.path == two.path
