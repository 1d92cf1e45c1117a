"""Two clips on each other's select: each comes for the other's bank, while all that is read is right."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.exchanged_selects import exchanged_pairs, selects_exchanged
from busledger.decoder.diagnosis.rivals.story import Story

from .small_cards import log_of, two_banks

CELLS = range(32)  # sixteen a bank


@dataclass
class Signs:
    names: tuple[str, ...]


def story_of(came, bend=lambda _, data: data) -> Story:
    """Both banks written and read twice; ``came`` gives the selects that were seen active, by bank."""
    board = two_banks()
    told = [(kind, c, 7 * c) for kind in ("w", "r", "r") for c in CELLS]
    log = log_of(board, told, bend)
    for cycles, compared in log.blocks():
        compared.selects_seen[:] = 3
        compared.selected[:] = [came(int(region)) for region in cycles.region]
    return Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log, 1e-9, all_agree=log.all_agree)))


def signs_of(story: Story) -> Signs:
    return Signs(tuple(region.select for region in story.regions))


def test_each_comes_for_the_other_s_bank():
    story = story_of(lambda bank: 2 if bank == 0 else 1)
    (rival,) = selects_exchanged(story, signs_of(story))
    assert (rival.fault, rival.scope, rival.lines) == ("clips-exchanged", "clip", signs_of(story).names)
    assert rival.stops_judging and not rival.explains
    assert rival.log_prior + rival.log_seen > 7.0


@pytest.mark.parametrize(
    "came",
    [lambda bank: 1 << bank, lambda bank: 0, lambda bank: 3, lambda bank: 1],
    ids=["as they should", "neither", "both", "one for both"],
)
def test_else_they_are_where_they_belong(came):
    assert exchanged_pairs(story_of(came)) == {}


def test_banks_that_both_come_wrong_are_left_to_the_decoder():
    story = story_of(lambda bank: 2 if bank == 0 else 1, lambda _, data: data ^ 1)
    assert story.rows.wrong.any()
    assert not list(selects_exchanged(story, signs_of(story)))


def test_one_sound_bank_of_the_two_is_enough():
    story = story_of(lambda bank: 2 if bank == 0 else 1, lambda address, data: data ^ (address < 16))
    assert story.rows.wrong.any()
    assert len(list(selects_exchanged(story, signs_of(story)))) == 1
