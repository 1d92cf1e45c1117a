"""Memory that answers at two or four addresses, in a region that nobody described further."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.mirrors import mirrors, twin_blocks, twins
from busledger.decoder.diagnosis.rivals.story import Story

from .many_regions import card_of
from .small_cards import log_of, two_banks

SIZE, BLOCK = 1024, 128


def story_of(target, seed=3):
    """Random traffic over one region of ``SIZE`` bytes whose cell ``c`` lives in ``target(c)``."""
    board: Board = replace(two_banks(), regions=(Region("0000-03FF", 0, SIZE - 1, "ram", "memory"),), decoders=(),
                           buffers=())  # fmt: skip
    rng = np.random.default_rng(seed)
    memory: dict[int, int] = {}
    told = []
    for _ in range(4000):
        cell = int(rng.integers(SIZE))
        if rng.random() < 0.5:
            memory[target(cell)] = int(rng.integers(256))
            told.append(("w", cell, memory[target(cell)]))
        elif target(cell) in memory:
            told.append(("r", cell, memory[target(cell)]))
    return Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, told), 1e-9)))


def test_two_lines_at_once_make_no_difference_in_a_block_that_holds_a_quarter():
    """512-767 of the region holds 64 bytes, seen four times; A6 alone, and A7 alone, make a difference to nobody."""
    (rival,) = mirrors(story_of(lambda c: c & ~0xC0 if 512 <= c < 768 else c))
    assert rival.fault == "mirrored" and rival.lines == ("A6", "A7") and rival.addresses == (512, 767)
    assert rival.against == 0


def test_a_block_that_was_only_written_is_known_by_its_partner():
    """What was written to 384-511 is read at 256-383; nobody reads 384-511, so that nothing is wrong there."""
    whole = story_of(lambda c: c - BLOCK if 384 <= c < 512 else c)
    unread = (whole.rows.cell >= 384) & (whole.rows.cell < 512) & ~whole.rows.is_write
    story = Story(whole.study, replace(whole.told, rows=whole.rows.take(~unread)))
    (rival,) = twin_blocks(story)
    assert rival.addresses == (256, 511) and rival.summary.startswith("0180-01FF is the memory of 0100-017F once more")
    assert rival.explains == np.count_nonzero(story.rows.wrong) > 20


@pytest.mark.parametrize("look", [mirrors, twin_blocks])
def test_plain_memory_is_none(look):
    assert list(look(story_of(lambda c: c))) == []


@pytest.mark.parametrize(("rows", "pairs"), [(2, 1), (4, 6)])
def test_which_two_of_a_cards_rows_are_one_is_shared_among_the_pairs(rows, pairs):
    """That two rows are one is as likely on a card of four as on one of two."""
    told = [("w", c, 37 * c & 0xFF) for c in range(16)] + [("w", 16 + c, 91 * c + 1 & 0xFF) for c in range(16)]
    told += [("r", c, 91 * c + 1 & 0xFF) for c in range(16)]
    story = Story.of(Study(Evidence(card_of(rows), ProfileFacts(16, 8), (), log_of(card_of(rows), told), 1e-9)))
    (rival,) = twins(story)
    assert (rival.region, rival.other_region, rival.explains) == (1, 0, 16)
    assert rival.log_prior == pytest.approx(np.log(1e-3 / pairs))
