"""Replaying the candidates: all lane faults in one pass; path faults on a few failing cells first, then the
promising ones on every row. Of the shared path over all rows, of one chip over its own."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.leaf_rows import LeafCount, narrowed
from busledger.decoder.diagnosis.playing import CROWD, Effects, play
from busledger.decoder.diagnosis.replay.foretold import FirstReads
from busledger.decoder.diagnosis.replay.lanes_kernel import KEPT_BY_CARD, KEPT_FROM_BUS
from busledger.decoder.diagnosis.replay.replay import (
    NOTHING,
    Effect,
    both_ways,
    run_lanes,
)
from busledger.decoder.diagnosis.replay.study import Rows, Study, Survey
from busledger.decoder.diagnosis.replay.theory import JOINED_DATA, Behaviour, CoupledCell, Decay, LaneFault, PathFault
from busledger.decoder.diagnosis.replay.wear import run_coupled, run_decay
from busledger.decoder.diagnosis.replay.weighing import (
    LN2,
    Noise,
    Tally,
    log_hard_each,
    log_sometimes,
    log_sometimes_each,
    log_sum,
)
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["Effects", "replay_all", "replay_leaf"]

# Bounds of work, judged. What is dropped lies 25 nats (of one chip 14) below the best on the cells that are looked at
# first, its prior included: any two priors of the bundled boards are 8 nats (of one chip 6.3) apart at the most.
# All but _OF_A_PART and _PAIR_ROWS doubled at once, and halved: no answer changes (as in replay/wear.py).
_FOCUS_CELLS = 24
_WIDEST = 4  # of each region
_KEEP_NATS = 25.0  # candidates that far below the best on the focus cells are dropped
_KEEP_AT_MOST = 80
_OF_A_PART = (2, 8, 50_000)  # of each part, the least, the most, and rows replayed for them: more where rows are few
_TIMED, _KEPT_FOR_TIME = 64, 8  # faults that are asked when they act, those that are kept for it. Judged
_LEAF_KEEPS = 14  # path faults of one chip replayed on all of its rows
_LEAF_NATS = 14.0
_LEAF_PAIR_ROWS = 300_000  # of one chip: shorted address lines that are asked, by its rows; 0.1 µs a row
_CONTENTS_ARE_ALIKE = 8  # bits of unknown contents that cost as much as one, before they are looked at
_PAIRS = 20  # shorted address lines replayed, of each part, at least …
_PAIR_ROWS = 8_000_000  # … and more of them where rows are few
_NOT_ASKED = (1, 1)
Floats = NDArray[np.float64]
_UNSURE, _EXPLAINED, _EXCUSED = (Tally._fields.index(name) for name in ("unsure_bits", "explained", "excused"))


def replay_all(study: Study, candidates: Sequence[Candidate], survey: Survey, rows: Rows) -> Effects:
    """(hard, now and then) of every behaviour of shared parts worth its replay over ``rows``."""
    effects = _lane_effects(study, [v.behaviour for c in candidates for v in c.variants], rows)
    effects.update(_path_effects(study, candidates, effects, survey, rows))
    return _with_first_reads(effects, FirstReads(study, rows, shared=True))


def _with_first_reads(effects: Effects, first: FirstReads) -> Effects:
    """The hard ones with what they foretell of cells that were read before they were written."""
    for behaviour, (always, some) in list(effects.items()):
        gain = first.log_gain(behaviour) if always.tally.hits else 0.0
        if gain:
            effects[behaviour] = (replace(always, log_contents=(always.log_contents or 0.0) + gain), some)
    return effects


def replay_leaf(
    study: Study, candidates: Sequence[Candidate], rows: Rows, count: LeafCount, only: Scored | None = None,
    plain: bool = False,
) -> Effects:  # fmt: skip
    """(hard, now and then) of the behaviours of one chip worth their replay; ``only``: of that one way of failing, and
    as one that comes and goes: what cells of unknown contents gave is not asked of hard ones then;
    ``plain``: of those that bend reads alone."""
    behaviours = [(c, v.weight, v.behaviour) for c in candidates for v in c.variants]
    if only is not None:
        behaviours = [(only.candidate, 1.0, only.variant.behaviour)]
    found: Effects = {}
    if only is None or only.path is None:
        found.update(_lane_effects(study, [b for _, _, b in behaviours], rows))
    if plain:
        return found if only is not None else _with_first_reads(found, FirstReads(study, rows, shared=True))
    wanted: dict[PathFault, float] = {}
    for c, weight, behaviour in behaviours:
        faults: list[PathFault] = []
        if isinstance(behaviour, PathFault):
            faults = [behaviour]
        elif only is not None and only.path is not None:
            faults = [only.path]
            found.setdefault(behaviour, (NOTHING, NOTHING))
        elif only is None and isinstance(behaviour, LaneFault) and found[behaviour][0].tally.explained:
            faults = list(both_ways(behaviour))
        for fault in faults:
            wanted[fault] = max(wanted.get(fault, -math.inf), math.log(c.prior * weight))
    worth = _worth_of_leaf(study, wanted, rows, count, found)
    found.update(play(study, worth, rows, None, leaf=True, contents=only is None))
    if only is not None:
        return found
    decays = [b for _, _, b in behaviours if isinstance(b, Decay)]
    couples = [b for _, _, b in behaviours if isinstance(b, CoupledCell)]
    found.update({key: (e, e) for key, e in _decays(study, decays, rows).items()})
    found.update({key: (e, e) for key, e in run_coupled(couples, study.cells, lambda: [rows], study.data_bits).items()})
    return _with_first_reads(found, FirstReads(study, rows, shared=True))


def _decays(study: Study, faults: Sequence[Decay], rows: Rows) -> dict[Decay, Effect]:
    """Decay weighed lane by lane, for each bit of a cell keeps its value for a time of its own; or all of a cell goes
    at once, as where the chip as a whole is no longer kept alive."""
    found: dict[Decay, Effect] = {}
    wrong = int(np.bitwise_or.reduce(rows.wrong, initial=0)) if faults else 0
    lanes = [lane for lane in range(32) if wrong >> lane & 1]
    written = _written(rows) if faults else np.zeros(0, np.bool_)  # the age of other cells nobody knows
    for fault in faults:
        mine = [lane for lane in lanes if fault.mask >> lane & 1]
        alone = [_decay_of_lane(study, fault._replace(mask=1 << lane), rows) for lane in mine]
        if not alone:
            continue
        went = rows.data if fault.high else ~rows.data
        hurt = written & (rows.wrong != 0) & ((rows.wrong & ~went) == 0)
        hurt &= (fault.cell < 0) | (rows.cell == fault.cell)
        first = max(alone, key=lambda effect: effect.tally.hits)
        tally = Tally(int(np.count_nonzero(hurt)), sum(e.tally.misses for e in alone), 0,
                      int(np.count_nonzero(hurt)))  # fmt: skip
        own = sum(e.log_own or 0.0 for e in alone)
        if fault.cell < 0:
            own += _idle_lanes(rows, fault, mine, first)
        if len(mine) > 1 and (together := _log_together(study, fault, rows)) > -math.inf:
            own = log_sum([own, together]) - LN2
        found[fault] = replace(first, tally=tally, log_own=own)
    return found


def _log_together(study: Study, fault: Decay, rows: Rows) -> float:
    """Log likelihood of cells all of whose bits go at once; -inf where some did and others did not."""
    effect = run_decay([fault], study.cells, lambda: [rows])[fault]
    return -math.inf if effect.tally.other or effect.log_own is None else effect.log_own


def _written(rows: Rows) -> NDArray[np.bool_]:
    """Whether the cell was written before, a value a row."""
    cells = int(rows.cell.max(initial=0)) + 1
    first = np.full(cells, len(rows), np.int64)
    writes = np.flatnonzero(rows.is_write)
    first[rows.cell[writes][::-1]] = writes[::-1]
    found: NDArray[np.bool_] = first[rows.cell] < np.arange(len(rows))
    return found


def _idle_lanes(rows: Rows, fault: Decay, failing: Sequence[int], first: Effect) -> float:
    """Log probability that the chip's other lanes kept their levels, at the rate at which the worst lane lost its own:
    cells of one chip are made alike, whatever their lane."""
    hits, misses = first.tally.hits, first.tally.misses
    idle = [lane for lane in range(32) if fault.mask >> lane & 1 and lane not in failing]
    if not hits or not idle:
        return 0.0
    asked = hits + max(_kept(rows, lane, high=fault.high) for lane in failing)
    old_enough = min(1.0, (hits + misses) / asked)
    loses = min(0.99, hits / (hits + misses))
    kept = sum(_kept(rows, lane, high=fault.high) for lane in idle)
    return kept * old_enough * math.log1p(-loses)


def _kept(rows: Rows, lane: int, *, high: bool) -> int:
    """Reads of a lane that kept the level which decay would have changed."""
    level = ~rows.expected if high else rows.expected
    return int(np.count_nonzero((rows.compared & level) >> np.uint32(lane) & 1))


def _decay_of_lane(study: Study, fault: Decay, rows: Rows) -> Effect:
    of_lane = [narrowed(rows, fault.mask)]
    return run_decay([fault], study.cells, lambda: of_lane)[fault]


def _worth_of_leaf(
    study: Study, wanted: Mapping[PathFault, float], rows: Rows, count: LeafCount, lanes: Effects
) -> list[PathFault]:
    if len(wanted) <= _LEAF_KEEPS:
        return list(wanted)
    bad = np.flatnonzero(rows.wrong)
    cells, often = np.unique(rows.cell[bad], return_counts=True)
    step = max(1, len(cells) // _FOCUS_CELLS)
    focus, wrong = cells[::step][: _FOCUS_CELLS + 8].astype(np.int32), int(often[::step][: _FOCUS_CELLS + 8].sum())
    first = play(study, [f for f in wanted if not f.op.startswith("joined")], rows, focus)
    # Beside a second fault of the chip two lines explain each alone what others do as well: few are no choice.
    at_most = max(_LEAF_KEEPS // 2, _LEAF_PAIR_ROWS // max(1, len(rows)))
    first.update(play(study, _worth_joining(list(wanted), first, at_most), rows, focus))
    noise = Noise(wrong, count.reads, study.data_bits, lenient=True)
    played = [f for f in wanted if f in first]
    quick = _quick([first[f] for f in played], [f.mask.bit_count() for f in played], (noise,)).max(axis=0)[0]
    ranked = {f: wanted[f] + value for f, value in zip(played, quick.tolist(), strict=True)}
    order = sorted(ranked, key=lambda f: -ranked[f])
    best = max([ranked[f] for f in order[:1]], default=-math.inf)
    near = [f for f in order[:_LEAF_KEEPS] if ranked[f] > best - _LEAF_NATS]
    # What comes in bursts comes near to the best only once they are known, which the first look does not ask about.
    nothing = noise.log_strays(wrong)
    firsts = {f.op: f for f in reversed(order) if ranked[f] - wanted[f] > nothing}
    return list(dict.fromkeys([*near, *firsts.values()]))


def _lane_effects(study: Study, behaviours: Sequence[Behaviour], rows: Rows) -> Effects:
    faults = [b for b in behaviours if isinstance(b, LaneFault)]
    regions = len(study.card.regions)
    found = run_lanes([f for f in faults if f.does != KEPT_FROM_BUS], regions, [rows])
    followed = {f: f._replace(does=KEPT_BY_CARD) for f in faults if f.does == KEPT_FROM_BUS}
    if followed:
        over = run_lanes(followed.values(), regions, [replace(rows, rest=rows.rest_bus)])
        found.update({fault: over[stand_in] for fault, stand_in in followed.items()})
    return {fault: (effect, _coming_and_going(effect)) for fault, effect in found.items()}


def _coming_and_going(effect: Effect) -> Effect:
    """A read that is wrong otherwise than a lane fault foretells is a chance at which that did not act."""
    tally = effect.tally
    return replace(effect, tally=tally._replace(misses=tally.misses + tally.other, other=0)) if tally.other else effect


def _path_effects(
    study: Study, candidates: Sequence[Candidate], lanes: Effects, survey: Survey, rows: Rows
) -> Effects:
    """Path faults: judged on a few failing cells first, the promising ones on all rows."""
    wanted: dict[PathFault, float] = {}
    for c in candidates:
        for v in c.variants:
            faults: list[PathFault]
            if isinstance(v.behaviour, PathFault):
                faults = [v.behaviour]
            elif isinstance(v.behaviour, LaneFault) and lanes[v.behaviour][0].tally.explained:
                faults = list(both_ways(v.behaviour))
            else:
                faults = []
            for fault in faults:
                wanted[fault] = max(wanted.get(fault, -math.inf), math.log(c.prior * v.weight))
    few_cells_tell_nothing = [f for f in wanted if f.op == JOINED_DATA]  # nor are there many of them
    wanted = {f: prior for f, prior in wanted.items() if f.op != JOINED_DATA}
    focus = _focus(study, survey)
    first = play(study, [f for f in wanted if not f.op.startswith("joined")], rows, focus)
    at_most = max(_PAIRS, _PAIR_ROWS // max(1, len(rows)))
    first.update(play(study, _worth_joining(list(wanted), first, at_most), rows, focus))
    wanted = {f: prior for f, prior in wanted.items() if f in first}
    wrong = sum(survey.cells[int(c)][0] for c in focus)
    noise = Noise(wrong, survey.total, study.data_bits)
    few, most, at_once = _OF_A_PART
    of_a_part = max(few, min(most, at_once // max(1, len(rows))))
    return dict(play(study, [*_promising(first, wanted, noise, of_a_part), *few_cells_tell_nothing], rows, None))


def _worth_joining(wanted: Sequence[PathFault], first: Effects, at_most: int) -> list[PathFault]:
    """The shorted pairs of address lines worth a replay.

    An access that a short of two lines leads astray goes where one of them
    stuck at that level would lead it; so a pair explains no more than its two
    lines do, each stuck alone. Of lines of which that was not asked nobody knows.
    """
    alone: dict[tuple[object, ...], tuple[int, int]] = {}
    for fault, (always, some) in first.items():
        if isinstance(fault, PathFault) and fault.op.startswith("forced"):
            key = (fault.op[6:], fault.regions, fault.mask, fault.floats, *fault.numbers)
            alone[key] = (always.tally.explained, some.tally.explained)
        elif isinstance(fault, PathFault) and fault.op == "silent" and fault.numbers:
            # A line of the card by which nobody answers in some regions, of whichever it was asked.
            key = ("-board", fault.mask, fault.floats, *fault.numbers)
            before = alone.get(key, (0, 0))
            alone[key] = (max(before[0], always.tally.explained), max(before[1], some.tally.explained))
    groups: dict[tuple[object, ...], list[tuple[tuple[int, int], PathFault]]] = {}
    for fault in wanted:
        if not fault.op.startswith("joined"):
            continue
        *region, one, two, high = fault.numbers
        where = (fault.op[6:], fault.regions, fault.mask, fault.floats, *region)
        silent = (*where[:1], *where[2:])
        asked = [
            alone[key]
            for line in (one, two)
            for key in ((*where, line, high), (*silent, line, high))
            if key in alone
        ]
        worth = (sum(a for a, _ in asked), sum(b for _, b in asked)) if asked else _NOT_ASKED
        groups.setdefault(where, []).append((worth, fault))
    chosen: list[PathFault] = []
    for group in groups.values():
        for way in (0, 1):  # as a fault that acts always, and as one that comes and goes
            ranked = sorted(group, key=lambda item: -item[0][way])[:at_most]
            chosen += [fault for worth, fault in ranked if worth[way]]
    return list(dict.fromkeys(chosen))


def _promising(
    first: Effects, wanted: Mapping[PathFault, float], noise: Noise, of_a_part: int
) -> list[PathFault]:
    """The faults near the best as the only one, and ``of_a_part`` of each part the best as one of several: by how they
    do as faults that act every time, and by how they do at their better way. What comes and goes may explain a little
    of all that another fault does, and would crowd out what explains its own reads exactly."""
    bits, way = [f.mask.bit_count() for f in wanted], (noise, noise._replace(lenient=True))
    both = _quick([first[f] for f in wanted], bits, way)
    strict, lenient, always = (
        {f: prior + value for (f, prior), value in zip(wanted.items(), row.tolist(), strict=True)}
        for row in (both[:, 0].max(axis=0), both[:, 1].max(axis=0), both[0, 1])
    )
    ranked = sorted(wanted, key=lambda f: -strict[f])
    top = strict[ranked[0]] if ranked else -math.inf
    keep = [f for f in ranked[:_KEEP_AT_MOST] if strict[f] > top - _KEEP_NATS]
    nothing = noise._replace(lenient=True).log_strays(noise.wrong)
    for ranks in (lenient, always):
        of_part: dict[object, set[tuple[int, ...]]] = {}
        for fault in sorted(wanted, key=lambda f: -ranks[f]):
            if ranks[fault] <= nothing or len(of_part) >= _KEEP_AT_MOST:
                break
            # What lines show that nobody drives is no other fault: it takes no other line's place.
            lines = of_part.setdefault((fault.regions, fault.mask, fault.op, fault.acts), set())
            if fault.numbers in lines or len(lines) < of_a_part:
                lines.add(fault.numbers)
                keep.append(fault)
    doubtful = [f for f in sorted(wanted, key=lambda f: -lenient[f]) if lenient[f] <= nothing]
    keep += _in_good_time(first, [f for f in doubtful if f not in keep][:_TIMED], noise._replace(lenient=True), nothing)
    return list(dict.fromkeys(keep))


def _in_good_time(first: Effects, doubtful: Sequence[PathFault], noise: Noise, nothing: float) -> list[PathFault]:
    """Those of the faults that at one rate throughout would explain nothing, and do for the time at which they act."""
    found = []
    for fault in doubtful:
        tally = first[fault][1].tally
        if tally.hits < CROWD:
            continue
        unsure = -(tally.unsure_bits // _CONTENTS_ARE_ALIKE) * LN2
        own = log_sometimes(tally, first[fault][1].chances, fault.mask.bit_count(), log_unknown=unsure)
        if own + noise.log_strays(noise.wrong - tally.explained - tally.excused) > nothing:
            found.append(fault)
    return found[:_KEPT_FOR_TIME]


def _quick(effects: Sequence[tuple[Effect, Effect]], pattern_bits: Sequence[int], noises: Sequence[Noise]) -> Floats:
    """float64[2, noises, faults]: a first look at faults, acting always and now and then, under several ideas of what
    they leave unexplained.

    As ``log_hard`` and ``log_sometimes`` have it, of all faults at once and with one rate throughout.
    """
    found = np.full((2, len(noises), len(effects)), -np.inf)
    if not effects:
        return found
    hard, some = (np.array([pair[k].tally for pair in effects], np.float64) for k in (0, 1))
    hard[:, _UNSURE] //= _CONTENTS_ARE_ALIKE
    some[:, _UNSURE] //= _CONTENTS_ARE_ALIKE
    bits = np.array(pattern_bits, np.float64)
    told = hard[:, _EXPLAINED], some[:, _EXPLAINED] + some[:, _EXCUSED]
    logs = log_hard_each(hard), log_sometimes_each(some, bits)
    for way in range(2):
        for k, noise in enumerate(noises):
            found[way, k] = logs[way] + noise.log_strays_each(noise.wrong - told[way])
    return found


def _focus(study: Study, survey: Survey) -> NDArray[np.int32]:
    """Failing cells spread over all that fail, and of each region those that fail on the most lanes: a fault of a whole
    row shows there, however few they are beside what a bad chip of it does."""
    failing = sorted(survey.cells)
    step = max(1, len(failing) // _FOCUS_CELLS)
    chosen = set(failing[::step][: _FOCUS_CELLS + 8])
    for region in range(len(study.card.regions)):
        span = study.cells.span(region)
        mine = failing[bisect_left(failing, span.start) : bisect_left(failing, span.stop)]
        chosen.update(sorted(mine, key=lambda c: -survey.cells[c][1].bit_count())[:_WIDEST])
    return np.array(sorted(chosen), np.int32)
