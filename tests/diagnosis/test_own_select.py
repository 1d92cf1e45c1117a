"""A chip whose own select pin is held, or makes no contact: it answers for the other row beside that row's own chip."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis import Diagnosis, diagnose, playing, saying
from busledger.decoder.diagnosis.intermittence.occasions import intermittence_of
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.findings import Suspect

from .faulty_cards import LOW_NIBBLE, Hardware, SelectExtra, evidence_of


class HeldActive(Hardware):
    """U1 (bank 0, D0-D3) is always selected: it drives against U3 in bank 1, low wins, and takes its writes."""

    def write(self, address: int, data: int) -> None:
        self.put(address, data)
        if address >= 16 and self.acts():
            self.put(address - 16, data, LOW_NIBBLE)

    def read(self, address: int) -> int:
        data = self.cells[address]
        if address >= 16 and self.acts():
            data &= self.cells[address - 16] | ~LOW_NIBBLE
        return data


class FollowsItsNeighbour(Hardware):
    """For a while the select of U1 takes the level of A2 beside it: with A2 low U1 answers whatever is asked, with A2
    high nothing reaches it."""

    def __init__(self, rng: np.random.Generator, rate: float = 1.0) -> None:
        super().__init__(rng, rate)
        self.access = 0

    def selected(self, address: int) -> bool:
        self.access += 1
        open_now = 900 < self.access < 1500
        return not address & 4 if open_now else address < 16

    def write(self, address: int, data: int) -> None:
        mine = self.selected(address)
        self.put(address, data, 0xFF if address >= 16 or mine else 0xF0)
        if mine:
            self.put(address & 15, data, LOW_NIBBLE)

    def read(self, address: int) -> int:
        mine, data = self.selected(address), self.cells[address]
        if address >= 16:
            return data & (self.cells[address - 16] | ~LOW_NIBBLE) if mine else data
        return data if mine else data & 0xF0 | self.bus & LOW_NIBBLE


class DrivenLow(Hardware):
    """U3 (bank 1, D0-D3) loses single bits to low now and then: nothing that U1 holds has a part in it."""

    def read(self, address: int) -> int:
        data = self.cells[address]
        return data & ~(1 << int(self.rng.integers(4))) if address >= 16 and self.acts() else data


def found(kind: type[Hardware], rate: float) -> Diagnosis:
    return diagnose(evidence_of(kind(np.random.default_rng(7), rate)))


def first(diagnosis: Diagnosis) -> Suspect:
    return diagnosis.suspects[0]


def bad(diagnosis: Diagnosis) -> set[str]:
    return {part.component for part in diagnosis.parts if part.bad >= 0.5}


@pytest.mark.parametrize("rate", [1.0, 0.1])
def test_a_chip_that_is_selected_throughout_is_named_and_those_of_the_other_row_are_not(rate: float) -> None:
    diagnosis = found(HeldActive, rate)
    suspect = first(diagnosis)
    assert (suspect.component, suspect.fault, suspect.scope, suspect.region) == ("U1", "unlisted", "chip", "bank0")
    assert suspect.detail["answers_for"] == ["bank1"]
    assert suspect.probability > 0.5 and bad(diagnosis) == {"U1"}


def test_one_that_also_misses_its_own_accesses_is_one_thing() -> None:
    diagnosis = found(FollowsItsNeighbour, 1.0)
    suspect = first(diagnosis)
    assert (suspect.component, suspect.fault, suspect.detail["answers_for"]) == ("U1", "unlisted", ["bank1"])
    assert bad(diagnosis) == {"U1"}
    assert {s.place for s in diagnosis.suspects if s.probability >= 0.5} == {1}


def test_a_select_that_comes_for_both_chips_of_a_row_stays_the_decoder_s() -> None:
    diagnosis = found(SelectExtra, 0.1)
    assert (first(diagnosis).component, first(diagnosis).fault) == ("U9", "select-extra")
    assert bad(diagnosis) == {"U9"}


@pytest.mark.parametrize("rate", [1.0, 0.1])
def test_a_chip_that_fails_of_itself_is_not_cleared_by_one_that_answers_with_it(rate: float) -> None:
    diagnosis = found(DrivenLow, rate)
    assert first(diagnosis).component == "U3" and bad(diagnosis) == {"U3"}


def test_it_is_said_what_to_look_for() -> None:
    suspect = first(found(HeldActive, 0.1))
    assert saying.what(suspect) == "also answers for bank1, as if its own select were held or open"
    assert saying.claim(suspect).startswith("U1 or its socket, bank0, D0-D3: also answers for bank1")
    assert saying.remedy(suspect).startswith("power off and follow the select to U1's own pin with a meter")


def test_rows_are_not_replayed_region_by_region_where_one_region_alone_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of U3, in bank 1, every chip beside it might be the cause: what bank 0 has of its own nobody needs to ask."""
    asked: list[PathFault] = []

    def by_region(fault: PathFault, *others: object) -> tuple[()]:
        asked.append(fault)
        return ()

    monkeypatch.setattr(playing, "_by_region", by_region)
    found(DrivenLow, 0.1)
    assert asked == []


def test_when_it_fails_is_told_from_the_rows_that_it_answers_for() -> None:
    """It spoils what is read from bank 1 as well as what bank 1's writes leave in its own."""
    evidence = evidence_of(HeldActive(np.random.default_rng(7), 0.1))
    suspect = first(diagnose(evidence))
    told = intermittence_of(evidence.board, evidence.log, [suspect], address_bits=16, data_bits=8, tick_s=1e-9)
    alone = suspect.model_copy(update={"detail": {**suspect.detail, "answers_for": []}})
    in_its_own = intermittence_of(evidence.board, evidence.log, [alone], address_bits=16, data_bits=8, tick_s=1e-9)
    assert told["failures"] > 1.5 * in_its_own["failures"] and told["reads"] > 1.5 * in_its_own["reads"]
