"""A fault of a chip that leads accesses elsewhere, in one half of its cells: weighed by all stories of the cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.leaf import LeafState
from busledger.decoder.diagnosis.leaf_chip import Chip
from busledger.decoder.diagnosis.leaf_rows import LeafCount
from busledger.decoder.diagnosis.replay.led import by_cell, log_at
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate

__all__ = ["halves_by_stories"]

_GAIN = 3.0  # nats by hits and misses from which the stories are asked
_ASKED = 2  # halves of six address bits that are. A bound of work


def halves_by_stories(
    chip: Chip, state: LeafState, rows: Rows, effect: Effect, few: Sequence[int], start: int, count: LeafCount,
    beside: float,
) -> list[LeafState]:  # fmt: skip
    """The fault of the ``state`` where one of the ``few`` address bits (the first of them bit ``start`` of the cell's
    number) has one level, which the windows of the ``rows`` tell, as those of its ``effect`` on them do; ``state``
    with the weight of such a half; ``beside``: log likelihood of the chip's other lanes."""
    scored, tally = state.faults[0], effect.tally
    behaviour = scored.variant.behaviour
    if not isinstance(behaviour, PathFault):
        return []
    code = np.arange(len(effect.chances))
    whole = log_rate(*effect.chances.sum(axis=0).tolist(), SOMETIMES)
    asked = []
    for b in few:
        if b + chip.shift in scored.candidate.lines:
            continue  # one access and the place that it lands in lie on either side of the line itself
        for level in (0, 1):
            there = (code >> (b - start)) & 1 == level
            hits, misses = effect.chances[there].sum(axis=0).tolist()
            if hits and (gain := log_rate(hits, misses, SOMETIMES) - whole) > _GAIN:
                asked.append((gain, b, level, there, hits, misses))
    if not asked:
        return []
    maps, ordered, fresh = chip.study.maps(behaviour), by_cell(rows), chip.study.fresh_words()
    lanes = (scored.candidate.mask & chip.unit.mask).bit_count()
    found = []
    for _, b, level, there, hits, misses in sorted(asked, key=lambda one: -one[0])[:_ASKED]:
        told = log_at(behaviour, maps, rows, ordered, fresh, there, (hits, misses))
        if told is None:
            continue
        own, explained = told
        noise = beside + chip.left_over(count.news(count.wrong - explained), count, lanes)
        there_only = tally._replace(
            hits=hits, misses=misses, explained=explained, excused=0, contradicted=0, two_ways=0, both_or_none=0
        )
        narrower = Effect(there_only, scored.effect.hash_ ^ (b * 2 + level + 1), scored.effect.first, effect.chances)
        detail = {"where_lines": [f"A{b + chip.shift}={level}"], "every_time": misses == 0}
        found.append(LeafState(state.log_weight, own + noise, (replace(scored, effect=narrower, detail=detail),)))
    return found
