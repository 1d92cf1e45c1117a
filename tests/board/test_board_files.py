"""Files that are no board files: one clear message, never a traceback of another kind."""

from __future__ import annotations

import contextlib
import copy
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busledger.decoder.board import load_board
from busledger.decoder.errors import BoardError
from tests.board.card import GOOD

Write = Callable[[str], Path]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the board file is empty; expected [board]"),
        (b" \n\t\n", "the board file is empty"),
        (b"\x89PNG\r\n\x1a\n\x00", "line 1: the board file is not text; expected UTF-8"),
        (b'[board]\nname = "\xff"\n', "line 2: the board file is not text"),
        (b'[board]\nname = "x"\nbus =\n', "line 3: this is not TOML"),
        (b"[board\n", "line 1: this is not TOML"),
        (b'[board]\nname = "a"\nname = "b"\n', "line 3: this is not TOML"),
        (b'[board]\nname = "a', "line 2: this is not TOML"),
        (b'title = "x"\n', "[board]: the table is missing; expected [board] with name and bus"),
        (b"x = " + b"[" * 5000, "this is not TOML"),
    ],
)
def test_what_is_no_board_file_says_so(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "board.toml"
    path.write_bytes(content)
    with pytest.raises(BoardError) as caught:
        load_board(path)
    assert said in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_missing_file_and_a_folder_say_so(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match="cannot be read: No such file"):
        load_board(tmp_path / "none.toml")
    with pytest.raises(BoardError, match="this is a folder"):
        load_board(tmp_path)


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_board(path).name == "Tide-gauge memory card"


def test_control_characters_are_shown_never_sent(board_file: Write) -> None:
    text = GOOD.replace('name   = "bank0"', 'name   = "\\u001b[31mred\\u202e"').replace("end    = 0x43FF", "end = 0")
    with pytest.raises(BoardError) as caught:
        load_board(board_file(text))
    assert "\x1b" not in str(caught.value) and "\u202e" not in str(caught.value)
    assert "\\x1b[31mred\\u202e" in str(caught.value)


_ANYTHING = st.one_of(
    st.integers(-3, 70000),
    st.booleans(),
    st.floats(allow_nan=True),
    st.text(max_size=6),
    st.lists(st.one_of(st.integers(0, 9), st.text(max_size=3)), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(0, 3), max_size=2),
)


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        found.extend(_places(inner, (*path, key)))
    return found


_PARSED = tomllib.loads(GOOD)
_PLACES = _places(_PARSED)


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(_PLACES), _ANYTHING), min_size=1, max_size=3))
def test_any_value_anywhere_gives_a_card_or_a_board_error(
    board_file: Write, changes: list[tuple[tuple[Any, ...], Any]]
) -> None:
    raw = copy.deepcopy(_PARSED)
    for place, value in changes:
        holder: Any = raw
        with contextlib.suppress(LookupError, TypeError):  # an earlier change may have taken the place away
            for key in place[:-1]:
                holder = holder[key]
            holder[place[-1]] = value
    path = board_file(GOOD)
    with mock.patch("busledger.decoder.board.loader.tomllib.loads", return_value=raw):
        try:
            board = load_board(path)
        except BoardError as error:
            assert str(path) in str(error)
        else:
            assert board.name
