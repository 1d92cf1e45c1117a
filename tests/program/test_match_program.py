"""``match`` names the first instruction in which two runs differ: whole machines with one bad cell, two real cores."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.pipeline import Request, match_captures
from busledger.decoder.planning import ProgramRun, match_programs
from busledger.decoder.program.following import Follower, load_set, reached_by
from busledger.decoder.program.following.columns import Instructions
from tests.program.machines import Card, image, run_z80
from tests.shared_captures import FOLDER, or_skip

# A memory test: store, read back, compare, count, and call 0080 where it differs.
ROM = image((0, "210040 0E00 79 77 7E B9 C48000 0C 2C 18F5"), (0x80, "C9"))


def program_of(card):
    follower = Follower(load_set("z80"))
    blocks = [follower.feed(*card.columns()), follower.finish()]
    reached = np.concatenate([reached_by(block) for block in blocks])
    return ProgramRun(Instructions.concat([block.instructions for block in blocks]), follower.glossary, reached)


def bad_cell(address, byte):
    return byte & ~0x40 if address == 0x4040 else byte


def test_the_same_run_has_no_difference():
    assert match_programs(program_of(run_z80(Card(ROM), 900)), program_of(run_z80(Card(ROM), 900)), 4) is None


def test_a_run_that_goes_another_way():
    found = match_programs(program_of(run_z80(Card(ROM), 900)), program_of(run_z80(Card(ROM, spoil=bad_cell), 900)), 4)
    assert (found.how, found.address) == ("other-way", 9)
    assert (found.good, found.went_on_good, found.went_on_bad) == ("CALL NZ,0080H", 0x0C, 0x80)
    assert "the good run goes on at 000C, the bad one at 0080" in found.sentence


def test_an_instruction_that_holds_another_byte():
    spoil = lambda address, byte: byte | 1 if address == 0x0C else byte  # noqa: E731  INC C becomes DEC C
    found = match_programs(program_of(run_z80(Card(ROM), 900)), program_of(run_z80(Card(ROM, spoil=spoil), 900)), 4)
    assert (found.how, found.address, found.good, found.bad) == ("other-bytes", 0x0C, "INC C", "DEC C")


def test_programs_that_have_nothing_to_do_with_each_other():
    other = image((0, "C30010"), (0x1000, "3C 18FD"))
    assert match_programs(program_of(run_z80(Card(ROM), 900)), program_of(run_z80(Card(other), 900)), 4) is None


@pytest.mark.parametrize("folder", or_skip([FOLDER] if (FOLDER / "z80-clean").is_dir() else []))
def test_two_runs_of_a_core(folder):
    """The stuck lane makes the core's own memory test call its error routine at 0060 where the good run does not."""
    good, bad = (str(folder / name / "capture_events.vcd.xz") for name in ("z80-clean", "z80-stuck-lane"))
    result = match_captures(Request(capture=good, board=folder / "z80-clean" / "board.toml"), good, bad)
    found = result.instruction
    assert found is not None
    assert (found.how, found.good, found.address) == ("other-way", "JR Z,0027H", 0x22)
    assert (found.went_on_good, found.went_on_bad) == (0x27, 0x24)
