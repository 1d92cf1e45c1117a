"""The card and its memory map in the terminal."""

from __future__ import annotations

import itertools
from pathlib import Path
from xml.etree import ElementTree

import pytest
from rich.cells import cell_len

from busledger.decoder.board import Board, load_board
from busledger.decoder.report import board_svg, board_text, card_rows, to_ascii
from busledger.tui.commands.main import main
from tests.report.results import result, suspect

LOOM = Path(__file__).parents[2] / "captures_demo" / "loom" / "board.toml"

PLACED = """
[board]
name = "Card with places"
bus = "z80"

[[region]]
name = "bank0"
start = 0x4000
end = 0x43FF
kind = "ram"
chips = [
  { designator = "U2", part = "2114", lanes = "D4-D7", row = 1, column = 3 },
  { designator = "U1", part = "2114", lanes = "D0-D3", row = 1, column = 1 },
]

[[region]]
name = "bank1"
start = 0x4400
end = 0x47FF
kind = "ram"
chips = [
  { designator = "U3", part = "2114", lanes = "D0-D3", row = 2, column = 1 },
  { designator = "U4", part = "2114", lanes = "D4-D7", row = 2, column = 2 },
]
"""


@pytest.fixture
def placed(tmp_path: Path) -> Board:
    file = tmp_path / "board.toml"
    file.write_text(PLACED)
    return load_board(file)


def test_rows_and_columns_of_the_board_file_are_kept(placed: Board) -> None:
    rows = card_rows(placed)
    assert [row.label for row in rows] == ["row 1", "row 2"]
    assert [part.name if part else None for part in rows[0].parts] == ["U1", None, "U2"]
    assert rows[0].parts[0] is not None
    assert rows[0].parts[0].serves == "bank0 D0-D3"


def test_without_places_a_row_is_a_region() -> None:
    rows = card_rows(load_board(LOOM))
    assert [(row.label, [part.name for part in row.parts if part]) for row in rows] == [
        ("monitor", []),
        ("patterns", ["U7"]),
        ("picks", ["U8"]),
        ("selects", ["U11"]),
        ("drivers", ["U12"]),
    ]


def test_memory_map_has_every_address_once() -> None:
    text = board_text(load_board(LOOM), address_bits=16, width=80, colour=False)
    spans = [line.split()[0] for line in text.split("Memory map\n")[1].splitlines()]
    bounds = [(int(low, 16), int(high, 16)) for low, high in (span.split("-") for span in spans)]
    assert bounds[0][0] == 0
    assert bounds[-1][1] == 0xFFFF
    assert all(after[0] == before[1] + 1 for before, after in itertools.pairwise(bounds))


@pytest.mark.parametrize("width", [40, 80, 110])
def test_drawing_fits_the_terminal(placed: Board, width: int) -> None:
    for board in (placed, load_board(LOOM)):
        text = board_text(board, address_bits=16, width=width, colour=False)
        assert max(map(cell_len, text.splitlines())) <= width
        assert to_ascii(text).isascii()
        assert "\\u" not in to_ascii(text)


def test_result_marks_parts() -> None:
    made = result(suspects=(suspect(component="U12", scope="buffer"),), cleared=())
    text = board_text(load_board(LOOM), address_bits=16, result=made, width=80, colour=False)
    assert "suspect 93 %" in text.replace("\u00a0", " ")
    assert text.count("not judged") == 3


def test_the_drawing_to_keep_is_whole_svg(placed: Board, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SVG 1.1: one root in its namespace; texts from the file stay texts, and every part and region is there."""
    root = ElementTree.fromstring(board_svg(placed, address_bits=16))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    texts = [text.text for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {"U1", "U2", "U3", "U4"} <= set(texts)
    assert {"4000-43FF", "4400-47FF", "0000-3FFF", "4800-FFFF"} <= set(texts)
    boxes = {rect.get("y") for rect in root.iter("{http://www.w3.org/2000/svg}rect") if rect.get("rx")}
    assert len(boxes) == 2  # two rows of packages

    file = tmp_path / "hostile.toml"
    file.write_text(PLACED.replace("bank1", "<script>").replace("Card with places", '"]]> & <b>'.replace('"', "'")))
    svg = board_svg(load_board(file), address_bits=16)
    assert "<script>" not in svg
    assert ElementTree.fromstring(svg).find("{http://www.w3.org/2000/svg}title").text == "']]> & <b>, z80 bus"

    target = tmp_path / "card.svg"
    (tmp_path / "board.toml").write_text(PLACED)
    assert main(["board", "draw", str(tmp_path / "board.toml"), "--svg", str(target)]) == 0
    assert target.read_text() == board_svg(placed, address_bits=16)
    assert main(["board", "draw", str(tmp_path / "board.toml"), "--svg", str(tmp_path / "board.toml")]) == 2
    assert (tmp_path / "board.toml").read_text() == PLACED
