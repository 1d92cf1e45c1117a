"""The dump reader against IEEE Std 1364-2005 clause 18: its tables, its examples' values, its rules.

Page and table numbers are the standard's; figures marked "computed" follow from its Table 18-1.
"""

from __future__ import annotations

import pytest

from busledger.decoder.errors import CaptureError
from tests.capture.vcd_texts import opened, rows_of

HEAD = "$timescale 1 ns $end $var reg {size} ! v [{msb}:0] $end $enddefinitions $end\n"


def _vector(change: str, size: int) -> str:
    """The levels of a vector after one change at #1, most significant first."""
    capture = opened(HEAD.format(size=size, msb=size - 1) + f"#1 {change} ! #2 ")
    rows = rows_of(capture.read(range(size)), size)
    return rows[-1][1][::-1]


@pytest.mark.parametrize(
    ("change", "levels"),
    # Table 18-2, p. 331: how a 4-bit register is shortened; z is "not known" to a reader of levels
    [("b10", "0010"), ("bX10", "xx10"), ("bZX0", "xxx0"), ("b0X10", "0x10")],
)
def test_table_18_2(change: str, levels: str) -> None:
    assert _vector(change, 4) == levels


@pytest.mark.parametrize(
    ("change", "levels"),
    # Table 18-1, p. 331: leading 1 and 0 extend with 0, Z with Z, X with X (computed for 8 bits)
    [
        ("b1", "00000001"),
        ("bz", "xxxxxxxx"),
        ("bx1", "xxxxxxx1"),
        ("b0x", "0000000x"),
        ("b0", "00000000"),
        ("bz0", "xxxxxxx0"),
        ("B11111111", "11111111"),
    ],
)
def test_table_18_1(change: str, levels: str) -> None:
    assert _vector(change, 8) == levels


def test_a_value_longer_than_the_variable_keeps_its_low_bits_and_says_so() -> None:
    capture = opened(HEAD.format(size=4, msb=3) + "#1 b110010 ! #2 ")
    assert rows_of(capture.read(range(4)), 4) == [(1, "0100")]
    assert [note.code for note in capture.notes] == ["long-vector"]


@pytest.mark.parametrize("number", ["1", "10", "100"])
@pytest.mark.parametrize(
    ("unit", "femtoseconds"),
    [("s", 10**15), ("ms", 10**12), ("us", 10**9), ("ns", 10**6), ("ps", 10**3), ("fs", 1)],
)
@pytest.mark.parametrize("gap", ["", " ", "\n\t"])
def test_every_time_unit_of_18_2_3_7(number: str, unit: str, femtoseconds: int, gap: str) -> None:
    text = f"$timescale {number}{gap}{unit} $end $var wire 1 ! a $end $enddefinitions $end #0 0! "
    assert opened(text).header.tick_fs == int(number) * femtoseconds


@pytest.mark.parametrize("unit", ["1 hour", "0 ns", "ns", "1.5 ns", "", "1 ns ns"])
def test_an_illegal_time_unit_is_refused_with_the_legal_ones(unit: str) -> None:
    with pytest.raises(CaptureError, match="1, 10 or 100 of s, ms, us, ns, ps, fs"):
        opened(f"$timescale {unit} $end $var wire 1 ! a $end $enddefinitions $end ")


def test_a_missing_time_unit_is_taken_as_a_nanosecond_with_a_note() -> None:
    capture = opened("$var wire 1 ! a $end $enddefinitions $end #0 0! ")
    assert capture.header.tick_fs == 10**6
    assert [note.code for note in capture.notes] == ["no-timescale"]


def test_declarations_are_free_form_and_version_may_hold_dollar_words() -> None:
    # 18.2.1 and Syntax 18-16 (p. 335): version text may carry a system task
    text = (
        '$date today $end $version generator $dumpfile ( "a.vcd" ) $end\n$comment $var is a word here $end '
        "$timescale\n1\nns\n$end\n$scope\nmodule\ntop\n$end $var\nwire\n8\n#\ndata\n[7:0]\n$end $var wire 1 ! ck $end"
        "\n$upscope $end $enddefinitions\n$end\n#0 b101 # 1! "
    )
    header = opened(text).header
    assert [signal.name for signal in header.signals] == [*(f"data[{i}]" for i in range(8)), "ck"]
    assert {signal.scope for signal in header.signals} == {"top"}


def test_a_range_says_which_end_is_the_most_significant() -> None:
    # 18.2.3.8: reference [msb:lsb]; with [0:3] the left-most digit is bit 0 (computed)
    text = "$timescale 1 ns $end $var wire 4 ! v [0:3] $end $enddefinitions $end #1 b1000 ! #2 "
    capture = opened(text)
    levels = dict(zip([s.name for s in capture.header.signals], rows_of(capture.read(range(4)), 4)[0][1], strict=True))
    assert levels == {"v[0]": "1", "v[1]": "0", "v[2]": "0", "v[3]": "0"}


def test_one_bit_of_a_vector_and_two_names_for_one_code() -> None:
    # 18.2.3.8: a reference may be id [bit]; several variables may share an identifier code
    text = "$timescale 1 ns $end $var wire 1 ! A [3] $end $var wire 1 ! nRD $end $enddefinitions $end #1 1! #2 0! #3 "
    capture = opened(text)
    assert [(s.name, s.channel, s.bit) for s in capture.header.signals] == [("A[3]", "A", 3), ("nRD", "nRD", None)]
    assert rows_of(capture.read([0, 1]), 2) == [(1, "11"), (2, "00")]


def test_identifier_codes_are_told_by_place_not_by_look() -> None:
    # 18.2.1: a code is any printable ASCII from ! to ~; so $, #, b and 0 begin codes too
    text = "$timescale 1 ns $end " + "".join(f"$var wire 1 {c} n{i} $end " for i, c in enumerate("$#b01r"))
    text += "$enddefinitions $end #1 1$ 0# 1b 00 11 b1 r #2 b0 # b1 # 0$ b0 b #3 "
    assert rows_of(opened(text).read(range(6)), 6) == [(1, "101011"), (2, "010011")]


def test_a_dump_switched_off_is_a_gap_of_unknown_levels() -> None:
    # 18.1.3: $dumpoff dumps every variable as x until $dumpon
    text = "$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end #1 1! "
    block = opened(text + "#5 $dumpoff x! $end #9 $dumpon 1! $end #12 0! ").read([0])
    assert rows_of(block, 1) == [(1, "1"), (5, "x"), (9, "1"), (12, "0")]
    assert [(gap.start, gap.end) for gap in block.gaps] == [(5, 9)]


def test_what_stands_before_the_first_time_stamp_belongs_to_time_zero() -> None:
    text = "$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end $dumpvars 1! $end #4 0! #5 "
    assert rows_of(opened(text).read([0]), 1) == [(0, "1"), (4, "0")]


def test_an_extended_dump_is_refused_by_name() -> None:
    # 18.4.1: extended VCD declares ports
    with pytest.raises(CaptureError, match="extended dump"):
        opened("$timescale 1 ns $end $var port 1 <0 a $end $enddefinitions $end #0 pU 0 0 <0 ")


def test_the_largest_time_and_one_more() -> None:
    head = "$timescale 1 fs $end $var wire 1 ! a $end $enddefinitions $end "
    assert rows_of(opened(head + f"#{2**63 - 2} 1! #{2**63 - 1} 0! \n").read([0]), 1)[-1] == (2**63 - 1, "0")
    with pytest.raises(CaptureError, match="too large"):
        opened(head + f"#{2**63} 1! #0 ").read([0])
