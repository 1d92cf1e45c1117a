"""Lists of errors as memory tests print them: any order, any separators, any text around the figures."""

from __future__ import annotations

import io
import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.errors import UsageError
from busledger.decoder.errors_list import FIELDS, ErrorList, MachineBus, parse_order, parse_tested, read_errors

BUS = MachineBus(16, 8, ((0x4000, 0x4FFF),))


def read(text: str | bytes, *, order: str | None = None, decimal: bool = False, most: int = 500_000) -> ErrorList:
    data = text if isinstance(text, bytes) else text.encode()
    stated = None if order is None else parse_order(order)
    return read_errors("-", BUS, order=stated, decimal=decimal, stdin=io.BytesIO(data), most=most)


def rows(listed: ErrorList) -> list[tuple[int, int, int]]:
    columns = (listed.address.tolist(), listed.wrote.tolist(), listed.read.tolist())
    return list(zip(*columns, strict=True))


ERRORS = st.lists(
    st.tuples(st.integers(0x4000, 0x4FFF), st.integers(0, 255), st.integers(0, 255)).filter(lambda e: e[1] != e[2]),
    min_size=1,
    max_size=30,
)
SEPARATORS = st.text(" \t:;,=/->|.()[]'\"*+!?~_", min_size=1, max_size=4)


@settings(deadline=None)
@given(errors=ERRORS, order=st.permutations(FIELDS), between=SEPARATORS, before=SEPARATORS, lower=st.booleans())
def test_any_separators_and_any_order_that_is_stated(
    errors: list[tuple[int, int, int]], order: list[str], between: str, before: str, lower: bool
) -> None:
    lines = []
    for address, wrote, got in errors:
        printed = {"address": f"{address:04X}", "wrote": f"{wrote:02X}", "read": f"{got:02X}"}
        lines.append(before + between.join(printed[field] for field in order))
    text = "\n".join(lines)
    listed = read(text.lower() if lower else text, order=",".join(order))
    assert rows(listed) == errors
    assert (listed.lines, listed.passed_over) == (len(errors), 0)


@settings(deadline=None)
@given(errors=ERRORS, between=SEPARATORS)
def test_the_address_is_found_wherever_it_stands(errors: list[tuple[int, int, int]], between: str) -> None:
    """Memory lies at 4000-4FFF, so no figure of data can be an address."""
    for place in range(3):
        lines = []
        for address, wrote, got in errors:
            figures = [f"{wrote:02X}", f"{got:02X}"]
            figures.insert(place, f"{address:04X}")
            lines.append(between.join(figures))
        listed = read("\n".join(lines))
        assert listed.address.tolist() == [address for address, _, _ in errors]
        assert listed.orders[0].index("address") == place
        data = np.sort(np.stack([listed.wrote, listed.read]), axis=0).T.tolist()
        assert data == [sorted((wrote, got)) for _, wrote, got in errors]


@settings(deadline=None, max_examples=300)
@given(st.binary(max_size=300))
def test_any_bytes_are_a_list_or_a_message(data: bytes) -> None:
    try:
        assert len(read(data)) > 0
    except UsageError as error:
        assert str(error).endswith(".")


@pytest.mark.parametrize(
    "line",
    [
        "4123 55 51",
        "ERROR AT 4123 WROTE 55 READ 51",
        "bad: 4123 expected 55 got 51",
        "READ 51 AT 4123, SHOULD BE 55",
        "$4123: 0x55 -> 0x51",
        "4123h/55h/51h",
        "4123W55R51",
        "ADDR=4123 W=55 R=51",
        "ADDRESS 4123 IS 51 WANT 55",
        "A: 4123 GOOD: 55 ACTUAL: 51",
    ],
)
def test_lines_as_they_are_printed(line: str) -> None:
    assert rows(read(line)) == [(0x4123, 0x55, 0x51)]


def test_words_say_which_of_the_two_was_read() -> None:
    listed = read("\n".join(f"GOT {0x51:02X} WROTE 55 AT {address:04X}" for address in range(0x4000, 0x4010)))
    assert listed.orders == (("read", "wrote", "address"),)
    assert listed.doubt == ""


def test_what_follows_the_address_was_written() -> None:
    """A test that writes the low half of each address, printed read first: D2 is stuck low."""
    cells = [address for address in range(0x4000, 0x4040) if address & 4]
    listed = read("\n".join(f"{address:04X} {address & 0xFB:02X} {address & 0xFF:02X}" for address in cells))
    assert listed.orders == (("address", "read", "wrote"),)
    assert listed.doubt == ""


def test_a_checkerboard_was_written_not_read() -> None:
    listed = read("4123 51 55\n4124 A2 AA\n")
    assert rows(listed) == [(0x4123, 0x55, 0x51), (0x4124, 0xAA, 0xA2)]
    assert listed.doubt == ""


def test_two_constant_figures_are_taken_as_most_tests_print_them_and_the_doubt_is_said() -> None:
    listed = read("4123 33 37\n4124 33 37\n")
    assert rows(listed)[0] == (0x4123, 0x33, 0x37)
    assert "the list does not show" in listed.doubt


def test_text_around_is_passed_over_and_counted() -> None:
    text = "\n\nMEMORY TEST V1.2\nRANGE 4000 TO 4FFF\nPASS 01\n4123 55 51\n4124 AA A2\n4125 55\n4126 55 55\n2 ERRORS\n"
    listed = read(text)
    assert rows(listed) == [(0x4123, 0x55, 0x51), (0x4124, 0xAA, 0xA2)]
    assert (listed.lines, listed.passed_over, listed.repeats) == (8, 6, 1)
    assert listed.shown[0] == "MEMORY TEST V1.2"


def test_a_figure_before_the_address_and_the_differing_bits_after_are_skipped() -> None:
    text = "\n".join(f"{n:02d} {0x4100 + n:04X} {w:02X} {w ^ 4:02X} 04" for n, w in enumerate((0x55, 0xAE, 0x0F, 0xF0)))
    assert rows(read(text))[1] == (0x4101, 0xAE, 0xAA)
    assert rows(read(text, order="skip,address,wrote,read"))[1] == (0x4101, 0xAE, 0xAA)


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_codings_and_line_ends(coding: str, end: str) -> None:
    listed = read(f"4123 55 51{end}4124 55 51{end}".encode(coding))
    assert listed.address.tolist() == [0x4123, 0x4124]


@pytest.mark.parametrize("decimal", [("16675 85 81", "16676 170 162"), ("16675 255 251",), ("ERROR 16675 85 81",)])
def test_decimal_by_mistake_has_a_message_and_decimal_an_answer(decimal: tuple[str, ...]) -> None:
    text = "\n".join(decimal)
    with pytest.raises(UsageError, match=r"look decimal.*say --decimal"):
        read(text)
    assert read(text, decimal=True).address[0] == 0x4123


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("\n \n", "is empty"),
        ("nothing to see\nat all\n", "none of its 2 lines holds an error .the first line: nothing to see."),
        ("8123 55 51\n", "its one line holds no error"),
        ("$timescale 1 ns $end\n", "this is a capture"),
        (b"\x7fELF\x00\x01\x02", "this is not text"),
        ("\x1b[31mX\x1b[0m\n", r"\\x1b\[31mX"),
    ],
)
def test_no_list_has_a_message(text: str | bytes, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        read(text)


def test_a_stated_order_with_addresses_elsewhere_says_where_memory_is() -> None:
    with pytest.raises(UsageError, match=r"none of the 1 addresses.*8123.*expected addresses in 4000-4FFF"):
        read("8123 55 51", order="address,wrote,read")


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.txt"):
        with pytest.raises(UsageError, match="cannot be read"):
            read_errors(path, BUS)


def test_a_huge_list_is_kept_to_its_limit_and_says_so() -> None:
    text = "\n".join(f"{0x4000 + n % 4096:04X} 55 51" for n in range(20_000))
    assert (len(read(text)), read(text).cut) == (20_000, False)
    assert (len(read(text, most=5000)), read(text, most=5000).cut) == (5000, True)


def test_a_line_without_end_is_cut() -> None:
    assert len(read("4123 55 51\n" + "x" * 1_000_000 + "\n4124 55 51\n")) == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("address,wrote", "names read 0 times"),
        ("address,wrote,read,read", "names read 2 times"),
        ("adress,wrote,read", "holds 'adress'"),
        ("", "holds ''"),
        ("skip," * 12 + "address,wrote,read", "at most 12"),
    ],
)
def test_orders_that_are_none(text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        parse_order(text)


def test_every_order_is_understood() -> None:
    for order in itertools.permutations(FIELDS):
        assert parse_order(" , ".join(order).upper()) == order


def test_tested_ranges_join_where_they_touch() -> None:
    assert parse_tested(["4400-47ff", "$4000-$43FF", "0x8000 - 0x80FF", "C000..C0FFh"]) == (
        (0x4000, 0x47FF),
        (0x8000, 0x80FF),
        (0xC000, 0xC0FF),
    )
    for text, said in (("4000", "cannot read"), ("47FF-4000", "ends before it starts"), ("4000-G", "cannot read")):
        with pytest.raises(UsageError, match=said):
            parse_tested([text])
