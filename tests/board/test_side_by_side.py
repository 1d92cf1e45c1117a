"""Which lines are neighbours at the pins of which parts: typed from the data sheets' pin-outs."""

from __future__ import annotations

from pathlib import Path

from busledger.decoder.board import Beside, lines_side_by_side, load_board

CARD = """
[board]
name = "two rows"
bus = "z80"

[[region]]
name = "low"
start = 0x4000
end = 0x43ff
kind = "ram"
select = "CS0"
chips = [
  { designator = "U1", part = "2114", lanes = "D0-D3" },
  { designator = "U2", part = "2114", lanes = "D4-D7" },
]

[[decoder]]
designator = "U8"
part = "74LS138"
inputs = { A = "A10", B = "A11", C = "A12" }
outputs = { Y0 = "CS0" }

[[buffer]]
designator = "U9"
part = "74LS244"
lines = ["A0", "A1", "A2", "A3", "A4", "A5", "A6", "A7"]
serves = ["low"]
"""


def places(tmp_path: Path, one: str, two: str) -> tuple[Beside, ...]:
    (tmp_path / "board.toml").write_text(CARD)
    standing = lines_side_by_side(load_board(tmp_path / "board.toml"))
    return standing.pairs.get(frozenset({one, two}), ())


def test_a6_and_a5_are_pins_1_and_2_of_every_2114_and_apart_at_the_driver(tmp_path: Path) -> None:
    found = places(tmp_path, "A5", "A6")
    assert found == (Beside("U1", ("A6", "A5"), (1, 2)), Beside("U2", ("A6", "A5"), (1, 2)))


def test_a_decoder_s_inputs_are_neighbours_at_its_first_pins(tmp_path: Path) -> None:
    assert places(tmp_path, "A10", "A11") == (Beside("U8", ("A10", "A11"), (1, 2)),)


def test_pins_at_the_two_ends_of_a_package_are_no_neighbours(tmp_path: Path) -> None:
    """A 2114 has A7 at pin 17 beside A8 at 16, and A6 at pin 1 across the package."""
    assert places(tmp_path, "A7", "A8") and not places(tmp_path, "A6", "A7")


def test_at_a_driver_a_line_comes_in_beside_where_another_goes_out(tmp_path: Path) -> None:
    """74LS244: 1A1 is pin 2 and 2Y4 pin 3, 2A4 is pin 17 and 1Y1 pin 18, so that A0 is beside A7 on both sides; 1A2 is
    pin 4 and no neighbour of 1A1."""
    assert places(tmp_path, "A0", "A7") == (Beside("U9", ("A0", "A7"), (2, 3)), Beside("U9", ("A7", "A0"), (17, 18)))
    assert all(place.designator != "U9" for place in places(tmp_path, "A0", "A1"))
