"""The library as a whole: found by name, refused with the nearest names, complete in its sources."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.board import DecoderPart, parts, parts_library
from busledger.decoder.board.truth import expand_rows
from busledger.decoder.errors import BoardError


def test_the_library_is_read_once() -> None:
    assert parts() is parts()
    assert len(parts().names()) == len(parts()) == len(list(parts()))


@pytest.mark.parametrize(
    ("name", "near"), [("2141", "2114"), ("74LS183", "74LS138"), ("74LS1388", "74LS138"), ("6161", "6116")]
)
def test_an_unknown_part_comes_with_the_nearest_names(name: str, near: str) -> None:
    with pytest.raises(BoardError) as caught:
        parts().get(name)
    assert f'unknown part "{name}"' in str(caught.value) and near in str(caught.value)


@pytest.mark.parametrize("name", ["", " ", "\x1b[31m", "2114 2114", "74LS", "N", "-3"])
def test_nonsense_is_unknown(name: str) -> None:
    with pytest.raises(BoardError, match="unknown part"):
        parts().get(name)


def test_every_figure_says_where_it_is_from() -> None:
    for part in parts():
        assert part.source and part.title, part.name
        assert part.pinout_source or not part.pinout, part.name
        for figure in (*part.delays, *getattr(part, "grade_list", ())):
            assert figure.source, part.name


def test_no_two_parts_answer_to_one_name() -> None:
    seen: dict[str, str] = {}
    for part in parts():
        for key in (part.name, *part.aliases):
            assert seen.setdefault(key.upper(), part.name) == part.name, key


def test_pins_are_found_under_marks_and_aliases() -> None:
    part = parts().get("74LS138")
    assert [part.pin_name(n) for n in ("G2A", "/G2A", "G2A*", "~g2a", "E1", "A0", "o7", "Q1")] == [
        "G2A", "G2A", "G2A", "G2A", "G2A", "A", "Y7", None,
    ]  # fmt: skip
    assert part.pin("/Y0") == 15 and part.pin("Q1") is None


def test_sections_answer_alone_as_within_the_whole_part() -> None:
    for part in parts():
        if not isinstance(part, DecoderPart):
            continue
        for output in part.outputs:
            section = part.section_of(output)
            for index in range(len(part.lookup)):
                level = part.lookup[index] >> part.outputs.index(output) & 1
                own = sum((index >> part.inputs.index(pin) & 1) << k for k, pin in enumerate(section.inputs))
                assert section.lookup[own] >> section.outputs.index(output) & 1 == level
    with pytest.raises(KeyError):
        parts().get("74LS138").section_of("Q")  # type: ignore[attr-defined]


def test_a_table_cannot_be_changed_by_a_reader() -> None:
    part = parts().get("74LS00")
    assert isinstance(part, DecoderPart)
    with pytest.raises(ValueError, match="read-only"):
        part.lookup[0] = 1


def test_rows_of_levels_expand_to_every_input() -> None:
    assert expand_rows(2, 1, ["H H | L", "L X | H", "X L | H"]).tolist() == [1, 1, 1, 0]
    assert expand_rows(1, 2, ["H | L H", "L | H L"]).dtype == np.uint32


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["H H | L", "L X | H"], "no row covers"),
        (["H X | L", "X H | H", "L L | H"], "contradicts an earlier one"),
        (["H | L"], "needs 2 inputs"),
        (["H H L"], "needs 2 inputs"),
        (["H Z | L"], "may hold only"),
    ],
)
def test_a_table_copied_wrongly_is_refused(rows: list[str], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        expand_rows(2, 1, rows)


@pytest.mark.parametrize(("typed", "meant"), [("2141", "2114"), ("6161", "6116"), ("4161", "4116")])
def test_characters_exchanged_in_a_marking_are_the_likeliest_mistake(typed: str, meant: str) -> None:
    assert parts().nearest(typed)[0] == meant


def test_the_names_at_the_head_of_each_table_are_all_that_it_gives_itself() -> None:
    """They are read without reading the table, which is read when its part is asked for."""
    folder = Path(parts_library.__file__).parent / "parts"
    listed = []
    for path in sorted(folder.glob("*.toml")):
        tables = parts_library.library_tables(path.read_text(encoding="utf-8"))
        kinds = {kind: rows for kind, rows in tables.items() if kind in ("memory", "decoder", "buffer")}
        found = list(parts_library.listed_parts(path.name, path.read_text(encoding="utf-8")))
        assert [one.name for one in found] == [row["name"] for rows in kinds.values() for row in rows]
        listed += found
    assert [(one.name, one.aliases) for one in listed] == [(one.part.name, one.part.aliases) for one in listed]
    assert [part.name for part in parts()] == [one.name for one in listed]
