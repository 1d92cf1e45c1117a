"""More memory behind address lines that are not clipped: what looks like one region gives what either holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis import ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.aliases import aliases
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS, SPELL = range(16), 8


def two_memories_as_one(spells: int = 12, seed: int = 5):
    """The program works in one memory for a while, and in the other, writing and reading at the same 16 addresses."""
    rng = np.random.default_rng(seed)
    memory = rng.integers(0, 256, (2, 16))
    told = [("w", c, int(memory[0, c])) for c in CELLS]
    for spell in range(spells):
        mine = memory[spell & 1]
        for _ in range(SPELL):
            cell = int(rng.integers(16))
            if rng.random() < 0.3:
                mine[cell] = rng.integers(256)
                told.append(("w", cell, int(mine[cell])))
            told.append(("r", cell, int(mine[cell])))
    return told


def story(assumed):
    study = study_of(two_memories_as_one())
    evidence = replace(study.evidence, assumed=assumed, profile_facts=ProfileFacts(16, 8, 0x8000))
    return Story.of(Study(evidence))


def test_all_that_one_memory_would_not_give_is_explained_and_nothing_else_is_judged():
    told = story(("bank0",))
    (rival,) = aliases(told)
    wrong = int(np.count_nonzero(told.rows.wrong))
    assert (rival.fault, rival.scope, rival.stops_judging) == ("banked", "machine", True)
    assert rival.explains == wrong > 10 and len(rival.index) == wrong
    assert "told apart by A15 alone, which is not clipped" in rival.summary
    left = rival.overlay().feed(told.rows)
    assert not left.compared.any()


def test_contents_seen_before_cost_less_than_any():
    told = story(("bank0",))
    (rival,) = aliases(told)
    wrong = told.rows.wrong != 0
    bits = sum(int(lanes).bit_count() for lanes in told.rows.compared[wrong]) * np.log(2.0)
    assert rival.log_own > -bits


def test_where_selects_or_clips_tell_regions_apart_there_is_none():
    assert list(aliases(story(()))) == []
