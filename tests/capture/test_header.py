"""Declarations: names, sizes, ranges, what is skipped, what is refused."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

from busledger.decoder.errors import CaptureError
from busledger.decoder.wiring import LineNeed, bind
from tests.capture.vcd_texts import opened, rows_of


def _names(*declarations: str) -> list[str]:
    text = "$timescale 1 ns $end " + " ".join(f"$var {d} $end" for d in declarations) + " $enddefinitions $end "
    return [signal.name for signal in opened(text).header.signals]


def test_vectors_become_bits_counted_from_the_range() -> None:
    assert _names("wire 3 ! data [2:0]") == ["data[0]", "data[1]", "data[2]"]
    assert _names("wire 3 ! data[10:8]") == ["data[8]", "data[9]", "data[10]"]
    assert _names("wire 3 ! data [0:2]") == ["data[2]", "data[1]", "data[0]"]
    assert _names("wire 2 ! bare") == ["bare[0]", "bare[1]"]
    assert _names("wire 2 ! mem[3][1:0]") == ["mem[3][0]", "mem[3][1]"]


def test_names_that_look_like_keywords_or_hold_markup_survive() -> None:
    odd = ["$scope", "my$var", "[red]D0", "<script>", "a.b.c", "$enddefinitions", "/RD", "R/W", "WR#", "~CS", "caf\xe9"]
    names = _names(*(f"wire 1 {chr(40 + i)} {name}" for i, name in enumerate(odd)))
    assert names == [*odd[:-1], "caf\ufffd"]  # the last is Latin-1, not UTF-8: shown as unreadable, not refused


def test_the_same_name_twice_stays_two_channels() -> None:
    text = "$timescale 1 ns $end $var wire 1 ! a $end $var wire 1 # a $end $enddefinitions $end #1 1! 0# #2 "
    capture = opened(text)
    assert [signal.name for signal in capture.header.signals] == ["a", "a"]
    assert rows_of(capture.read([0, 1]), 2) == [(1, "10")]


def test_reals_strings_and_events_are_no_channels_but_are_read_past() -> None:
    text = (
        "$timescale 1 ns $end $var real 64 ! v $end $var event 1 # e $end $var string 1 $ s $end $var wire 1 a w $end "
        "$enddefinitions $end #1 r1e3 ! 1# sidle $ 1a #2 0a "
    )
    capture = opened(text)
    assert [signal.name for signal in capture.header.signals] == ["w"]
    assert [note.code for note in capture.notes] == ["skipped-variables"]
    assert rows_of(capture.read([0]), 1) == [(1, "1"), (2, "0")]


def test_five_thousand_channels() -> None:
    letters = [chr(c) for c in range(33, 127)]
    codes = [a + b for a in letters for b in letters][:5000]
    text = "$timescale 1 ns $end\n" + "".join(f"$var wire 1 {c} n{i} $end\n" for i, c in enumerate(codes))
    text += "$enddefinitions $end\n#1\n" + "".join(f"{i % 2}{c}\n" for i, c in enumerate(codes)) + f"#2\n1{codes[0]}\n"
    capture = opened(text)
    rows = rows_of(capture.read(range(5000)), 5000)
    assert rows == [(1, "01" * 2500), (2, "11" + "01" * 2499)]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("$timescale 1 ns $end $var wire 1 ! a", "ends in the header, inside .var"),
        ("$timescale 1 ns $end ", "the file ends in the header"),
        ("$timescale 1 ns $end $enddefinitions $end ", "no variable is declared"),
        ("$timescale 1 ns $end $var wire 0 ! a $end $enddefinitions $end ", "not a size"),
        ("$timescale 1 ns $end $var wire 99999999 ! a $end $enddefinitions $end ", "not a size"),
        ("$timescale 1 ns $end $var wire 1 ! $end $enddefinitions $end ", "declares nothing"),
        ("$timescale 1 ns $end $var wire 1 ! a $end $var wire 2 ! b $end $enddefinitions $end ", "declared with 1 and"),
        ("$timescale 1 ns $end rubbish $end", "'rubbish' in the header"),
        ("$var wire 199999 ! a $end $var wire 199999 # b $end $enddefinitions $end ", "bits are declared"),
    ],
)
def test_a_defect_in_the_header_is_named_with_its_place(text: str, message: str) -> None:
    with pytest.raises(CaptureError, match=message) as caught:
        opened(text)
    assert "standard input, byte " in caught.value.where and ", line 1" in caught.value.where


def test_a_header_without_end_is_given_up_at_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busledger.decoder.capture.vcd_scan.HEADER_LIMIT", 1 << 18)
    with pytest.raises(CaptureError, match=r"no \$enddefinitions in the first"):
        opened("$comment " + "word " * 100_000)


def test_reading_a_header_leaves_the_broken_pipe_signal_alone() -> None:
    # importing vcdvcd sets SIGPIPE to its default, which would kill a process whose reader goes away
    code = (
        "import signal, sys; before = signal.getsignal(signal.SIGPIPE)\n"
        "from busledger.decoder.capture.vcd_header import import_vcdvcd\n"
        "import_vcdvcd(); sys.exit(signal.getsignal(signal.SIGPIPE) is not before)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
    assert signal.getsignal(signal.SIGPIPE) is not signal.SIG_DFL


def test_the_door_does_not_import_compilers() -> None:
    code = (
        "import sys, busledger.decoder.capture\n"
        "sys.exit(any(m in sys.modules for m in ('numba', 'scipy', 'vcdvcd', 'zstandard')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_one_code_under_one_name_in_two_scopes_is_one_channel() -> None:
    """A simulator dumps a net again in each module that it passes through under the same name."""
    text = (
        "$timescale 1 ns $end $scope module top $end $var wire 1 ! nRD $end $var wire 2 # D [1:0] $end"
        " $scope module ram $end $var wire 1 ! nRD $end $var wire 2 # D [1:0] $end $var wire 1 ! oe $end"
        " $upscope $end $upscope $end $enddefinitions $end #0 1! b10 # #5 "
    )
    capture = opened(text)
    assert [(s.name, s.scope, s.also) for s in capture.header.signals] == [
        ("nRD", "top", ("top.ram",)),
        ("D[0]", "top", ("top.ram",)),
        ("D[1]", "top", ("top.ram",)),
        ("oe", "top.ram", ()),
    ]
    assert rows_of(capture.read(range(4)), 4) == [(0, "1011")]
    need = LineNeed("RD", required=True)
    for channel in ("top.nRD", "top.ram.nRD"):
        assert bind(capture.header.signals, [need], table={"RD": channel}).lines == {"RD": 0}


@pytest.mark.parametrize(("unit", "odd"), [("1 ns", False), ("100 us", False), ("2 ns", True), ("1000 ns", True)])
def test_a_unit_that_the_standard_does_not_know_is_taken_and_told(unit: str, odd: bool) -> None:
    """IEEE 1364-2005 18.2.3.7 knows 1, 10 and 100 of a unit."""
    capture = opened(f"$timescale {unit} $end $var wire 1 ! a $end $enddefinitions $end #0 0! #1 1! ")
    capture.read([0])
    assert ("odd-timescale" in [note.code for note in capture.notes]) is odd
