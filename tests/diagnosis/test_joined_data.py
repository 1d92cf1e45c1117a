"""A data line joined to the address line beside it in a socket: one fault, of whichever chip of the net."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.board import Board, Chip, MemoryPart, parts
from busledger.decoder.diagnosis import Diagnosis, diagnose, saying
from busledger.decoder.diagnosis.replay.joined_data import as_joined
from busledger.decoder.diagnosis.replay.theory import JOINED_DATA, PathFault
from busledger.decoder.findings import Suspect

from .faulty_cards import Hardware, evidence_of
from .rows_of import study_of
from .small_cards import two_banks


def board() -> Board:
    """Two banks, a 6116 each: its pins 8 and 9 are A0 and D0."""
    part = parts().get("6116")
    assert isinstance(part, MemoryPart)
    chips = ((Chip("U1", part, tuple(range(8))),), (Chip("U2", part, tuple(range(8))),))
    plain = two_banks()
    return replace(
        plain, regions=tuple(replace(r, chips=own) for r, own in zip(plain.regions, chips, strict=True))
    )


class Joined(Hardware):
    """D0 and A0 are one net behind the drivers, and a low wins."""

    def write(self, address: int, data: int) -> None:
        if not address & 1:
            data &= ~1
        elif not data & 1:
            address &= ~1
        self.put(address, data)

    def read(self, address: int) -> int:
        if address & 1 and not self.cells[address] & 1:
            address &= ~1
        return self.cells[address] & ~(1 if not address & 1 else 0)


class LowLane(Hardware):
    """D0 is low in every read."""

    def read(self, address: int) -> int:
        return self.cells[address] & ~1


def found(kind: type[Hardware]) -> Diagnosis:
    return diagnose(evidence_of(kind(np.random.default_rng(3)), board=board()))


def told(diagnosis: Diagnosis) -> list[Suspect]:
    return [s for s in diagnosis.suspects if s.probability > 0.05]


def test_both_sockets_of_the_net_are_named_and_the_pins_to_look_between() -> None:
    diagnosis = found(Joined)
    suspects = told(diagnosis)
    assert {(s.component, s.fault, s.scope, s.lanes, s.address_lines) for s in suspects} == {
        (name, "address-bridged", "chip", ("D0",), ("A0",)) for name in ("U1", "U2")
    }
    assert sum(s.probability for s in suspects) > 0.95 and {s.place for s in suspects} == {1}
    assert "between pins 8 and 9 (A0 and D0) of U1 and U2" in diagnosis.next_steps[0].text
    assert diagnosis.unexplained == 0


def test_it_is_said_in_words() -> None:
    suspect = told(found(Joined))[0]
    assert saying.what(suspect) == "has D0 and A0 joined: where one is low the other is as well"
    assert "join D0 and A0" in saying.remedy(suspect)


def test_a_lane_that_is_low_everywhere_is_not_joined_to_any_line() -> None:
    diagnosis = found(LowLane)
    assert diagnosis.suspects[0].fault == "stuck-low"
    assert "address-bridged" not in {s.fault for s in told(diagnosis)}


def test_where_writes_come_to() -> None:
    """Of D1 joined to A0: a write with D1 high goes where it should, but for its D1 where A0 is low; one with D1 low
    goes to the cell below where A0 is high."""
    study = study_of([("w", 4, 0x02), ("w", 5, 0x02), ("w", 5, 0x01), ("w", 4, 0x01), ("r", 5, 0x02)])
    rows = study.rows()
    seen = as_joined(PathFault(JOINED_DATA, (1, 0), 0xFF, (0,)), rows, study.cells)
    first = study.cells.span(0).start
    assert (seen.cell - first).tolist() == [4, 5, 4, 4, 5]
    assert seen.data.tolist()[:4] == [0x00, 0x02, 0x01, 0x01]
    assert as_joined(PathFault("stays", (), 0xFF, (0,)), rows, study.cells) is rows
