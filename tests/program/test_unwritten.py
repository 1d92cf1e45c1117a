"""A program that goes on in RAM that nothing was written to: told where the capture knows enough to say so."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from busledger.decoder.ledger.columns import Verdict
from busledger.decoder.program.following import FollowedBlock, Follower, RoadWatch, load_set
from busledger.decoder.program.following.unwritten import UnwrittenWatch
from tests.program.machines import Card, image, run_6502, run_z80

RAM = range(0x4000, 0x4400)


def derailed(name, card, *, board=True, first=0, cut=None):
    """What is found in the log from row ``first`` on; ``board``: a ROM as region 0 and plain RAM as region 1."""
    card.log = card.log[first:]
    cycles, compared = card.columns()
    for i, (_, address, _, due) in enumerate(card.log):
        if address in RAM:
            cycles.region[i] = 1
        elif not board:
            cycles.region[i] = -1
        # The ledger knows what was written since the capture began, and a ROM's image only with a board file.
        known = due is not None and (compared.writer[i] >= 0 or (board and address not in RAM))
        if compared.verdict[i] in (Verdict.AGREES, Verdict.UNKNOWN):
            compared.verdict[i] = Verdict.AGREES if known else Verdict.UNKNOWN
    ram = np.array([False, True]) if board else None
    follower = Follower(load_set(name))
    road = RoadWatch(follower.glossary, 1e-6, whole_card=board, address_digits=4, ram=ram)
    edges = [0, len(cycles)] if cut is None else [0, cut, len(cycles)]
    for a, b in pairwise(edges):
        road.feed(follower.feed(cycles.slice(a, b), compared.slice(a, b)))
    road.feed(follower.finish())
    return road.found


# LD SP,43FF / LD HL,4155 / PUSH HL / RET: the reset is seen, and the address was never a program's.
TO_NOWHERE = image((0, "31FF43 215541 E5 C9"))
# A routine is copied to 4100 (INC A, INC A and no return), then called.
RUNS_ON = image((0, "31FF43 213C3C 220041 CD0041 18FE"))


def test_a_return_to_where_nothing_was_written_since_the_reset():
    found = derailed("z80", run_z80(Card(TO_NOWHERE), 8))
    assert (found.kind, found.went_on_at) == ("unwritten", 0x4155)
    assert found.sentence == (
        f"At cycle {found.cycle} the program went on at 4155, where RET at 0007 led it: RAM that nothing was written "
        "to since the reset at cycle 0. Unless a program lay there before, this is where it left its road."
    )


def test_without_the_reset_in_the_capture_nothing_is_said():
    assert derailed("z80", run_z80(Card(TO_NOWHERE), 8), first=3) is None


def test_without_a_board_file_ram_is_where_something_was_written_close_by():
    assert derailed("z80", run_z80(Card(TO_NOWHERE), 8), board=False) is None
    near = image((0, "31FF43 215541 226041 E5 C9"))
    assert derailed("z80", run_z80(Card(near), 8), board=False).kind == "unwritten"


@pytest.mark.parametrize("first", [0, 3])
@pytest.mark.parametrize("board", [True, False])
@pytest.mark.parametrize("cut", [None, 16, 19])
def test_a_program_that_was_seen_being_written_and_has_no_end(first, board, cut):
    found = derailed("z80", run_z80(Card(RUNS_ON), 9), first=first, board=board, cut=cut)
    assert (found.kind, found.went_on_at) == ("unwritten", 0x4102)
    assert "ran on behind INC A at 4101 into 4102: RAM that nothing was written to since the " in found.sentence


def test_a_program_that_was_loaded_before_the_capture_is_no_wonder():
    """The monitor jumps to it by its address; later returns into it are its own."""
    card = Card(image((0, "31FF43 CD0041 CD0041 18F8"), (0x4100, "3C C9")))
    assert derailed("z80", run_z80(card, 20)) is None


def test_a_routine_that_was_written_and_returns_stays_on_the_road():
    rom = image((0, "31FF43 213CC9 220041 CD0041 18FB"))
    assert derailed("z80", run_z80(Card(rom), 30)) is None


def test_a_6502_whose_pointer_leads_into_empty_ram():
    # LDX #FF, TXS, LDA #55, STA 10, LDA #41, STA 11, JMP (0010)
    rom = image((0xF000, "A2FF 9A A955 8510 A941 8511 6C1000"), (0xFFFC, "00F0"))
    found = derailed("6502", run_6502(Card(rom), 9))
    assert (found.kind, found.went_on_at) == ("unwritten", 0x4155)
    assert "where JMP ($0010) at F00B led it" in found.sentence
    assert "since the reset at cycle 0" in found.sentence


def test_an_instruction_left_long_ago_is_kept_without_its_cycles():
    """A block may begin with the last instruction of the one before, and no more of its cycles: nothing is looked up
    where they would be."""
    cycles, compared = run_z80(Card(TO_NOWHERE), 8).columns()
    follower = Follower(load_set("z80"))
    block = follower.feed(cycles, compared)
    rows = np.array([len(block.cycles) - 1])
    kept = FollowedBlock(
        block.cycles.take(rows), block.compared.take(rows), block.followed.take(rows), block.instructions
    )
    assert int(block.instructions.row[0]) - int(rows[0]) < -1
    assert UnwrittenWatch(follower.glossary, np.array([False, True])).feed(kept) is None
