"""Two address lines that are joined: likelier where their pins are neighbours, and the step says between which."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.board import Board, Chip, MemoryPart, parts
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.faults.candidates import propose, total_weight
from busledger.decoder.diagnosis.faults.kinds import KINDS
from busledger.decoder.diagnosis.next_steps import next_steps
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.replay import NOTHING
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.suspects import Slot

from .faulty_cards import Hardware, evidence_of
from .small_cards import two_banks


def board() -> Board:
    """Two banks of 2114s, of which the driver of the address lines, U11, serves the first only."""
    part = parts().get("2114")
    assert isinstance(part, MemoryPart)
    plain = two_banks()
    regions = tuple(
        replace(r, chips=tuple(Chip(c.designator, part, c.lanes) for c in r.chips)) for r in plain.regions
    )
    buffers = (plain.buffers[0], replace(plain.buffers[1], serves=("bank0",)))
    return replace(plain, regions=regions, buffers=buffers)


def card() -> CardView:
    return CardView.of(board(), CellSpace(board().regions, 16, 8), 8, 0)


def joined(lines: tuple[int, int]) -> dict[str | None, Candidate]:
    """By the part that is named, two lines of the card that are joined."""
    found = propose(card(), {0: 0xFF, 1: 0xFF}, {})
    wanted = ("address-bridged", "board", lines)
    return {c.component: c for c in found if (c.fault, c.scope, c.lines) == wanted}


def test_a1_and_a2_are_neighbours_at_each_2114_and_not_at_the_74ls244() -> None:
    """2114: A1 and A2 are pins 6 and 7. 74LS244: 1A2 and 1A3 are pins 4 and 6, 1Y2 and 1Y3 pins 16 and 14."""
    by_part = joined((1, 2))
    assert set(by_part) == {None, "U11"}
    assert by_part[None].prior == pytest.approx(5 * by_part["U11"].prior)


def test_a0_and_a3_are_neighbours_at_the_chips_and_pairs_that_are_nowhere_so_are_rarer() -> None:
    """2114: A3 and A0 are pins 4 and 5; A2 and A3 are pins 7 and 4."""
    (near, far) = (joined(lines)[None] for lines in ((0, 3), (2, 3)))
    assert near.prior == pytest.approx(5 * far.prior)


def test_the_kind_as_a_whole_is_no_likelier_and_no_rarer_for_it() -> None:
    found = propose(card(), {0: 0xFF, 1: 0xFF}, {})
    shares = [c.prior for c in found if (c.fault, c.scope) == ("address-bridged", "board")]
    assert sum(shares) == pytest.approx(KINDS["address-bridged"].weight("board") / total_weight())


def test_the_first_step_says_between_which_pins_to_look() -> None:
    fault = joined((1, 2))[None]
    slot = Slot((Scored(fault, fault.variants[0], True, NOTHING),), (1.0,), 0.0)
    evidence = evidence_of(Hardware(np.random.default_rng(1)), rounds=1, board=board())
    text = next_steps(evidence, card(), [slot])[0].text
    assert "between pins 6 and 7 (A1 and A2) of U1, U2, U3 and U4" in text and text.startswith("Power off")
