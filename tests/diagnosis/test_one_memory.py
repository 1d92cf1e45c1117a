"""Two blocks that are one memory, in regions that the traffic cut differently."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.board import Board, Chip, Region
from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.one_memory import one_memory
from busledger.decoder.diagnosis.rivals.story import Story

from .small_cards import log_of, two_banks

ONE, TWO = 0x2000, 0x4000
PIECES = ((ONE, 0x20FF), (0x2100, 0x21FF), (TWO, 0x41FF))


def story_of(*, once: bool, chips: bool = False) -> Story:
    """Random traffic at 2000-21FF and 4000-41FF, of which the second is the first once more or memory of its own."""
    named = (Chip("U1", None, tuple(range(8))),)
    regions = tuple(
        Region(f"{start:04X}", start, end, "ram", "memory", chips=named if chips else ()) for start, end in PIECES
    )
    board: Board = replace(two_banks(), regions=regions, decoders=(), buffers=())
    rng = np.random.default_rng(3)
    memory: dict[int, int] = {}
    told = []
    for _ in range(8000):
        address = (ONE, TWO)[int(rng.integers(2))] + int(rng.integers(0x200))
        cell = address & 0x1FF if once else address
        if rng.random() < 0.5:
            memory[cell] = int(rng.integers(256))
            told.append(("w", address, memory[cell]))
        elif cell in memory:
            told.append(("r", address, memory[cell]))
    return Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, told), 1e-9)))


def test_blocks_that_lie_in_three_regions_are_found_whole():
    story = story_of(once=True)
    (rival,) = one_memory(story)
    assert rival.summary.startswith("4000-41FF is the memory of 2000-21FF once more")
    assert rival.explains == len(story.bad) and rival.against == 0


def test_memory_of_its_own_is_none():
    assert list(one_memory(story_of(once=False))) == []


def test_where_chips_are_named_somebody_has_said_how_it_is_cut():
    assert list(one_memory(story_of(once=True, chips=True))) == []
