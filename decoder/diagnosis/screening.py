"""Replaying the candidates: all lane faults in one pass; path faults on a few failing cells first, then the
promising ones on every row."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.replay.lanes_kernel import KEPT_BY_CARD, KEPT_FROM_BUS
from busledger.decoder.diagnosis.replay.replay import (
    BYTES_A_CELL,
    Effect,
    PathRun,
    Tables,
    both_ways,
    run_lanes,
    screened,
)
from busledger.decoder.diagnosis.replay.study import Overlay, Rows, Study, Survey
from busledger.decoder.diagnosis.replay.theory import Behaviour, CoupledCell, Decay, LaneFault, PathFault
from busledger.decoder.diagnosis.replay.wear import run_coupled, run_decay
from busledger.decoder.diagnosis.replay.weighing import Noise, log_hard, log_sometimes, strays_of

__all__ = ["Effects", "replay_all"]

_FOCUS_CELLS = 24
_KEEP_NATS = 25.0  # candidates that far below the best on the focus cells are dropped
_KEEP_AT_MOST = 160
_EXCERPT = 1_500_000  # rows
_STATE_BYTES = 250_000_000  # of replays running side by side over a capture that is too long to hold
_PAIRS = 20  # shorted address lines replayed, of each part, at least …
_PAIR_ROWS = 8_000_000  # … and more of them where rows are few

Effects = dict[Behaviour, tuple[Effect, Effect]]


def replay_all(study: Study, candidates: Sequence[Candidate], survey: Survey, overlays: Sequence[Overlay]) -> Effects:
    """(hard, now and then) of every behaviour worth its replay."""
    effects = _lane_effects(study, candidates, overlays)
    effects.update(_path_effects(study, candidates, effects, survey, overlays))
    effects.update(_wear_effects(study, candidates, overlays))
    return effects


def _lane_effects(study: Study, candidates: Sequence[Candidate], overlays: Sequence[Overlay]) -> Effects:
    faults = [v.behaviour for c in candidates for v in c.variants if isinstance(v.behaviour, LaneFault)]
    regions = len(study.card.regions)
    found = run_lanes([f for f in faults if f.does != KEPT_FROM_BUS], regions, study.blocks(overlays))
    followed = {f: f._replace(does=KEPT_BY_CARD) for f in faults if f.does == KEPT_FROM_BUS}
    if followed:
        carried = (replace(rows, rest=rows.rest_bus) for rows in study.blocks(overlays))
        over = run_lanes(followed.values(), regions, carried)
        found.update({fault: over[stand_in] for fault, stand_in in followed.items()})
    return {fault: (effect, effect) for fault, effect in found.items()}


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
                faults = both_ways(v.behaviour)
            else:
                faults = []
            for fault in faults:
                wanted[fault] = max(wanted.get(fault, -math.inf), math.log(c.prior * v.weight))
    focus = _focus(survey)
    blocks = list(study.blocks(overlays)) if study.in_memory else None
    # Of a capture too long to hold, an excerpt from its first failures on decides what is worth a replay.
    shown = blocks if blocks is not None else _excerpt(study, overlays)
    wrong_in_all = survey.wrong
    if blocks is None:
        survey = study.survey(shown)
        focus = _focus(survey)
    first = _play(study, [f for f in wanted if not f.op.startswith("joined")], shown, overlays, focus)
    at_most = max(_PAIRS, _PAIR_ROWS // max(1, len(study.evidence.log)))
    first.update(_play(study, _worth_joining(list(wanted), first, at_most), shown, overlays, focus))
    wanted = {f: prior for f, prior in wanted.items() if f in first}
    wrong = sum(survey.cells[int(c)][0] for c in focus)
    noise = Noise(wrong, survey.total, study.data_bits)
    keep = _promising(first, wanted, noise, _clear_case(candidates, lanes, wrong_in_all))
    return dict(_play(study, keep, blocks, overlays, None))


def _wear_effects(study: Study, candidates: Sequence[Candidate], overlays: Sequence[Overlay]) -> Effects:
    """Decay and coupling: they weigh themselves."""
    behaviours = [v.behaviour for c in candidates for v in c.variants]
    decays = [b for b in behaviours if isinstance(b, Decay)]
    couples = [b for b in behaviours if isinstance(b, CoupledCell)]
    if not decays and not couples:
        return {}
    held = list(study.blocks(overlays)) if study.in_memory else None

    def blocks() -> Iterable[Rows]:
        return held if held is not None else study.blocks(overlays)

    found: Effects = {key: (e, e) for key, e in run_decay(decays, study.cells, blocks).items()}
    found.update({key: (e, e) for key, e in run_coupled(couples, study.cells, blocks, study.data_bits).items()})
    return found


def _excerpt(study: Study, overlays: Sequence[Overlay]) -> list[Rows]:
    """The rows from the first wrong read's block on, as many as are easily held."""
    kept: list[Rows] = []
    rows_held = 0
    for rows in study.blocks(overlays):
        if not kept and not rows.wrong.any():
            continue
        kept.append(rows)
        rows_held += len(rows)
        if rows_held >= _EXCERPT:
            break
    return kept


def _worth_joining(wanted: Sequence[PathFault], first: Effects, at_most: int) -> list[PathFault]:
    """The shorted pairs of address lines worth a replay.

    An access that a short of two lines leads astray goes where one of them
    stuck at that level would lead it; so a pair explains no more than its two
    lines do, each stuck alone.
    """
    alone: dict[tuple[object, ...], tuple[int, int]] = {}
    for fault, (always, some) in first.items():
        if isinstance(fault, PathFault) and fault.op.startswith("forced"):
            key = (fault.op[6:], fault.regions, fault.mask, fault.floats, *fault.numbers)
            alone[key] = (always.tally.explained, some.tally.explained)
    groups: dict[tuple[object, ...], list[tuple[tuple[int, int], PathFault]]] = {}
    for fault in wanted:
        if not fault.op.startswith("joined"):
            continue
        *region, one, two, high = fault.numbers
        where = (fault.op[6:], fault.regions, fault.mask, fault.floats, *region)
        a, b = alone.get((*where, one, high), (0, 0)), alone.get((*where, two, high), (0, 0))
        groups.setdefault(where, []).append(((a[0] + b[0], a[1] + b[1]), fault))
    chosen: list[PathFault] = []
    for group in groups.values():
        for way in (0, 1):  # as a fault that acts always, and as one that comes and goes
            ranked = sorted(group, key=lambda item: -item[0][way])[:at_most]
            chosen += [fault for worth, fault in ranked if worth[way]]
    return list(dict.fromkeys(chosen))


def _clear_case(candidates: Sequence[Candidate], lanes: Effects, wrong: int) -> float:
    """The best log prior of a lane fault that explains every wrong read and missed none of its chances; else −∞."""
    best = -math.inf
    for c in candidates:
        for v in c.variants:
            tally = lanes[v.behaviour][0].tally if v.behaviour in lanes else None
            if tally and tally.explained == wrong and not tally.misses and not tally.other:
                best = max(best, math.log(c.prior * v.weight))
    return best


def _promising(first: Effects, wanted: Mapping[PathFault, float], noise: Noise, clear_case: float) -> list[PathFault]:
    """The faults near the best as the only one, and of each part the best as one of several."""
    strict = {f: prior + _quick(first[f], f.mask.bit_count(), noise) for f, prior in wanted.items()}
    lenient = {
        f: prior + _quick(first[f], f.mask.bit_count(), noise._replace(lenient=True)) for f, prior in wanted.items()
    }
    ranked = sorted(wanted, key=lambda f: -strict[f])
    top = max(strict[ranked[0]] if ranked else -math.inf, clear_case + noise.log_strays(0))
    keep = [f for f in ranked[:_KEEP_AT_MOST] if strict[f] > top - _KEEP_NATS]
    if clear_case > -math.inf:
        return keep
    nothing = noise._replace(lenient=True).log_strays(noise.wrong)
    of_part: dict[object, int] = {}
    for fault in sorted(wanted, key=lambda f: -lenient[f]):
        if lenient[fault] <= nothing or len(of_part) >= _KEEP_AT_MOST:
            break
        part = (fault.regions, fault.mask, fault.op)
        of_part[part] = of_part.get(part, 0) + 1
        if of_part[part] <= 2:
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
    at_once = max(1, _STATE_BYTES // max(1, study.cells.total * BYTES_A_CELL))
    ordered = [fault for members in by_regions.values() for fault in members]
    for start in range(0, len(ordered), at_once):
        tables = Tables(study, focus)
        runs = {fault: PathRun(fault, tables) for fault in ordered[start : start + at_once]}
        for rows in study.blocks(overlays):
            parts = {regions: screened(rows, regions) for regions in {fault.regions for fault in runs}}
            for fault, run in runs.items():
                run.feed(parts[fault.regions])
        found.update({fault: run.effects() for fault, run in runs.items()})
    return found
