"""Weighing every proposed fault against what is left to explain."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import replay_kernel
from .candidates import Candidate, Variant, bits_of, priors, propose
from .evidence import Evidence
from .parts_view import CardView
from .replay import Effect, PathRun, Tables, as_path, run_lanes, screened
from .study import Overlay, Rows, Study, Survey
from .theory import Behaviour, CoupledCell, Decay, LaneFault, PathFault
from .wear import run_coupled, run_decay
from .weighing import Noise, Place, log_hard, log_none, log_rate, log_sometimes, log_sum, strays_of

__all__ = ["Scored", "Weighed", "weigh"]

_FOCUS_CELLS = 24
_KEEP_NATS = 25.0  # candidates that far below the best on the focus cells are dropped
_KEEP_AT_MOST = 160
_WORTH_ASKING_CELLS = 12
_PAIRS = 24  # shorted address lines replayed, of each part
_MANY_CELLS = 64  # failing cells past which no single cell is worth asking about, save the worst


@dataclass(frozen=True)
class Scored:
    """A candidate with what its replay found.

    ``log_strict``, ``log_lenient``: log marginal likelihood without the prior,
    as the only fault, and as one of several; ``log_own``: of its own hits and
    misses alone; ``variant`` and ``hard`` say which
    way of failing carries the weight; ``effect`` is that way's.
    """

    candidate: Candidate
    log_strict: float
    log_lenient: float
    log_own: float
    variant: Variant
    hard: bool
    effect: Effect
    acts: int = 0

    @property
    def log_posterior(self) -> float:
        """Log prior plus strict likelihood, not normalised."""
        return math.log(self.candidate.prior) + self.log_strict

    @property
    def covers(self) -> int:
        """Wrong reads that it explains or excuses."""
        tally = self.effect.tally
        return tally.explained + (0 if self.hard else tally.excused)


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
    few = _WORTH_ASKING_CELLS if len(survey.cells) <= _MANY_CELLS else 2
    cells = dict(sorted(survey.cells.items(), key=lambda item: -item[1][0])[:few])
    candidates = propose(study.card, survey.lanes(), {c: m for c, (_, m) in cells.items()})
    effects = _lane_effects(study, candidates, overlays)
    effects.update(_path_effects(study, candidates, effects, survey, overlays))
    effects.update(_wear_effects(study, candidates, overlays))
    scored = [_score(study.evidence, c, effects, noise) for c in candidates if _ways(c, effects)]
    scored.sort(key=lambda s: -s.log_posterior)
    return Weighed(tuple(scored), none, survey, noise)


# -- effects ------------------------------------------------------------------
Key = Behaviour
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
    study: Study, candidates: Sequence[Candidate], lanes: Effects, survey: Survey, overlays: Sequence[Overlay]
) -> Effects:
    """Path faults: judged on a few failing cells first, the promising ones on all rows."""
    wanted: dict[PathFault, float] = {}
    for c in candidates:
        for v in c.variants:
            faults: list[PathFault]
            if isinstance(v.behaviour, PathFault):
                faults = [v.behaviour]
            elif isinstance(v.behaviour, LaneFault) and lanes[v.behaviour][0].tally.explained:
                faults = _both_ways(v.behaviour)
            else:
                faults = []
            for fault in faults:
                wanted[fault] = max(wanted.get(fault, -math.inf), math.log(c.prior * v.weight))
    focus = _focus(survey)
    blocks = list(study.blocks(overlays)) if study.in_memory else None
    first = _play(study, [f for f in wanted if not f.op.startswith("joined")], blocks, overlays, focus)
    first.update(_play(study, _worth_joining(list(wanted), first), blocks, overlays, focus))
    wanted = {f: prior for f, prior in wanted.items() if f in first}
    wrong = sum(survey.cells[int(c)][0] for c in focus)
    noise = Noise(wrong, survey.total, study.data_bits)
    keep = _promising(first, wanted, noise)
    return dict(_play(study, keep, blocks, overlays, None))


def _wear_effects(study: Study, candidates: Sequence[Candidate], overlays: Sequence[Overlay]) -> Effects:
    """Decay and coupling: they weigh themselves."""
    behaviours = [v.behaviour for c in candidates for v in c.variants]
    decays = [b for b in behaviours if isinstance(b, Decay)]
    couples = [b for b in behaviours if isinstance(b, CoupledCell)]
    if not decays and not couples:
        return {}
    blocks = list(study.blocks(overlays))
    found: Effects = {key: (e, e) for key, e in run_decay(decays, study.cells, blocks).items()}
    found.update({key: (e, e) for key, e in run_coupled(couples, study.cells, blocks, study.data_bits).items()})
    return found


def _worth_joining(wanted: Sequence[PathFault], first: Effects) -> list[PathFault]:
    """The shorted pairs of address lines worth a replay.

    An access that a short of two lines leads astray goes where one of them
    stuck at that level would lead it; so a pair explains no more than its two
    lines do, each stuck alone.
    """
    alone: dict[tuple[object, ...], int] = {}
    for fault, (_, some) in first.items():
        if isinstance(fault, PathFault) and fault.op.startswith("forced"):
            key = (fault.op[6:], fault.regions, fault.mask, fault.floats, *fault.numbers)
            alone[key] = some.tally.explained + some.tally.excused
    groups: dict[tuple[object, ...], list[tuple[int, PathFault]]] = {}
    for fault in wanted:
        if not fault.op.startswith("joined"):
            continue
        *region, one, two, high = fault.numbers
        where = (fault.op[6:], fault.regions, fault.mask, fault.floats, *region)
        worth = alone.get((*where, one, high), 0) + alone.get((*where, two, high), 0)
        if worth:
            groups.setdefault(where, []).append((worth, fault))
    return [f for group in groups.values() for _, f in sorted(group, key=lambda item: -item[0])[:_PAIRS]]


def _promising(first: Effects, wanted: Mapping[PathFault, float], noise: Noise) -> list[PathFault]:
    """The faults near the best as the only one, and of each part the best as one of several."""
    strict = {f: prior + _quick(first[f], f.mask.bit_count(), noise) for f, prior in wanted.items()}
    lenient = {
        f: prior + _quick(first[f], f.mask.bit_count(), noise._replace(lenient=True)) for f, prior in wanted.items()
    }
    ranked = sorted(wanted, key=lambda f: -strict[f])
    top = strict[ranked[0]] if ranked else 0.0
    keep = [f for f in ranked[:_KEEP_AT_MOST] if strict[f] > top - _KEEP_NATS]
    nothing = noise._replace(lenient=True).log_strays(noise.wrong)
    of_part: dict[object, int] = {}
    for fault in sorted(wanted, key=lambda f: -lenient[f])[:_KEEP_AT_MOST]:
        part = (fault.regions, fault.mask, fault.op)
        of_part[part] = of_part.get(part, 0) + 1
        if of_part[part] <= 2 and lenient[fault] > nothing:
            keep.append(fault)
    return list(dict.fromkeys(keep))


def _quick(effects: tuple[Effect, Effect], pattern_bits: int, noise: Noise) -> float:
    hard, some = effects[0].tally, effects[1].tally
    return max(
        log_hard(hard) + noise.log_strays(strays_of(hard, True, noise.wrong)),
        log_sometimes(some, None, pattern_bits) + noise.log_strays(strays_of(some, False, noise.wrong)),
    )


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
    for fault in sorted(faults, key=lambda f: (f.op, f.numbers)):
        by_regions.setdefault(fault.regions, []).append(fault)
    found: Effects = {}
    if blocks is not None:
        for regions, members in by_regions.items():
            mine = [screened(rows, regions) for rows in blocks]
            tables = Tables(study, focus)
            for fault in members:
                run = PathRun(fault, tables)
                for rows in mine:
                    run.feed(rows)
                found[fault] = run.effects()
        return found
    tables = Tables(study, focus)
    runs = {fault: PathRun(fault, tables) for fault in faults}
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

    def own(self, pattern_bits: int, extra_misses: int) -> float:
        """Log marginal likelihood of its hits and misses."""
        if self.effect.log_own is not None:
            return self.effect.log_own
        if self.hard:
            return log_hard(self.effect.tally, extra_misses)
        return log_sometimes(self.effect.tally, self.effect.chances, pattern_bits, extra_misses)


def _ways(candidate: Candidate, effects: Mapping[Key, tuple[Effect, Effect]]) -> list[_Way]:
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
    checked = _checked(evidence, candidate) - math.log(len(more))
    lenient = noise._replace(lenient=True)
    own_each, strict_each, lenient_each = [], [], []
    for way in ways:
        own = way.log_weight + checked + log_sum([way.own(candidate.mask.bit_count(), n) + ratio for n, ratio in more])
        strays = strays_of(way.effect.tally, way.hard, noise.wrong)
        own_each.append(own)
        strict_each.append(own + noise.log_strays(strays))
        lenient_each.append(own + lenient.log_strays(strays))
    at = int(np.argmax(strict_each))
    best = ways[at]
    return Scored(
        candidate,
        log_sum(strict_each),
        log_sum(lenient_each),
        own_each[at],
        best.variant,
        best.hard,
        best.effect,
        best.acts,
    )


def _elsewhere(evidence: Evidence, candidate: Candidate) -> tuple[tuple[int, float], ...]:
    """(missed chances, log likelihood ratio) that transfers outside the compared reads add to a bus fault.

    Two ways, equally likely: the fault hurts reads only (it sits at the
    processor's receiver), or every transfer, writes included. In the latter
    case not one write may show the level that cannot be; that so many writes
    would lack it by chance has a probability of its own, with a Beta(½, ½)
    prior on how often the lane is high.
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
    outside, written = int(count[-1, 0]), int(count[:, 1].sum())
    by_chance = 0.0 if written else -log_rate(int(both[:, 1].sum()), 0, (0.5, 0.5))
    return (outside, 0.0), (outside + written, by_chance)


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
    regions = [r for r in card.regions if r.index in survey.compared]
    places = [_place(anywhere, survey, {r.index: r.mask for r in regions})]
    if not regions:
        return places
    share = (1.0 - anywhere) / 3
    chips = [(r, chip.mask) for r in regions for chip in r.chips]
    lanes = [(r, 1 << lane) for r in regions for lane in bits_of(r.mask)]
    for spots in ([(r, r.mask) for r in regions], chips, lanes):
        places += [_place(share / len(spots), survey, {r.index: mask}) for r, mask in spots]
    return places


def _place(share: float, survey: Survey, where: Mapping[int, int]) -> Place:
    counts = np.zeros((replay_kernel.WINDOWS, 2), np.int64)
    for (region, mask), found in survey.patterns.items():
        if region in where and mask & ~where[region] == 0:
            counts += found
    compared = np.zeros(replay_kernel.WINDOWS, np.int64)
    for region in where:
        compared += survey.compared.get(region, 0)
    lanes = max((mask.bit_count() for mask in where.values()), default=1)
    return Place(share, lanes, int(counts[:, 0].sum()), counts[:, 1], np.maximum(compared - counts[:, 0], 0))
