"""What takes several selects at once is one fault: a decoder without its enable, supply or an address line; a select
that is held active."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from busledger.decoder.board import Board, Decoder, DecoderPart, Region, parts
from busledger.decoder.checks import CheckKey, gather_evidence
from busledger.decoder.diagnosis import diagnose
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.clipped import ClippedSelects
from busledger.decoder.diagnosis.faults.candidates import propose
from busledger.decoder.diagnosis.faults.kinds_of_paths import where_nobody_answers
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.selects_view import SelectGroup, select_groups
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.scoring import spoken_of
from busledger.decoder.diagnosis.steps_of_selects import clipped_stages

from .faulty_cards import Hardware, evidence_of
from .rows_of import candidate, study_of
from .test_clipped import CS0, CS1, SLIP, seen


def _part(name: str) -> DecoderPart:
    part = parts().get(name)
    assert isinstance(part, DecoderPart)
    return part


def three_rows() -> Board:
    """Three rows of 16 cells without drivers; a 74LS139 enables the 74LS138 that makes their selects."""
    rows = tuple(Region(f"row{k}", 16 * k, 16 * k + 15, "ram", "memory", f"CS{k}") for k in range(3))
    first = Decoder("U8", _part("74LS139"), {"1A": "A14", "1B": "A15"}, {"1Y0": "CARD"})
    second = Decoder("U9", _part("74LS138"), {"A": "A4", "B": "A5", "C": "A6", "G2A": "CARD"},
                     {"Y0": "CS0", "Y1": "CS1", "Y2": "CS2"})  # fmt: skip
    return Board(path="", name="three rows", bus="z80", regions=rows, decoders=(first, second))


def card(board: Board) -> CardView:
    return CardView.of(board, CellSpace(board.regions, 16, 8), 8, 0)


def test_all_that_one_decoder_makes_is_behind_those_that_enable_it():
    assert set(select_groups(three_rows())) == {
        SelectGroup("U8", (0, 1, 2)), SelectGroup("U8", (0, 1, 2), 14), SelectGroup("U8", (0, 1, 2), 15),
        SelectGroup("U9", (0, 1, 2)), SelectGroup("U9", (0, 1, 2), 4), SelectGroup("U9", (0, 1, 2), 5),
        SelectGroup("U9", (0, 1, 2), 6),
    }  # fmt: skip


def test_the_other_half_of_a_double_decoder_has_no_part_in_a_select():
    """A 74LS139 of which one half makes CS0, the other CS1: each input takes one of them, the supply both."""
    board = three_rows()
    halves = Decoder("U9", _part("74LS139"), {"1A": "A4", "2A": "A5"}, {"1Y0": "CS0", "2Y0": "CS1"})
    found = set(select_groups(replace(board, regions=board.regions[:2], decoders=(halves,))))
    assert found == {SelectGroup("U9", (0, 1)), SelectGroup("U9", (0,), 4), SelectGroup("U9", (1,), 5)}


def test_an_input_that_the_chips_take_as_well_leads_to_no_other_address():
    """Chips of twice the size see A4 themselves."""
    board = three_rows()
    wide = (replace(board.regions[0], end=31), replace(board.regions[2], name="row1", select="CS2"))
    bits = {g.bit for g in card(replace(board, regions=wide)).select_groups if g.designator == "U9"}
    assert bits == {None, 5, 6}


def test_each_is_listed_once_beside_the_single_selects():
    found = [c for c in propose(card(three_rows()), dict.fromkeys(range(3), 255), {}) if c.scope == "decoder"]
    missing = [(c.component, c.region, c.lines) for c in found if c.fault == "select-missing"]
    assert sorted(missing, key=str) == sorted(
        [("U8", None, ()), ("U9", None, ()), ("U8", None, (14,)), ("U8", None, (15,)),
         *(("U9", None, (bit,)) for bit in (4, 5, 6)), *(("U9", row, ()) for row in range(3))], key=str
    )  # fmt: skip
    held = [c for c in found if c.fault == "select-extra" and c.other is None]
    assert [(c.region, c.regions) for c in held] == [(row, (0, 1, 2)) for row in range(3)]


def test_a_line_that_leads_to_where_nobody_answers_is_the_silence_of_those_rows():
    rows = card(three_rows())
    away = where_nobody_answers(rows, PathFault("forced-board", (6, 1), 0xFF, (0, 1, 2)))
    assert (away.op, away.regions) == ("silent", (0, 1, 2))
    here = PathFault("forced-board", (4, 1), 0xFF, (0, 1, 2))  # row 0 is answered by row 1
    assert where_nobody_answers(rows, here) == here


class Rows(Hardware):
    """Three rows of sixteen cells."""

    def __init__(self, rng: np.random.Generator, rate: float = 1.0) -> None:
        super().__init__(rng, rate)
        self.cells = [int(v) for v in rng.integers(0, 256, 48)]


class NeverSelected(Rows):
    """Nobody takes writes or drives reads: the bus floats high."""

    def write(self, address: int, data: int) -> None:
        if not self.acts():
            self.put(address, data)

    def read(self, address: int) -> int:
        return 0xFF if self.acts() else self.cells[address]


class HeldActive(Rows):
    """Row 1's select is always active; low wins."""

    def write(self, address: int, data: int) -> None:
        self.put(address, data)
        self.put(16 + address % 16, data)

    def read(self, address: int) -> int:
        return self.cells[address] & self.cells[16 + address % 16]


class SeesLineHigh(Rows):
    """The decoder sees A4 high: row 0's addresses are answered by row 1, and row 2's by nobody."""

    def write(self, address: int, data: int) -> None:
        if address < 32:
            self.put(address | 16, data)

    def read(self, address: int) -> int:
        return self.cells[address | 16] if address < 32 else 0xFF


def told(hardware: Hardware):
    return diagnose(evidence_of(hardware, 12, (0, 1, 2), three_rows()))


@pytest.mark.parametrize("rate", [1.0, 0.1])
def test_a_card_that_is_never_selected_is_its_decoders_before_any_line(rate: float):
    """What is in front of the first one takes all of it as well; address lines have their share, each less."""
    found = told(NeverSelected(np.random.default_rng(2), rate))
    assert {s.place for s in found.suspects} == {1}
    by_part: dict[str | None, float] = {}
    for s in found.suspects:
        by_part[s.component] = by_part.get(s.component, 0.0) + s.probability
    first = found.suspects[0]
    assert (first.fault, first.detail["regions"]) == ("select-missing", ["row0", "row1", "row2"])
    assert by_part["U8"] + by_part["U9"] > 0.5
    assert all(s.probability < 0.1 for s in found.suspects if s.scope == "board")
    assert "makes none of its selects (row0, row1 and row2)" in first.summary
    assert any("supply, enable and input pins of U" in step.text for step in found.next_steps)


def test_a_select_that_is_held_active_is_one_fault():
    found = told(HeldActive(np.random.default_rng(3)))
    first = found.suspects[0]
    assert (first.fault, first.component, first.region, first.other_region) == ("select-extra", "U9", "row1", None)
    assert first.probability > 0.9
    assert {s.place for s in found.suspects} == {1}
    assert "is held active" in first.summary
    assert any("Measure CS1 at U9" in step.text for step in found.next_steps)


def test_a_decoder_that_does_not_see_a_line_is_tied_with_that_line_of_the_card():
    found = told(SeesLineHigh(np.random.default_rng(4)))
    first, *others = (s for s in found.suspects if s.scope != "machine")
    assert (first.fault, first.component, first.address_lines) == ("select-missing", "U9", ("A4",))
    assert ("address-stuck", ("A4",)) in {(s.fault, s.address_lines) for s in others}
    assert any(step.text.startswith("Power off, clip A4 at U9's own pin") for step in found.next_steps)


def test_clipped_selects_must_come_where_a_line_leads():
    """The card sees A4 high: in a wrong read of bank 0 its own select is away, and bank 1's comes."""
    study = study_of([("w", 0, 0xFF), ("r", 0, 0), ("w", 16, 1), ("r", 16, 1)])
    line = candidate(study, "address-stuck", "board", lines=(4,))
    there = np.ones(4, np.int64)

    def log_of(came: list[int], clipped: int = CS0 | CS1) -> float:
        return ClippedSelects(seen(study.rows(), came, clipped)).log_of_led(line, there)

    assert log_of([CS1, CS1, CS1, CS1]) == pytest.approx(2 * SLIP)
    assert log_of([CS0, CS0, CS1, CS1]) == pytest.approx(-2 * SLIP)
    assert log_of([0, 0, CS1, CS1]) == pytest.approx(0.0)  # away, but the other one does not come
    assert log_of([CS1, CS1, CS1, CS1], clipped=0) == 0.0


def _stage(
    name: str, outputs: dict[str, tuple[int, int]], expected: str = "H", not_clipped: tuple[str, ...] = ()
) -> Any:
    """A decoder's result: of each output the moments that asked for it, and those of them in which it was away;
    what its table asks for in the rows seen."""
    seen_outputs = [
        SimpleNamespace(line=line, judged=100, missing=missing, extra=0, called=called, moves=called)
        for line, (called, missing) in outputs.items()
    ]
    return SimpleNamespace(designator=name, through=(), outputs=tuple(outputs), output_results=tuple(seen_outputs),
                           judged=100, rows_seen=4, rows_possible=8, not_clipped=not_clipped,
                           rows=(SimpleNamespace(expected=expected),))  # fmt: skip


@pytest.mark.parametrize(("came", "missing", "guilty"), [(40, 0, None), (0, 40, "U8")])
def test_a_clip_between_two_decoders_tells_which_lost_the_selects(came: int, missing: int, guilty: str | None):
    """CARD as U8's inputs ask: it is not U8. CARD away: U9, which was not asked for any select, did not lose it."""
    board = three_rows()
    second = {f"CS{k}": (came // 4, came // 4) for k in range(3)}
    checks: Any = SimpleNamespace(
        decoders=(_stage("U8", {"CARD": (came + missing, missing)}), _stage("U9", second)), regions=(), findings=()
    )
    told = gather_evidence(board, checks)
    ratios = {key.component: ratio for key, ratio in told.likelihood_ratios.items()}
    if guilty is None:
        assert ratios["U8"] < 0.01 and "U9" not in ratios
    else:
        assert ratios["U8"] > 100.0 and ratios["U9"] < 0.01
        assert "CARD was missing in 40 of the 40 moments that asked for it" in told.sentences.values()


@pytest.mark.parametrize(("expected", "not_clipped"), [("?HH", ("CARD",)), ("?HH", ()), ("HHH", ("CARD",))])
def test_outputs_that_rest_clear_no_decoder_where_nobody_knows_an_enable(expected: str, not_clipped: tuple[str, ...]):
    """CARD is not clipped, or a pin that the board file leaves out decides: a dead U9 rests just the same."""
    quiet = _stage("U9", {f"CS{k}": (0, 0) for k in range(3)}, expected, not_clipped)
    checks: Any = SimpleNamespace(decoders=(quiet,), regions=(), findings=())
    assert gather_evidence(three_rows(), checks).likelihood_ratios == {}


def test_what_is_seen_of_a_decoder_speaks_of_what_takes_several_selects_alone():
    """What U9's outputs do together: of each of its selects that says nothing that its own clip does not."""
    board = three_rows()
    whole = CheckKey("select-missing", "decoder", "U9")
    own = [CheckKey("select-missing", "decoder", None, f"row{k}") for k in range(3)]
    keys = [whole, *own]
    evidence: Any = SimpleNamespace(board=board, spoken={("select-missing", "decoder"): keys})
    found = propose(card(board), dict.fromkeys(range(3), 255), {})
    spoken = {
        (c.region, c.lines): spoken_of(evidence, c)
        for c in found if c.fault == "select-missing" and c.component == "U9"
    }  # fmt: skip
    assert [spoken[row, ()] for row in range(3)] == [[key] for key in own]
    assert set(spoken[None, ()]) == set(keys) and spoken[None, (4,)] == [whole]


def test_a_clip_between_two_decoders_that_show_the_same_is_worth_a_step():
    board = three_rows()
    found = [c for c in propose(card(board), dict.fromkeys(range(3), 255), {}) if c.lines == () and c.region is None]
    pair = [c for c in found if c.fault == "select-missing"]
    evidence: Any = SimpleNamespace(board=board, clipped_lines=frozenset())

    def bits(shows: Any) -> float:
        yes = sum(bool(shows(c)) for c in pair) / len(pair)
        return 0.0 if yes in (0.0, 1.0) else -yes * math.log2(yes) - (1.0 - yes) * math.log2(1.0 - yes)

    steps = clipped_stages(evidence, pair, bits)
    assert [(step.clip, step.gain_bits) for step in steps] == [(("CARD",), 1.0)]
    assert steps[0].text.endswith("U8 is innocent; if it was due and stayed away, U9 is.")
