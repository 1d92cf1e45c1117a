"""What a look would settle, by enumeration; and the bench's order of steps."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest

from busledger.decoder.diagnosis import diagnose
from busledger.decoder.diagnosis.next_steps import gain_bits

from .faulty_cards import Hardware, evidence_of
from .test_engine_faults import SelectMissing, StuckLane, WritesLost


def entropy(shares):
    return -sum(p * math.log2(p) for p in shares if p > 0)


def by_enumeration(shares, shows):
    """Expected fall in entropy, outcome by outcome."""
    after = 0.0
    for outcome in (True, False):
        joint = [p * (0.5 if s is None else float(s == outcome)) for p, s in zip(shares, shows, strict=True)]
        seen = sum(joint)
        if seen > 0:
            after += seen * entropy([p / seen for p in joint])
    return entropy(shares) - after


@pytest.mark.parametrize("shares", [(1.0,), (0.5, 0.5), (0.7, 0.2, 0.1), (0.4, 0.3, 0.2, 0.1)])
def test_the_gain_equals_the_enumerated_fall_in_entropy(shares):
    for shows in itertools.product((True, False, None), repeat=len(shares)):
        assert gain_bits(shares, shows) == pytest.approx(by_enumeration(shares, shows), abs=1e-12)


def test_a_look_that_parts_two_even_suspects_is_worth_one_bit():
    assert gain_bits([0.5, 0.5], [True, False]) == 1.0
    assert gain_bits([0.5, 0.5], [True, True]) == 0.0
    assert gain_bits([0.5, 0.5], [None, None]) == 0.0


def order(steps):
    words = ("press", "clean legs", "Clip", "Run a memory test", "swap", "Only then replace")
    return [next(i for i, word in enumerate(words) if word in step.text) for step in steps]


@pytest.mark.parametrize("hardware", [StuckLane, WritesLost, SelectMissing])
@pytest.mark.parametrize("rate", [1.0, 0.05])
def test_steps_come_in_the_benchs_order(hardware, rate):
    found = diagnose(evidence_of(hardware(np.random.default_rng(1), rate)))
    assert order(found.next_steps) == sorted(order(found.next_steps))
    assert found.next_steps[0].text.startswith("Power off")
    assert any("clean legs" in step.text for step in found.next_steps) == (rate < 1.0)
    assert "retest" in found.next_steps[-1].text


def test_a_select_is_worth_a_clip_where_a_chip_and_a_decoder_are_tied():
    """Reads of bank 1 float on all lanes: its select does not come, or the region is late."""
    evidence = evidence_of(SelectMissing(np.random.default_rng(1)))
    found = diagnose(evidence)
    clip = next(step for step in found.next_steps if step.clip == ("CS1",))
    assert clip.gain_bits is not None and clip.gain_bits > 0.1
    clipped = diagnose(dataclasses.replace(evidence, clipped_lines=frozenset({"CS0", "CS1"})))
    assert all(step.clip != ("CS1",) for step in clipped.next_steps)


def test_no_step_touches_a_chip_with_the_power_on():
    """Each stands for itself: lists are cut, and the first step is not always the one with the word of caution."""
    found = diagnose(evidence_of(StuckLane(np.random.default_rng(1), 0.05)))
    touching = [step.text for step in found.next_steps if "lift" in step.text or "swap" in step.text]
    assert touching
    assert all("ower off" in text for text in touching)


def test_a_chip_that_no_board_file_names_is_looked_for_by_its_lanes():
    class Lane(Hardware):
        def read(self, address):
            return self.cells[address] & ~0x20 if address < 16 else self.cells[address]

    evidence = evidence_of(Lane(np.random.default_rng(1)), banks=(0, 1))
    board = evidence.board
    bare = tuple(dataclasses.replace(region, chips=()) for region in board.regions)
    found = diagnose(
        dataclasses.replace(evidence, board=dataclasses.replace(board, regions=bare, buffers=(), decoders=()))
    )
    assert found.suspects[0].scope == "chip" and found.suspects[0].component is None
    assert found.next_steps[0].text.startswith("Power off; find the chip on D5 of bank0, press it home")
    assert not any("ground" in step.text for step in found.next_steps)


def test_a_tie_is_parted_by_a_step_that_the_tied_answer_differently():
    class Lane(Hardware):
        def read(self, address):
            return self.cells[address] & ~0x20

    found = diagnose(dataclasses.replace(evidence_of(Lane(np.random.default_rng(1)), banks=(0,)), traffic=None))
    gains = [step.gain_bits for step in found.next_steps if step.gain_bits]
    assert max(gains) > 0.5
    both = evidence_of(Lane(np.random.default_rng(1)), banks=(0, 1))
    parted = diagnose(both)
    assert parted.suspects[0].component == "U10", "the step taken: over both banks the buffer is left"


@pytest.mark.parametrize("path", ["", "card.toml"])
def test_the_command_that_writes_a_memory_test_is_named_where_there_is_a_board_file(path):
    class Lane(Hardware):
        def read(self, address):
            return self.cells[address] & ~0x20

    evidence = dataclasses.replace(evidence_of(Lane(np.random.default_rng(1)), banks=(0,)), traffic=None)
    found = diagnose(dataclasses.replace(evidence, board=dataclasses.replace(evidence.board, path=path)))
    (asked,) = (step.text for step in found.next_steps if "Run a memory test" in step.text)
    assert ("('busledger exercise --regions bank1' writes one)" in asked) == bool(path)
