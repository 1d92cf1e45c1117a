"""A chip that shows nothing but what was on the lines before: dead, or late in every single read."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis import diagnose

from .faulty_cards import LOW_NIBBLE, Hardware, evidence_of
from .test_engine_faults import Dead


class LateAtTimes(Hardware):
    """U1 (bank 0, D0-D3) answers after the bus has been sampled, one read in ten; it takes every write."""

    def read(self, address: int) -> int:
        data = self.cells[address]
        late = address < 16 and self.rng.random() < 0.1
        return data & ~LOW_NIBBLE | self.bus & LOW_NIBBLE if late else data


def shares(hardware: Hardware) -> dict[str, float]:
    found: dict[str, float] = {}
    for suspect in diagnose(evidence_of(hardware)).suspects:
        if suspect.component == "U1":
            found[suspect.fault] = found.get(suspect.fault, 0.0) + suspect.probability
    return found


def test_a_chip_that_never_shows_anything_is_rather_dead_than_late_in_every_read() -> None:
    found = shares(Dead(np.random.default_rng(2)))
    assert found["dead"] > 5 * found.get("slow", 0.0)


def test_one_that_is_late_now_and_then_is_found_to_be_so() -> None:
    found = shares(LateAtTimes(np.random.default_rng(2)))
    assert max(found, key=lambda fault: found[fault]) == "slow"
