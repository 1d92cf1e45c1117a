"""An address clip that is loose shows accesses out of line wherever the program goes; a card's fault shows none."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from busledger.decoder.diagnosis.rivals.dips import dips
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

SIGNS = SimpleNamespace(
    span=(0, 1 << 40),
    address_lines={n: f"A{n}" for n in range(5)}, names=["A0"] * 20,
    address_bit=lambda _: SimpleNamespace(of=0),
)  # fmt: skip
CODE, DATA = range(16), range(16, 32)


def held(cell: int) -> int:
    return (37 * cell + 11) & 0xFF


def story_of(*, code: float, data: float) -> Story:
    """A program in the lower half that reads data by turns; A2 is low in a share of the accesses of either."""
    rng = np.random.default_rng(5)
    told, gave = [("w", c, held(c)) for c in (*CODE, *DATA)], []
    for _ in range(60):
        for cell in (*CODE, *rng.choice(DATA, 8)):
            away = cell & 4 and rng.random() < (code if cell < 16 else data)
            seen = int(cell) & ~4 if away else int(cell)
            told.append(("r", seen, 0))
            # All of the code is alike, so that nothing that is read there comes out wrong.
            gave.append(held(int(cell)) if cell >= 16 else held(seen))
    values = iter(gave)
    return Story.of(study_of(told, lambda address, stored: next(values)))


def test_accesses_out_of_line_tell_of_a_clip_though_they_read_nothing_wrong():
    story = story_of(code=0.05, data=0.05)
    (rival,) = dips(story, SIGNS)
    assert (rival.fault, rival.lines) == ("clip-noisy", ("A2",))
    assert rival.explains == len(story.bad)
    assert "shows low" in rival.summary and rival.log_own > 0.0 - 8.0 * rival.explains


def test_a_card_that_goes_astray_leaves_the_program_in_line():
    assert list(dips(story_of(code=0.0, data=0.05), SIGNS)) == []


def test_a_cell_that_is_polled_does_not_go_on_from_itself():
    """A part that is busy after a write is read until it gives what was written: A0 the other way is beside it."""
    told, gave = [], []
    for n in range(6):
        told += [("w", 2 * n, held(n)), *[("r", 2 * n, 0)] * 5]
        gave += [*[held(n) ^ 0x80] * 4, held(n)]
    values = iter(gave)
    story = Story.of(study_of(told, lambda address, stored: next(values)))
    assert not [rival for rival in dips(story, SIGNS) if rival.lines == ("A0",)]
