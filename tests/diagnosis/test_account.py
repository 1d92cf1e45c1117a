"""Clearing, coverage and intermittence together, over one log, beside the suspects."""

from __future__ import annotations

from busledger.decoder.diagnosis import Evidence, ProfileFacts, account_for
from busledger.decoder.diagnosis.coverage.clearing import DATA_BUS
from busledger.decoder.findings import Suspect
from tests.diagnosis.small_cards import log_of, two_banks, walk


def _suspect(**fields: object) -> Suspect:
    given = {
        "rank": 1, "fault": "stuck-low", "scope": "chip", "component": "U4", "region": "bank1", "lanes": ("D5",),
        "probability": 0.9, "explains": 1, "contradicted": 0, "summary": "", "intermittent": True,
    }  # fmt: skip
    return Suspect(**{**given, **fields})  # type: ignore[arg-type]


def _account(*suspects: Suspect):
    board = two_banks()
    turn = [0]

    def bend(address: int, data: int) -> int:
        turn[0] += 1
        return data & ~0x20 if address >= 16 and turn[0] % 5 == 0 else data

    log = log_of(board, walk(), bend)
    return account_for(Evidence(board, ProfileFacts(16, 8), (), log, 1e-9), suspects)


def test_all_three_come_from_one_log() -> None:
    found = _account(_suspect())
    assert {c.component for c in found.cleared} == {"U1", "U2", "U3", "U9", "U10", "U11", DATA_BUS}
    assert found.coverage["not_exercised"] == []
    assert found.intermittence["component"] == "U4" and found.intermittence["failures"] > 10


def test_an_accused_part_is_not_cleared_and_an_accused_lane_is_not() -> None:
    found = {
        c.component: c
        for c in _account(_suspect(component="U1"), _suspect(scope="buffer", component="U10", region=None)).cleared
    }
    assert "U1" not in found
    assert found["U10"].lanes == ("D0", "D1", "D2", "D3", "D4", "D6", "D7")


def test_a_suspect_on_the_bus_keeps_the_bus_lane_open() -> None:
    found = {c.component: c for c in _account(_suspect(scope="bus", component=None, region=None)).cleared}
    assert "D5" not in found[DATA_BUS].lanes and "D4" in found[DATA_BUS].lanes


def test_a_driver_accused_as_a_whole_or_hardly_at_all() -> None:
    stuck = _suspect(fault="direction-stuck", scope="buffer", component="U10", region=None)
    assert "U10" not in {c.component for c in _account(stuck).cleared}
    hardly = _suspect(fault="direction-stuck", scope="buffer", component="U10", region=None, probability=0.001)
    assert "U10" in {c.component for c in _account(hardly).cleared}


def test_no_suspects_means_no_intermittence() -> None:
    assert _account().intermittence == {}
