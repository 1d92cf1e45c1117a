"""Runs of writes: a fill is none, a program that is taken for writes is one."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.checks.probes.write_runs import WriteRuns

FILL = list(range(0x4000, 0x4400))
SHUFFLED = np.random.default_rng(3).permutation(FILL).tolist()
# Three bytes of an instruction, then the byte that it moves.
PROGRAM = [a for k in range(256) for a in (0xE000 + 3 * k, 0xE001 + 3 * k, 0xE002 + 3 * k, 0x4000 + k)]


def runs_of(written: list[int], block: int) -> WriteRuns:
    """Some reads, these writes, some reads, fed in blocks."""
    address = np.array([0xE000, 0xE001, *written, 0xE002, 0xE003], np.uint32)
    is_write = np.array([False] * 2 + [True] * len(written) + [False] * 2)
    time = 10 * np.arange(len(address), dtype=np.int64)
    found = WriteRuns()
    for at in range(0, len(address), block):
        found.feed(time[at : at + block], is_write[at : at + block], address[at : at + block])
    return found


@pytest.mark.parametrize("block", [7, 500, 5000])
@pytest.mark.parametrize(("written", "is_program"), [(FILL, False), (SHUFFLED, False), (PROGRAM, True)])
def test_what_goes_by_steps_and_jumps_in_turn_is_a_program(written, is_program, block):
    found = runs_of(written, block)
    assert (found.longest.first, found.longest.many) == (20, len(written))
    assert found.like_a_program(600) == is_program
    assert not found.like_a_program(len(written) + 1)


def test_the_longest_of_several_runs_counts():
    found = WriteRuns()
    is_write = np.array([1, 1, 0, 1, 1, 1, 0, 1], np.bool_)
    found.feed(np.arange(8, dtype=np.int64), is_write, np.arange(8, dtype=np.uint32))
    assert (found.longest.first, found.longest.many, found.longest.steps) == (3, 3, 2)
