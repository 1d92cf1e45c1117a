"""Weighing every proposed fault against what is left to explain."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from . import replay_kernel
from .candidates import Candidate, Variant, bits_of, priors, propose
from .evidence import Evidence
from .parts_view import CardView
from .replay import Effect, PathRun, as_path, run_lanes, screened
from .study import Overlay, Rows, Study, Survey
from .theory import LaneFault, PathFault
from .weighing import Noise, Place, log_hard, log_none, log_sometimes

__all__ = ["Scored", "Weighed", "weigh"]

_FOCUS_CELLS = 24
_KEEP_NATS = 25.0  # candidates that far below the best on the focus cells are dropped
_KEEP_AT_MOST = 160
_WORTH_ASKING_CELLS = 12


@dataclass(frozen=True)
class Scored:
    """A candidate with what its replay found.

    ``log_strict``, ``log_lenient``: log marginal likelihood without the prior,
    as the only fault, and as one of several; ``variant`` and ``hard`` say which
    way of failing carries the weight; ``effect`` is that way's.
    """

    candidate: Candidate
    log_strict: float
    log_lenient: float
    variant: Variant
    hard: bool
    effect: Effect
    acts: int = 0

    @property
    def log_posterior(self) -> float:
        """Log prior plus strict likelihood, not normalised."""
        return math.log(self.candidate.prior) + self.log_strict


@dataclass(frozen=True)
class Weighed:
    """All candidates of one round, best first, beside "none of these"."""

    scored: tuple[Scored, ...]
    log_none: float
    survey: Survey
    noise: Noise


def weigh(study: Study, overlays: Sequence[Overlay] = ()) -> Weighed:
    """Propose, replay and weigh, with the faults in ``overlays`` taken as given."""
    survey = study.survey(study.blocks(overlays))
    noise = Noise(survey.wrong, survey.total, study.data_bits)
    none = log_none(_places(study.card, survey), noise) + math.log(float(priors()["belief"]["none_of_these"]))
    if survey.wrong == 0:
        return Weighed((), none, survey, noise)
    cells = dict(sorted(survey.cells.items(), key=lambda item: -item[1][0])[:_WORTH_ASKING_CELLS])
    candidates = propose(study.card, survey.lanes(), {c: m for c, (_, m) in cells.items()})
    effects = _lane_effects(study, candidates, overlays)
    effects.update(_path_effects(study, candidates, effects, survey, noise, overlays))
    scored = [_score(study.evidence, c, effects, noise) for c in candidates if any(_ways(c, effects))]
    scored.sort(key=lambda s: -s.log_posterior)
    return Weighed(tuple(scored), none, survey, noise)


# -- effects ------------------------------------------------------------------
Key = LaneFault | PathFault
Effects = dict[Key, tuple[Effect, Effect]]


def _lane_effects(study: Study, candidates: Sequence[Candidate], overlays: Sequence[Overlay]) -> Effects:
    faults = [v.behaviour for c in candidates for v in c.variants if isinstance(v.behaviour, LaneFault)]
    found = run_lanes(faults, len(study.card.regions), study.blocks(overlays))
    return {fault: (effect, effect) for fault, effect in found.items()}


def _both_ways(fault: LaneFault) -> list[PathFault]:
    """How a lane fault that comes and goes is replayed where writes pass through it too."""
    if not fault.writes or fault.cell >= 0:
        return []
    both = replay_kernel.ON_READS | replay_kernel.ON_WRITES
    return [as_path(fault, acts) for acts in (both, replay_kernel.ON_WRITES)]


def _path_effects(
    study: Study, candidates: Sequence[Candidate], lanes: Effects, survey: Survey, noise: Noise,
    overlays: Sequence[Overlay],
) -> Effects:  # fmt: skip
    """Path faults: judged on a few failing cells first, the promising ones on all rows."""
    wanted: dict[PathFault, float] = {}
    for c in candidates:
        for v in c.variants:
            faults = _both_ways(v.behaviour) if isinstance(v.behaviour, LaneFault) else [v.behaviour]
            for fault in faults:
                wanted[fault] = max(wanted.get(fault, -math.inf), math.log(c.prior * v.weight))
    focus = _focus(survey)
    blocks = list(study.blocks(overlays)) if study.in_memory else None
    first = _play(study, list(wanted), blocks, overlays, focus)
    judged = _judged(survey, focus, noise)
    best = {f: prior + _best(first[f], judged) for f, prior in wanted.items()}
    ranked = sorted(wanted, key=lambda f: -best[f])
    top = best[ranked[0]] if ranked else 0.0
    keep = [f for f in ranked[:_KEEP_AT_MOST] if best[f] > top - _KEEP_NATS]
    return dict(_play(study, keep, blocks, overlays, None))


def _judged(survey: Survey, focus: NDArray[np.int32], noise: Noise) -> Noise:
    wrong = sum(survey.cells[int(c)][0] for c in focus)
    return noise._replace(wrong=wrong, lenient=False)


def _best(effects: tuple[Effect, Effect], noise: Noise) -> float:
    return max(log_hard(effects[0].tally, noise), log_sometimes(effects[1].tally, noise))


def _focus(survey: Survey) -> NDArray[np.int32]:
    """Failing cells spread over all that fail."""
    failing = sorted(survey.cells)
    step = max(1, len(failing) // _FOCUS_CELLS)
    return np.array(failing[::step][: _FOCUS_CELLS + 8], np.int32)


def _play(
    study: Study, faults: Sequence[PathFault], blocks: Sequence[Rows] | None, overlays: Sequence[Overlay],
    focus: NDArray[np.int32] | None,
) -> Effects:  # fmt: skip
    by_regions: dict[tuple[int, ...], list[PathFault]] = {}
    for fault in faults:
        by_regions.setdefault(fault.regions, []).append(fault)
    found: Effects = {}
    if blocks is not None:
        for regions, members in by_regions.items():
            mine = [screened(rows, regions) for rows in blocks]
            for fault in members:
                run = PathRun(fault, study.cells, focus)
                for rows in mine:
                    run.feed(rows)
                found[fault] = run.effects()
        return found
    runs = {fault: PathRun(fault, study.cells, focus) for fault in faults}
    for rows in study.blocks(overlays):
        for regions, members in by_regions.items():
            part = screened(rows, regions)
            for fault in members:
                runs[fault].feed(part)
    return {fault: run.effects() for fault, run in runs.items()}


# -- scores -------------------------------------------------------------------
class _Way:
    """One way a candidate may fail: a variant, hard or not, with its effect and log weight."""

    __slots__ = ("acts", "effect", "hard", "log_weight", "variant")

    def __init__(self, variant: Variant, hard: bool, effect: Effect, log_weight: float, acts: int = 0) -> None:
        self.variant, self.hard, self.effect, self.log_weight, self.acts = variant, hard, effect, log_weight, acts


def _ways(candidate: Candidate, effects: Mapping[Key, tuple[Effect, Effect]]) -> list[_Way]:
    hard = math.log(float(priors()["belief"]["hard"]))
    some = math.log1p(-float(priors()["belief"]["hard"]))
    found = []
    for v in candidate.variants:
        if v.behaviour not in effects:
            continue
        one, two = effects[v.behaviour]
        weight = math.log(v.weight)
        found.append(_Way(v, True, one, hard + weight))
        if isinstance(v.behaviour, LaneFault):
            others = [(f.acts, effects[f][1]) for f in _both_ways(v.behaviour) if f in effects]
            split = math.log(1 + len(others))
            found.append(_Way(v, False, two, some + weight - split, replay_kernel.ON_READS))
            found += [_Way(v, False, e, some + weight - split, acts) for acts, e in others]
        else:
            found.append(_Way(v, False, two, some + weight))
    return found


def _score(
    evidence: Evidence, candidate: Candidate, effects: Mapping[Key, tuple[Effect, Effect]], noise: Noise
) -> Scored:
    ways = _ways(candidate, effects)
    more = _elsewhere(evidence, candidate)
    checked = _checked(evidence, candidate)
    lenient = noise._replace(lenient=True)
    strict_each, lenient_each = [], []
    for way in ways:
        judge = log_hard if way.hard else log_sometimes
        tallies = [way.effect.tally._replace(misses=way.effect.tally.misses + n) for n in more]
        weight = way.log_weight - math.log(len(more))
        strict_each.append(weight + float(logsumexp([judge(t, noise) for t in tallies])))
        lenient_each.append(weight + float(logsumexp([judge(t, lenient) for t in tallies])))
    best = ways[int(np.argmax(strict_each))]
    return Scored(
        candidate,
        float(logsumexp(strict_each)) + checked,
        float(logsumexp(lenient_each)) + checked,
        best.variant,
        best.hard,
        best.effect,
        best.acts,
    )


def _elsewhere(evidence: Evidence, candidate: Candidate) -> tuple[int, ...]:
    """Transfers outside the compared reads that show a bus lane, or a pair of them, working.

    Two counts, equally likely to matter: the fault hurts reads only (it sits
    at the processor's receiver), or every transfer, writes included.
    """
    traffic = evidence.traffic
    if traffic is None or candidate.scope != "bus":
        return (0,)
    lanes = bits_of(candidate.lanes)
    if candidate.fault == "bridged":
        count = traffic.differ[..., lanes[0], lanes[1]]
    elif candidate.fault == "stuck-low":
        count = traffic.high[..., lanes[0]]
    else:
        count = traffic.low[..., lanes[0]]
    outside = int(count[-1, 0])
    return outside, outside + int(count[:, 1].sum())


def _checked(evidence: Evidence, candidate: Candidate) -> float:
    """Log likelihood ratio that clipped selects, drivers and timing add."""
    if evidence.checks is None:
        return 0.0
    region = None if candidate.region is None else evidence.board.regions[candidate.region].name
    lanes = tuple(f"D{lane}" for lane in bits_of(candidate.lanes))
    mine = (candidate.fault, candidate.scope, candidate.component, region, lanes)
    total = 0.0
    for key, ratio in evidence.checks.likelihood_ratios.items():
        if all(want is None or want == have for want, have in zip(key, mine, strict=True)):
            total += math.log(min(max(ratio, 1e-9), 1e9))
    return total


def _places(card: CardView, survey: Survey) -> list[Place]:
    """Where an unlisted fault may sit: anywhere, a region, a chip, one lane of a chip."""
    anywhere = float(priors()["belief"]["listed_elsewhere"])
    regions = [r for r in card.regions if survey.compared.get(r.index)]
    places = [_place(anywhere, survey, {r.index: r.mask for r in regions}, sum(survey.compared.values()))]
    if not regions:
        return places
    share = (1.0 - anywhere) / 3
    chips = [(r, chip.mask) for r in regions for chip in r.chips]
    lanes = [(r, 1 << lane) for r in regions for lane in bits_of(r.mask)]
    for spots in ([(r, r.mask) for r in regions], chips, lanes):
        places += [_place(share / len(spots), survey, {r.index: mask}, survey.compared[r.index]) for r, mask in spots]
    return places


def _place(share: float, survey: Survey, where: Mapping[int, int], compared: int) -> Place:
    wrong = events = 0
    for (region, mask), (n, e) in survey.patterns.items():
        if region in where and mask & ~where[region] == 0:
            wrong += n
            events += e
    lanes = max((mask.bit_count() for mask in where.values()), default=1)
    return Place(share, compared, lanes, wrong, events)
