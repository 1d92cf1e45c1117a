"""Defects in a body: one clear error that names file, byte and line, or a note and the rows before."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import os
from pathlib import Path

import pytest
import zstandard

from busledger.decoder.capture import open_capture
from busledger.decoder.errors import CaptureError, UsageError
from tests.capture.vcd_texts import opened, rows_of

HEAD = "$timescale 1 ns $end\n$var wire 1 ! a $end\n$var wire 4 # v $end\n$enddefinitions $end\n"


@pytest.mark.parametrize("piece", [None, 1, 7, 64])
@pytest.mark.parametrize(
    ("body", "bad", "message"),
    [
        ("#1\n1!\n#2\n0?\n#3\n", "0?", "identifier '\\?', which the header does not declare"),
        ("#1\n1!\nb10 no\n#3\n", "b10 no", "identifier 'no'"),
        ("#9\n1!\n#2\n0!\n#3\n", "#2", "time runs backwards here: '#2' after #9"),
        ("#1\n1!\n#2x\n", "#2x", "'#2x' is not a time stamp"),
        ("#1\n1!\n# 2\n", "# 2", "'#' is not a time stamp"),
        ("#1\n1!\n#-2\n", "#-2", "is not a time stamp"),
        ("#1\n1!\n#99999999999999999999\n", "#9999", "too large"),
        ("#1\n1!\nhello\n", "hello", "'hello' is not a value change"),
        ("#1\n1!\n1\n", "1\n", "'1' is not a value change"),
        ("#1\n1!\nb12 #\n", "b12", "'b12' is not a vector value"),
        ("#1\n1!\nb #\n#2\n", "b #", "'b' is not a vector value"),
        ("#1\n1!\n0\0!\n#2\n", "\0", "control byte 0x00"),
        ("#1\n1!\n\x1b[31m\n#2\n", "\x1b", "control byte 0x1b"),
    ],
)
def test_a_defect_names_its_byte_and_line(body: str, bad: str, message: str, piece: int | None) -> None:
    text = HEAD + body
    at = len(HEAD) + body.rindex(bad)
    with pytest.raises(CaptureError, match=message) as caught:
        opened(text, piece).read(range(5))
    line = text.count("\n", 0, at) + 1
    assert caught.value.where == f"standard input, byte {at}, line {line}"


def test_a_file_is_counted_through_for_the_line(tmp_path: Path) -> None:
    path = tmp_path / "bad.vcd.gz"
    body = "".join(f"#{t}\n{t % 2}!\n" for t in range(1, 200_000))
    path.write_bytes(gzip.compress((HEAD + body + "1unknown\n").encode()))
    with open_capture(path) as capture, pytest.raises(CaptureError, match="line 400003"):
        capture.read([0])


def test_a_stamp_inside_a_comment_misleads_no_thread(tmp_path: Path) -> None:
    path = tmp_path / "comment.vcd"
    noise = "$comment\n" + "#1\n1!\n0undeclared\n" * 30_000 + "$end\n"
    body = "".join(f"#{t}\n{t % 2}!\n" for t in range(1, 60_000))
    path.write_text(HEAD + body + noise + "#70000\n0!\n#70001\n1!\n", encoding="ascii", newline="\n")
    with open_capture(path) as capture:
        capture.piece_bytes = 1 << 16
        rows = rows_of(capture.read([0]), 1)
    assert rows[-2:] == [(70000, "0"), (70001, "1")] and len(rows) == 59_999 + 2


def test_a_closing_stamp_that_lies_early_is_passed_over_with_a_note() -> None:
    for piece in (None, 3):
        capture = opened(HEAD + "#40\n1!\n#50\n0!\n#45\n", piece)
        assert rows_of(capture.read([0]), 1) == [(40, "1"), (50, "0")]
        assert [note.code for note in capture.notes] == ["early-end"]


def test_a_word_without_end_is_refused_and_memory_stays_bounded() -> None:
    with pytest.raises(CaptureError, match="one word of more than 1 MB"):
        opened(HEAD + "#1 b" + "0" * (6 << 20)).read([0])


@pytest.mark.parametrize("data", [b"", b"\n \n", b"\xef\xbb\xbf"])
def test_an_empty_file_says_so(data: bytes) -> None:
    with pytest.raises(CaptureError, match="the file is empty"):
        opened(data)


def test_binary_data_says_what_would_do() -> None:
    picture = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)) * 8
    with pytest.raises(CaptureError, match="holds binary data"):
        opened(picture)
    with pytest.raises(CaptureError, match="holds binary data"):
        opened(gzip.compress(picture))


def test_paths_that_cannot_be_read(tmp_path: Path) -> None:
    for path, message in (
        (tmp_path, "this is a folder"),
        (tmp_path / "none.vcd", "No such file"),
        (tmp_path / "a\0b", "not a path|cannot be read"),
    ):
        with pytest.raises(CaptureError, match=message):
            open_capture(path)
    locked = tmp_path / "locked.vcd"
    locked.write_text(HEAD)
    locked.chmod(0)
    if os.geteuid() != 0:
        with pytest.raises(CaptureError, match="permission"):
            open_capture(locked)


def _packed(name: str, data: bytes) -> bytes:
    pack = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress, "zst": zstandard.compress}
    return pack[name](data)


@pytest.mark.parametrize("name", ["gz", "bz2", "xz", "zst"])
def test_packed_files_are_told_by_content_and_read_again(tmp_path: Path, name: str) -> None:
    body = "".join(f"#{t}\n{t % 2}!\n" for t in range(1, 100_000))
    path = tmp_path / "capture.dat"
    whole = _packed(name, (HEAD + body[:500_000]).encode()) + _packed(name, body[500_000:].encode())  # two members
    path.write_bytes(whole)
    with open_capture(path) as capture:
        rows = rows_of(capture.read([0]), 1)
        assert rows == [(t, str(t % 2)) for t in range(1, 100_000)]
        assert rows_of(capture.read([0]), 1) == rows
        assert capture.notes == []
    assert rows_of(open_capture("-", stdin=io.BytesIO(whole)).read([0]), 1) == rows


@pytest.mark.parametrize("name", ["gz", "bz2", "xz", "zst"])
def test_a_packed_file_that_is_cut_is_read_to_the_cut(tmp_path: Path, name: str) -> None:
    body = "".join(f"#{t * t}\n{t % 2}!\n" for t in range(1, 300_000))
    data = _packed(name, (HEAD + body).encode())
    path = tmp_path / "cut"
    path.write_bytes(data[: len(data) * 2 // 3])
    with open_capture(path) as capture:
        rows = rows_of(capture.read([0]), 1)
        assert [note.code for note in capture.notes] == ["truncated"]
    assert rows == [(t * t, str(t % 2)) for t in range(1, len(rows) + 1)] and len(rows) > 10_000


@pytest.mark.parametrize("name", ["gz", "bz2", "xz"])
def test_a_damaged_packed_file_is_one_clear_error(tmp_path: Path, name: str) -> None:
    body = "".join(f"#{t * t}\n{t % 2}!\n" for t in range(1, 100_000))
    data = bytearray(_packed(name, (HEAD + body).encode()))
    for at in range(len(data) // 2, len(data) // 2 + 40):
        data[at] ^= 0x55
    path = tmp_path / "damaged"
    path.write_bytes(data)
    with pytest.raises(CaptureError), open_capture(path) as capture:
        capture.read([0])


def test_standard_input_is_read_once() -> None:
    capture = opened(HEAD + "#1 1! #2 ")
    capture.read([0])
    with pytest.raises(CaptureError, match="only once"):
        capture.read([0])


def test_calls_that_make_no_sense() -> None:
    capture = opened(HEAD + "#1 1! #2 ")
    with pytest.raises(UsageError):
        capture.blocks([99])
    with pytest.raises(UsageError):
        capture.blocks([0], block_rows=0)


def test_progress_is_told_and_may_stop_the_work() -> None:
    told: list[tuple[str, int, int | None, str]] = []

    def progress(stage: str, done: int, total: int | None, unit: str) -> None:
        told.append((stage, done, total, unit))
        if len(told) == 2:
            raise KeyboardInterrupt

    text = HEAD + "".join(f"#{t}\n{t % 2}!\n" for t in range(1, 1000))
    capture = open_capture("-", stdin=io.BytesIO(text.encode()), progress=progress)
    capture.piece_bytes = 100
    with pytest.raises(KeyboardInterrupt):
        capture.read([0])
    assert told[0][0] == "reading" and told[0][3] == "bytes"


@pytest.mark.parametrize("piece", [None, 5])
@pytest.mark.parametrize(
    ("tail", "rows"),
    [
        ("#50\n0!", [(40, "1"), (50, "0")]),  # the last change has no line end
        ("#50\n0!\n#60", [(40, "1"), (50, "0")]),  # nor has the closing stamp, which says when the capture ended
        ("#50\nb0 #", [(40, "1")]),
    ],
)
def test_a_file_without_a_final_line_end_loses_nothing(
    tail: str, rows: list[tuple[int, str]], piece: int | None
) -> None:
    capture = opened(HEAD + "#40\n1!\n" + tail, piece)
    assert rows_of(capture.read([0]), 1) == rows
    assert [note.code for note in capture.notes] == ["no-line-end"]
    assert capture.end_time == (60 if tail.endswith("60") else 50)


def test_a_code_that_may_go_on_is_taken_for_cut() -> None:
    head = HEAD.replace("$enddefinitions", "$var wire 1 !a b $end\n$enddefinitions")
    capture = opened(head + "#40\n1!\n#50\n0!")
    assert rows_of(capture.read([0]), 1) == [(40, "1")]
    assert [note.code for note in capture.notes] == ["truncated"]
