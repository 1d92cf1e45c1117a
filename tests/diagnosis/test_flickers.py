"""A clip on a data line that shows one level now and then bends reads, and what is seen of writes."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from busledger.decoder.diagnosis.rivals.flickers import flickering_clips
from busledger.decoder.diagnosis.rivals.rival import Rival
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

SIGNS = SimpleNamespace(address_lines={}, data_lines={0: "D0", 1: "D1"})
CELLS = 32


def found(story: Story) -> list[Rival]:
    return list(flickering_clips(story, SIGNS))


def story_of(*, reads: float, writes: float, data: tuple[int, ...] = (), rounds: int = 30) -> Story:
    """Rounds of fills, read back twice; D0 is seen high in a share of the reads, and of the writes."""
    rng = np.random.default_rng(7)
    told, gave = [], []
    for _ in range(rounds):
        held = rng.choice(data, CELLS) if data else rng.integers(0, 256, CELLS)
        told += [("w", c, int(held[c]) | (rng.random() < writes)) for c in range(CELLS)]
        for cell in [*range(CELLS), *range(CELLS)]:
            told.append(("r", cell, 0))
            gave.append(int(held[cell]) | (rng.random() < reads))
    values = iter(gave)
    return Story.of(study_of(told, lambda address, stored: next(values)))


def test_reads_and_writes_seen_high_are_the_clip_s():
    story = story_of(reads=0.03, writes=0.03)
    (rival,) = found(story)
    assert (rival.fault, rival.lines, rival.stops_judging) == ("clip-noisy", ("D0",), True)
    assert rival.explains == len(story.bad)
    assert "shows high" in rival.summary


def test_writes_that_are_never_hit_speak_against_it():
    clip, lane = (found(story_of(reads=0.03, writes=writes))[0] for writes in (0.03, 0.0))
    each = [one.log_own / one.explains for one in (clip, lane)]
    assert each[0] > each[1] + 0.2


def test_a_clip_makes_no_program_write_what_it_never_writes():
    """One read in twenty gives 14 where 15 was written, and 15 is all that is ever written."""
    rng = np.random.default_rng(8)
    told = [("w", c, 0x15) for c in range(CELLS)] + [("r", c, 0x15) for c in range(CELLS)] * 20
    bent = Story.of(study_of(told, lambda address, data: 0x14 if rng.random() < 0.05 else data))
    low, *high = found(bent)
    assert "shows low" in low.summary
    assert all(one.log_own < low.log_own - 50.0 for one in high)  # writes of 14, each seen high


def test_two_wrong_reads_may_be_anything():
    assert found(story_of(reads=0.0, writes=0.001, rounds=3)) == []
