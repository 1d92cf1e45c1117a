"""A line that rests: the addresses went past it (a clip that is off), or the program stayed where it is (a loop)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus import load_profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.probes import walk as walking
from busledger.decoder.checks.probes.walk import Walk
from tests.reference.walk_twin import missed_steps

LINES = [f"A{n}" for n in range(16)]


def missed(words, parts=1) -> dict[str, int]:
    """What is counted of addresses that stand for ten ticks each."""
    return dict(walk_of(words, parts).missed())


def walk_of(words, parts=1) -> Walk:
    walk = Walk(LINES, {}, load_profile("6502"), 0)
    words = [*words, words[-1] ^ 0x8000]  # the last one must be seen to have stood
    time = 10 * np.arange(len(words), dtype=np.int64)
    levels = np.array(words, np.uint64).reshape(-1, 1)
    for at in np.array_split(np.arange(len(words)), parts):
        walk.feed(Capture(time=time[at], levels=levels[at], unknown=np.zeros_like(levels[at]), tick_fs=1_000_000))
    return walk


def sweep(start, end) -> list[int]:
    """A test of memory that writes one cell after another, from code at F010."""
    return [word for cell in range(start, end) for word in (0xF010, 0xF011, 0xF012, cell, 0xF013, 0xF014)]


def test_a_loop_below_the_line_is_no_sign_of_its_clip_however_long_it_lasts():
    found = missed(sweep(0x0000, 0x0400) + sweep(0x0000, 0x0040) * 40)
    assert found["A7"] == 0
    assert found["A6"] == 1  # from 3F back to 00 looks like it, so that one such step is none


@pytest.mark.parametrize("level", [0x00, 0x80])
def test_a_clip_that_comes_off_is_gone_past_where_the_line_moved_before(level):
    off = [(word & ~0x80) | level for word in sweep(0x0000, 0x0400)]
    assert missed(sweep(0x0000, 0x0400) + off)["A7"] >= 4


def test_code_alone_that_went_past_the_line_before_tells_of_it_too():
    code = [*range(0xF070, 0xF090), *range(0xF1F0, 0xF210), *range(0xF370, 0xF390)]
    off = [word & ~0x80 for word in code]
    assert missed(code * 3)["A7"] == 0
    assert missed(code * 3 + off * 3)["A7"] >= 2


def test_a_line_that_never_moved_is_gone_past_by_code_and_not_by_a_program_that_has_no_use_for_it():
    code = [*range(0xF06A, 0xF096), *range(0xF1EA, 0xF216)] * 3
    assert walk_of([word & ~0x10 for word in code]).passed()["A4"] >= 3
    assert walk_of(list(range(0xF000, 0xF010)) * 3).passed()["A4"] <= 1


def test_rows_that_wait_too_long_are_gone_through_as_they_come(monkeypatch):
    words = sweep(0x0000, 0x0100) + [word & ~0x40 for word in sweep(0x0000, 0x0100)]
    waiting = missed(words, 5)
    monkeypatch.setattr(walking, "_MOST_WAITING", 100)
    assert missed(words, 5) == waiting


def test_lines_above_one_that_is_not_clipped_are_not_told():
    walk = Walk([name for name in LINES if name != "A3"], {}, load_profile("6502"), 0)
    assert set(walk.missed()) == {"A0", "A1", "A2"}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 63), st.integers(1, 12)), min_size=1, max_size=40),
    st.integers(0, 7),
    st.integers(1, 3),
)
def test_the_kernel_counts_as_its_slow_twin(runs, off, parts):
    words = [(start + n) & 63 for start, length in runs for n in range(length)]
    half = len(words) // 2
    words = words[:half] + [word & ~(1 << off) for word in words[half:]]
    words = [word for place, word in enumerate(words) if not place or word != words[place - 1]]
    found = missed(words, parts)
    assert [found[f"A{line}"] for line in range(6)] == [missed_steps(words, line) for line in range(6)]
