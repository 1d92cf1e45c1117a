"""The compiled dump reader against its slow twin, on whole outputs, however the file is cut up."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.capture import Capture
from busledger.decoder.errors import CaptureError
from tests.capture.vcd_texts import CODE_LETTERS, Spelled, dumps, opened, rows_of
from tests.reference.vcd_twin import read_body

EVERYTHING = """$timescale 10 ns $end $scope module a $end $var wire 1 ! clk $end $var wire 8 " data [7:0] $end
$var wire 1 longer_code x $end $var real 64 r temp $end $var wire 1 aa y $end $upscope $end $enddefinitions $end
$dumpvars 0! bx " 1aa xlonger_code r0 r $end
#5 1! b101 " 0longer_code
$comment a stamp
#1 in a comment 0! $end
#9
0!\r
b11110000 "\r
#12345678
$dumpoff x! bx " xaa xlonger_code $end
#12345690 $dumpon 0! b1 " 1aa 1longer_code $end
#123456789012 1! 0aa
bz "
r1.25 r
#123456789013 0! b10 " 1aa
#123456789014 1! 0aa
#123456789015 0! 1aa b11111111 "
#123456789020
"""


def _selection(spelled: Spelled) -> list[tuple[int, tuple[str, int] | None]]:
    picked: list[tuple[int, tuple[str, int] | None]] = [(i, line) for i, line in enumerate(spelled.lines)]
    return [*picked[1::2], (-1, None), *picked[::2]]


@settings(max_examples=100, deadline=None)
@given(dumps(), st.integers(1, 60), st.booleans())
def test_reader_equals_twin(spelled: Spelled, piece: int, shuffled: bool) -> None:
    lines = _selection(spelled) if shuffled else list(enumerate(spelled.lines))
    expected = read_body(spelled.body, spelled.sizes, [line for _, line in lines])
    capture = opened(spelled.text, piece)
    blocks = list(capture.blocks([index for index, _ in lines], block_rows=3))
    assert [row for block in blocks for row in rows_of(block, len(lines))] == expected.rows
    assert [(g.start, g.end) for block in blocks for g in block.gaps] == expected.gaps
    assert capture.end_time == expected.end
    assert [block.first_row for block in blocks] == [sum(map(len, blocks[:k])) for k in range(len(blocks))]
    assert all(1 <= len(block) <= 3 for block in blocks)


def _columns(text: str, piece: int | None, lines: int = 11) -> Capture:
    return opened(text, piece).read(range(lines))


def test_every_piece_size_gives_the_same_columns() -> None:
    whole = _columns(EVERYTHING, None)
    assert len(whole) == 9
    for piece in range(1, 401):
        part = _columns(EVERYTHING, piece)
        assert np.array_equal(part.time, whole.time), piece
        assert np.array_equal(part.levels, whole.levels), piece
        assert np.array_equal(part.unknown, whole.unknown), piece
        assert part.gaps == whole.gaps, piece


def test_a_file_cut_at_any_byte_gives_a_prefix_and_at_most_one_note() -> None:
    whole = rows_of(_columns(EVERYTHING, None), 11)
    start = EVERYTHING.index("$enddefinitions $end") + len("$enddefinitions $end")
    for cut in range(len(EVERYTHING)):
        text = EVERYTHING[:cut]
        if cut <= start:  # the last $end counts once white space follows it
            with pytest.raises(CaptureError):
                opened(text).read(range(11))
            continue
        capture = opened(text)
        rows = rows_of(capture.read(range(11)), 11)
        notes = [note.code for note in capture.notes if note.code == "truncated"]
        assert notes == ["truncated"] * len(notes) and len(notes) <= 1
        whole_word = any(note.code == "no-line-end" for note in capture.notes)
        open_end = bool(text.rstrip(" \n\r") == text and cut > start)
        if open_end:
            assert bool(notes) != whole_word, cut
        # Where a token is open, the time stamp it belongs to is left out; where the cut falls
        # between two tokens the last row may lack changes, never hold others.
        kept = rows if notes else rows[:-1]
        assert kept == whole[: len(kept)], cut
        if not notes and rows:
            assert rows[-1][0] in [time for time, _ in whole] or rows[-1] == whole[-1], cut


@settings(max_examples=60, deadline=None)
@given(dumps(max_stamps=6), st.data())
def test_any_dump_cut_anywhere_never_fails_and_keeps_the_rows_before(spelled: Spelled, data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(spelled.body)))
    lines = range(len(spelled.lines))
    whole = rows_of(opened(spelled.text).read(lines), len(lines))
    capture = opened(spelled.header + spelled.body[:cut])
    rows = rows_of(capture.read(lines), len(lines))
    kept = rows[:-1]  # the last one's stamp may stand there once more, with more changes
    assert kept == whole[: len(kept)]


@pytest.mark.parametrize("body", ["", "\n", "#0\n", "#5\n#9\n", "0!\n", "#3\n0!\n#4\n0!\n#5\n0!\n"])
def test_empty_and_constant_bodies(body: str) -> None:
    header = "$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end\n"
    expected = read_body(body, {"!": 1}, [("!", 0)])
    assert rows_of(opened(header + body).read([0]), 1) == expected.rows


def test_a_gap_that_ends_in_a_stamp_cut_by_the_piece_border_keeps_its_row() -> None:
    header = "$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end\n"
    body = "#5 1! #100000000043 $dumpon $end\n#100000000043 1!\n#100000000044\n"
    for piece in range(1, 80):
        assert rows_of(opened(header + body, piece).read([0]), 1) == [(5, "1"), (100000000043, "1")], piece


@pytest.mark.parametrize("others", [0, 70], ids=["narrow", "wide"])
@pytest.mark.parametrize("digits", [8, 40, 48, 63, 64, 65])
def test_digits_that_fill_a_piece_to_its_end_are_read_on(digits: int, others: int) -> None:
    """Uncompiled and index-checked runs see a look past the end; pieces begin at the vector and end in it."""
    header = "$timescale 1 ns $end $var wire 64 ! a $end $var wire 80 other b $end $enddefinitions $end\n"
    value = ("10110" * 16)[:digits]
    body = f"#1 b{value} ! #2 b0 ! #3 b{value} !\n#4\n"
    lines = [("!", bit) for bit in range(64)] + [("other", bit) for bit in range(others)]
    expected = read_body(body, {"!": 64, "other": 80}, list(lines))
    for piece in range(1, 2 * digits + 20):
        assert rows_of(opened(header + body, piece).read(range(len(lines))), len(lines)) == expected.rows, piece


def _many_variables(rng: random.Random, total: int) -> tuple[str, str, dict[str, int], list[tuple[str, int]]]:
    """(header, body, sizes, lines) of a dump as simulators write it, of ``total`` bits at least."""
    sizes: dict[str, int] = {}
    while sum(sizes.values()) < total:
        letters = "".join(rng.choice(CODE_LETTERS) for _ in range(rng.choice([1, 1, 2, 2, 2, 3])))
        sizes.setdefault(letters, rng.choice([1, 1, 1, 2, 8, 8, 16, 64, 70]))
    header = "$timescale 1 ns $end\n"
    header += "".join(f"$var wire {size} {code} n{k} $end\n" for k, (code, size) in enumerate(sizes.items()))
    body, now = "", 0
    for _ in range(150):
        now += rng.choice([0, 1, 3, 42, 10**9])
        body += f"#{now}"
        for code in rng.sample(sorted(sizes), rng.randint(0, min(6, len(sizes)))):
            kind = "01xz" if rng.random() < 0.05 else "01"
            digits = "".join(rng.choice(kind) for _ in range(rng.randint(1, sizes[code])))
            body += rng.choice(" \n") + (f"{digits[0]}{code}" if sizes[code] == 1 else f"b{digits} {code}")
        body += rng.choice(["\n", "\n", "\n", "\n$dumpoff $end\n", "\n$dumpon $end\n"]) if rng.random() < 0.1 else "\n"
    lines = [(code, bit) for code, size in sizes.items() for bit in range(size)]
    return header + "$enddefinitions $end\n", body, sizes, lines


@pytest.mark.parametrize("total", [20, 64, 65, 100, 128, 140, 200, 256, 300])
def test_rows_of_many_words_equal_the_twin(total: int) -> None:
    """Values that lie across two words, one bit shown by several lines, codes of one to three characters."""
    for seed in range(4):
        rng = random.Random(1000 * total + seed)
        header, body, sizes, lines = _many_variables(rng, total)
        chosen: list[tuple[int, tuple[str, int] | None]] = list(enumerate(lines))[:total]
        if seed % 2:
            chosen = [*chosen[total // 2 :], (-1, None), *rng.sample(chosen[:30], 5), *chosen[: total // 3]]
        expected = read_body(body, sizes, [line for _, line in chosen])
        for piece in (len(header + body) + 9, 900, 177):
            capture = opened(header + body, piece).read([index for index, _ in chosen])
            assert rows_of(capture, len(chosen)) == expected.rows, (seed, piece)
