"""A ROM of another version: bytes that moved, and an address line that gives bytes from elsewhere by turns."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.rivals.revisions import log_revised

SIZE = 512
OLD = np.random.default_rng(1).integers(0, 256, SIZE).astype(np.uint32)
PLACES = np.arange(SIZE)
KNOWN = np.ones(SIZE, np.bool_)


def log_of(new: np.ndarray) -> float:
    return log_revised(PLACES, new.astype(np.uint32), OLD, KNOWN, 8)


def put_in(at: int, code: list[int]) -> np.ndarray:
    return np.concatenate([OLD[:at], code, OLD[at:]])[:SIZE]


@pytest.mark.parametrize("code", [[0xEA], [0x20, 0x34, 0x12], list(range(20))])
def test_code_that_was_put_in_moves_what_follows(code):
    """All but a few bytes of the second half differ; only the new ones have to be guessed."""
    assert log_of(put_in(200, code)) > -40.0 - 8.0 * len(code) * np.log(2.0)


def test_two_changes_move_the_code_twice():
    once = put_in(100, [0xEA])
    twice = np.concatenate([once[:300], [0xA9, 0x00], once[300:]])[:SIZE]
    assert log_of(twice) > -100.0


@pytest.mark.parametrize("line", [0, 1, 3])
def test_an_address_line_that_is_not_followed_gives_them_by_turns(line):
    """A1 always low: every second pair of bytes is that two places before. As code that moved it would be a change of
    version at each of them."""
    assert log_of(OLD[PLACES & ~(1 << line)]) < -150.0


def test_chance_bytes_are_anything():
    anything = np.random.default_rng(2).integers(0, 256, SIZE)
    assert log_of(anything) == pytest.approx(-(anything != OLD).sum() * 8 * np.log(2.0), rel=0.05)


@pytest.mark.parametrize("new", [np.tile([0xA9, 0x20, 0x8D, 0x60], 16), (0xAA + 7 * np.arange(64)) & 0xFF])
def test_new_code_and_tables_say_less_than_chance_bytes(new):
    """Code is the same instructions over and over; a table may follow a rule."""
    there = np.concatenate([OLD[:100], new, OLD[164:]])
    assert log_of(there) > 0.7 * -(there != OLD).sum() * 8 * np.log(2.0)
