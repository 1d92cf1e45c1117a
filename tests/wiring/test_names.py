"""The trade's spellings of a line (the contract's list) lead to one name."""

from __future__ import annotations

import pytest

from busledger.decoder.wiring import canonical, ranges_text


@pytest.mark.parametrize(
    "spelling",
    ["WR", "/WR", "WR_n", "nWR", "WR#", "~WR", "WR*", "!WR", "WR_L", "wr", "WR_N", "-WR", "n_WR", "/wr", "wr_n", "WR/"],
)
def test_every_mark_for_active_low_is_taken_off(spelling):
    assert "WR" in canonical(spelling)


@pytest.mark.parametrize(
    "spelling", ["A3", "A[3]", "addr3", "A(3)", "A_3", "addr[3]", "ADDR 3", "a<3>", "Address_3", "AB3", "A03", "adr3"]
)
def test_an_address_bit(spelling):
    assert canonical(spelling)[0] == "A3"


@pytest.mark.parametrize("spelling", ["D7", "data[7]", "DB7", "DQ7", "d_7", "Data 7", "dbus[7]"])
def test_a_data_bit(spelling):
    assert canonical(spelling)[0] == "D7"


@pytest.mark.parametrize(
    ("spelling", "line"),
    [
        ("AD3", "AD3"),
        ("R/W", "RW"),
        ("R/W#", "RW"),
        ("IO/M", "IOM"),
        ("M/IO", "MIO"),
        ("Φ2", "PHI2"),
        ("phi 2", "PHI2"),
        ("NRDS", "NRDS"),
        ("S0", "S0"),
        ("CS0", "CS0"),
        ("/CS0", "CS0"),
        ("DT/R", "DTR"),
        ("card.cpu.mreq_n", "MREQ"),
    ],
)
def test_other_lines(spelling, line):
    assert line in canonical(spelling)


@pytest.mark.parametrize(("spelling", "first"), [("nRD", "RD"), ("n_RD", "RD"), ("NRDS", "NRDS"), ("RD_N", "RD")])
def test_a_small_n_in_front_is_a_mark_before_it_is_a_letter(spelling, first):
    assert canonical(spelling)[0] == first


def test_a_multiplexed_line_may_be_an_address_or_a_data_line_too():
    assert canonical("AD3") == ["AD3", "A3", "D3"]


@pytest.mark.parametrize("spelling", ["", "  ", "[red]D0", "\x1b[2J", "<script>", "∅", "7", "/"])
def test_no_spelling_breaks_it(spelling):
    assert all(name.strip() for name in canonical(spelling))


def test_runs_of_lines_are_drawn_together():
    assert ranges_text(["A0", "A1", "A2", "RW", "D7", "A5"]) == "A0-A2, RW, D7, A5"
    assert ranges_text(["A0", "A1", "A5", "A6", "B7"]) == "A0-A1, A5-A6, B7"
    assert ranges_text([]) == ""
