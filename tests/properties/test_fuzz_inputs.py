"""Whatever the bytes of a file: an answer or one clear error, the same in pieces of any size.

A bounded fuzz for every run; ``tests/hostile/fuzz_inputs.py`` looks at the same targets for hours, led by coverage.
"""

from __future__ import annotations

import tomllib
from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.board.card import GOOD
from tests.hostile import targets

VCD_WORDS = [
    b"#0", b"#1", b"#42", b"#9223372036854775807", b"#9223372036854775808", b"#", b"#-1", b"#1x", b"1!", b"0!", b"x!",
    b"Z!", b"b101 %%", b"bx %%", b"b", b"b2 %%", b"B0101010101010 %%", b"r1.5 r", b"rnan r", b"s r", b"1~", b"$dumpoff",
    b"$dumpon", b"$dumpall", b"$dumpvars", b"$end", b"$comment", b"$", b"$enddefinitions", b"\x00", b"\xff", b"\x1b[2J",
    b"1 !", b"%%",
]  # fmt: skip
CSV_WORDS = [
    b"0", b"1", b"x", b"-", b"1f", b"0x1f", b"1.5", b"2e0", b"1e999", b"nan", b"inf", b"-1", b'"1"', b'"', b"", b" ",
    b"z",     b"9223372036854775807", b"18446744073709551616", b"\x00", b"1e-30", b"+1", b"1_0",
]  # fmt: skip
_PLACE = resources.files("busledger.bus_profiles")
PROFILES = sorted(p.read_text("utf-8") for p in _PLACE.iterdir() if p.name.endswith(".toml"))


@settings(max_examples=100)
@given(
    st.lists(st.tuples(st.sampled_from(VCD_WORDS), st.sampled_from([b" ", b"\n", b"\r\n", b"\t", b""])), max_size=40)
)
def test_dumps_of_words_in_any_order(words: list[tuple[bytes, bytes]]) -> None:
    targets.vcd(b"".join(word + space for word, space in words))


@settings(max_examples=60)
@given(st.binary(max_size=120))
def test_dumps_and_tables_of_any_bytes(data: bytes) -> None:
    targets.vcd(data)
    targets.csv(data)


@settings(max_examples=100)
@given(
    st.lists(st.lists(st.sampled_from(CSV_WORDS), min_size=1, max_size=4), max_size=12),
    st.sampled_from([b",", b";", b"\t"]),
)
def test_tables_of_words_in_any_order(rows: list[list[bytes]], comma: bytes) -> None:
    targets.csv(b"\n".join(comma.join(row) for row in rows))
    targets.csv(b"time_s" + comma + b"a" + comma + b"b\n" + b"\n".join(comma.join(row) for row in rows))


@settings(max_examples=60)
@given(st.data())
def test_board_files_with_values_exchanged(data: st.DataObject) -> None:
    picks = data.draw(st.lists(st.integers(0, 255), min_size=4, max_size=40))
    targets.board(targets.document(targets.spoilt(tomllib.loads(GOOD), picks)))


@settings(max_examples=60)
@given(st.sampled_from(PROFILES), st.lists(st.integers(0, 255), min_size=4, max_size=40))
def test_profiles_with_values_exchanged(text: str, picks: list[int]) -> None:
    targets.profile(targets.document(targets.spoilt(tomllib.loads(text), picks)))


@settings(max_examples=60)
@given(st.binary(max_size=200))
def test_toml_files_of_any_bytes(data: bytes) -> None:
    for start in (b"", b"[wiring]\n", b'[board]\nname = "x"\nbus = "z80"\n'):
        targets.board(start + data)
        targets.wiring(start + data)
        targets.profile(start + data)


@settings(max_examples=60)
@given(st.recursive(st.sampled_from(targets.WILD), lambda inner: st.lists(inner, max_size=3), max_leaves=6))
def test_wirings_of_any_values(value: object) -> None:
    targets.wiring(targets.document({"wiring": value}))
    targets.wiring(targets.document({"wiring": {"A0": value, "\x1b[2J": value}}))


@pytest.mark.parametrize(
    "text", ["x = " + "9" * 5000, "x = " + "[" * 3000, "x = " + "{a=" * 3000, "[" + "a." * 3000 + "b]"]
)
def test_toml_that_pythons_reader_gives_up_on(text: str) -> None:
    for target in (targets.board, targets.wiring, targets.profile):
        target(text.encode())
