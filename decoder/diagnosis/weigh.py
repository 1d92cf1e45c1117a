"""Weighing every proposed fault against what is left to explain."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from busledger.decoder.diagnosis.faults.candidate import bits_of, priors
from busledger.decoder.diagnosis.faults.candidates import propose
from busledger.decoder.diagnosis.replay import replay_kernel
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.replay import NOTHING
from busledger.decoder.diagnosis.replay.study import Overlay, Study, Survey
from busledger.decoder.diagnosis.replay.weighing import Noise, Place, log_none
from busledger.decoder.diagnosis.scoring import Scored, checked, score, ways
from busledger.decoder.diagnosis.screening import replay_all

__all__ = ["Weighed", "seen_by_checks", "weigh"]

_WORTH_ASKING_CELLS = 12
_MANY_CELLS = 64  # failing cells past which no single cell is worth asking about, save the worst
_SEEN = math.log(100.0)  # a check that sure speaks for a fault even where no read went wrong


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
        return Weighed(tuple(seen_by_checks(study)) if not overlays else (), 0.0, survey, noise)
    few = _WORTH_ASKING_CELLS if len(survey.cells) <= _MANY_CELLS else 2
    cells = dict(sorted(survey.cells.items(), key=lambda item: -item[1][0])[:few])
    card = replace(study.card, bus_settles=study.bus_settles)
    candidates = propose(card, survey.lanes(), {c: m for c, (_, m) in cells.items()})
    effects = replay_all(study, candidates, survey, overlays)
    scored = [score(study.evidence, c, effects, noise) for c in candidates if ways(c, effects)]
    scored.sort(key=lambda s: -s.log_posterior)
    return Weighed(tuple(scored), none, survey, noise)


def seen_by_checks(study: Study) -> list[Scored]:
    """Faults that clipped lines show although every read came back right (exchanged selects do not hurt memory)."""
    checks = study.evidence.checks
    if checks is None or max(checks.likelihood_ratios.values(), default=0.0) <= 1.0:
        return []  # every clipped line was seen right: nothing to propose
    everywhere = {region.index: region.mask for region in study.card.regions}
    found = []
    for c in propose(study.card, everywhere, {}):
        if c.scope not in ("decoder", "buffer"):
            continue
        ratio = checked(study.evidence, c)
        if ratio > _SEEN:
            found.append(Scored(c, ratio, ratio, ratio, c.variants[0], True, NOTHING))
    return sorted(found, key=lambda s: -s.log_posterior)


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
