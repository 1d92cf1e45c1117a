"""A loose clip on a line of a multiplexed bus (8085: AD0 to AD7) spoils addresses and data on the same bit."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from busledger.decoder.diagnosis.rivals.loose import loose_clips
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS = range(32)
SHARED = SimpleNamespace(address_lines={0: "AD0"}, data_lines={0: "AD0"})
APART = SimpleNamespace(address_lines={0: "A0"}, data_lines={0: "D0"})


def held(cell: int) -> int:
    return (37 * cell + 11) & 0xFF


def story_of(*, addresses: bool, data: bool, whole: bool = False) -> Story:
    """Rounds of reads, of which now and then one has its address, or its data, seen with bit 0 low; ``whole``: both of
    one access."""
    told = [("w", c, held(c)) for c in CELLS]
    gave = []
    rng = np.random.default_rng(5)
    for cell in rng.integers(0, len(CELLS), 600).tolist():
        away = addresses and cell & 1 and rng.random() < 0.05
        low = data and not away and held(cell) & 1 and rng.random() < 0.05
        low |= bool(whole and away and rng.random() < 0.5)
        told.append(("r", cell & ~1 if away else cell, 0))
        gave.append(held(cell) & ~1 if low else held(cell))
    reads = iter(gave)
    return Story.of(study_of(told, lambda address, stored: next(reads)))


def test_address_and_data_wrong_on_one_line_are_its_clip():
    (rival,) = loose_clips(story_of(addresses=True, data=True), SHARED)
    assert (rival.fault, rival.lines, rival.stops_judging) == ("clip-noisy", ("AD0",), True)
    assert rival.explains == len(story_of(addresses=True, data=True).bad)
    assert "shows low" in rival.summary


def test_a_contact_that_is_open_for_a_whole_access_spoils_both_in_one_read():
    story = story_of(addresses=True, data=True, whole=True)
    (rival,) = loose_clips(story, SHARED)
    assert rival.explains == len(story.bad)


def test_one_of_them_alone_may_be_the_card_s():
    assert list(loose_clips(story_of(addresses=True, data=False), SHARED)) == []
    assert list(loose_clips(story_of(addresses=False, data=True), SHARED)) == []


def test_two_lines_have_two_clips():
    assert list(loose_clips(story_of(addresses=True, data=True), APART)) == []
