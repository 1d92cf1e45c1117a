"""From what a replay counted to the likelihood of a candidate, over all its ways of failing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busledger.decoder.diagnosis.evidence import CheckKey, Evidence
from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, bits_of, priors
from busledger.decoder.diagnosis.replay.replay import Effect, both_ways
from busledger.decoder.diagnosis.replay.theory import Behaviour, LaneFault, PathFault
from busledger.decoder.diagnosis.replay.weighing import Noise, log_hard, log_rate, log_sometimes, log_sum, strays_of

__all__ = ["Scored", "checked", "score", "spoken_of", "ways"]


@dataclass(frozen=True)
class Scored:
    """A candidate with what its replay found.

    ``log_strict``, ``log_lenient``: log marginal likelihood without the prior,
    as the only fault, and as one of several; ``log_own``: of its own hits and
    misses alone; ``variant`` and ``hard`` say which
    way of failing carries the weight; ``effect`` is that way's, ``path`` how it
    was played where a lane fault was played as one. ``other``: the same
    candidate as it would be if it were hard where this is not, or the reverse.
    """

    candidate: Candidate
    log_strict: float
    log_lenient: float
    log_own: float
    variant: Variant
    hard: bool
    effect: Effect
    path: PathFault | None = None
    other: Scored | None = None

    @property
    def log_posterior(self) -> float:
        """Log prior plus strict likelihood, not normalised."""
        return math.log(self.candidate.prior) + self.log_strict

    @property
    def covers(self) -> int:
        """Wrong reads that it explains or excuses."""
        tally = self.effect.tally
        return tally.explained + (0 if self.hard else tally.excused)


class _Way:
    """One way a candidate may fail: a variant, hard or not, with its effect and log weight."""

    __slots__ = ("effect", "hard", "log_weight", "path", "variant")

    def __init__(
        self, variant: Variant, hard: bool, effect: Effect, log_weight: float, path: PathFault | None = None
    ) -> None:
        self.variant, self.hard, self.effect, self.log_weight, self.path = variant, hard, effect, log_weight, path

    def own(self, pattern_bits: int, extra_misses: int) -> float:
        """Log marginal likelihood of its hits and misses."""
        if self.effect.log_own is not None:
            return self.effect.log_own
        if self.hard:
            return log_hard(self.effect.tally, extra_misses)
        return log_sometimes(self.effect.tally, self.effect.chances, pattern_bits, extra_misses)


def ways(candidate: Candidate, effects: Mapping[Behaviour, tuple[Effect, Effect]]) -> list[_Way]:
    hard = math.log(float(priors()["belief"]["hard"]))
    some = math.log1p(-float(priors()["belief"]["hard"]))
    found = []
    for v in candidate.variants:
        if v.behaviour not in effects:
            continue
        one, two = effects[v.behaviour]
        weight = math.log(v.weight)
        if one.log_own is not None:
            found.append(_Way(v, one.always, one, weight))
            continue
        found.append(_Way(v, True, one, hard + weight))
        if isinstance(v.behaviour, LaneFault):
            others = [(f, effects[f][1]) for f in both_ways(v.behaviour) if f in effects]
            split = math.log(1 + len(others))
            found.append(_Way(v, False, two, some + weight - split))
            found += [_Way(v, False, e, some + weight - split, f) for f, e in others]
        else:
            found.append(_Way(v, False, two, some + weight))
    return found


def score(
    evidence: Evidence, candidate: Candidate, effects: Mapping[Behaviour, tuple[Effect, Effect]], noise: Noise
) -> Scored:
    tried = ways(candidate, effects)
    more = _elsewhere(evidence, candidate)
    fixed = checked(evidence, candidate) - math.log(len(more))
    lenient = noise._replace(lenient=True)
    weighed: list[tuple[_Way, float, float, float]] = []
    for way in tried:
        own = way.log_weight + fixed + log_sum([way.own(candidate.mask.bit_count(), n) + ratio for n, ratio in more])
        strays = strays_of(way.effect.tally, way.hard, noise.wrong)
        weighed.append((way, own, own + noise.log_strays(strays), own + lenient.log_strays(strays)))
    best = max(weighed, key=lambda item: item[2])[0]
    other = [item for item in weighed if item[0].hard != best.hard and item[0].effect.tally.hits]
    return _summed(candidate, weighed, _summed(candidate, other) if other else None)


def _summed(
    candidate: Candidate, weighed: Sequence[tuple[_Way, float, float, float]], other: Scored | None = None
) -> Scored:
    """All ways of (way, own, strict, lenient) together, under the name of the best."""
    best, own, _, _ = max(weighed, key=lambda item: item[2])
    return Scored(
        candidate,
        log_sum([strict for _, _, strict, _ in weighed]),
        log_sum([each for _, _, _, each in weighed]),
        own,
        best.variant,
        best.hard,
        best.effect,
        best.path,
        other,
    )


def _elsewhere(evidence: Evidence, candidate: Candidate) -> tuple[tuple[int, float], ...]:
    """(missed chances, log likelihood ratio) that transfers outside the compared reads add to a bus fault.

    Two ways, equally likely: the fault hurts reads only (it sits at the
    processor's receiver), or every transfer, writes included. In the latter
    case not one write may show the level that cannot be, nor one read of a ROM
    or outside the regions in either; that so many would lack it by chance has a
    probability of its own, with a Beta(½, ½) prior on how often the lane is high.
    """
    traffic = evidence.traffic
    if traffic is None or candidate.scope != "bus":
        return ((0, 0.0),)
    lanes = bits_of(candidate.lanes)
    both = traffic.high[..., lanes[0]] + traffic.low[..., lanes[0]]
    if candidate.fault == "bridged":
        count = traffic.differ[..., lanes[0], lanes[1]]
    elif candidate.fault == "stuck-low":
        count = traffic.high[..., lanes[0]]
    else:
        count = traffic.low[..., lanes[0]]
    fixed = [-1, *(i for i, region in enumerate(evidence.board.regions) if region.kind != "ram")]
    outside, written = int(count[-1, 0]), int(count[:, 1].sum())
    unread = 0.0 if count[fixed, 0].sum() else -log_rate(int(both[fixed, 0].sum()), 0, (0.5, 0.5))
    unwritten = 0.0 if written else -log_rate(int(both[:, 1].sum()), 0, (0.5, 0.5))
    return (outside, unread), (outside + written, unread + unwritten)


def spoken_of(evidence: Evidence, candidate: Candidate) -> list[CheckKey]:
    """The keys of the checks that name this candidate."""
    if evidence.checks is None:
        return []
    region = None if candidate.region is None else evidence.board.regions[candidate.region].name
    lanes = tuple(f"D{lane}" for lane in bits_of(candidate.lanes))
    mine = (candidate.fault, candidate.scope, candidate.component, region, lanes)
    return [
        key
        for key in evidence.checks.likelihood_ratios
        if all(want is None or want == have for want, have in zip(key, mine, strict=True))
    ]


def checked(evidence: Evidence, candidate: Candidate) -> float:
    """Log likelihood ratio that clipped selects, drivers and timing add."""
    if evidence.checks is None:
        return 0.0
    ratios = evidence.checks.likelihood_ratios
    return sum(math.log(min(max(ratios[key], 1e-9), 1e9)) for key in spoken_of(evidence, candidate))
