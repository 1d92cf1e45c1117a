"""Whatever the bytes, reading gives rows or one CaptureError: no other exception, no hang, no endless memory."""

from __future__ import annotations

import gzip
import io
import lzma

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.capture import open_capture
from busledger.decoder.errors import CaptureError
from tests.capture.vcd_texts import Spelled, dumps, opened

CSV = b"time_us,A0,data[7:0]\n0,0,1f\n1.5,1,x\n2e0,-,\n"


def _read_all(data: bytes, piece: int) -> None:
    try:
        capture = open_capture("-", stdin=io.BytesIO(data))
        capture.piece_bytes = piece
        block = capture.read(range(len(capture.header.signals)))
    except CaptureError as error:
        assert error.what and "\n" not in str(error) and "\x1b" not in str(error)
        return
    assert (np.diff(block.time) > 0).all()
    assert not (block.levels & block.unknown).any()


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200), st.integers(1, 40))
def test_any_bytes(data: bytes, piece: int) -> None:
    _read_all(data, piece)
    _read_all(b"$timescale 1 ns $end $var wire 3 ! a $end $enddefinitions $end " + data, piece)
    _read_all(b"time,a\n" + data, piece)


@settings(max_examples=100, deadline=None)
@given(dumps(max_stamps=5), st.data())
def test_good_dumps_with_a_few_bytes_wrong(spelled: Spelled, data: st.DataObject) -> None:
    text = bytearray(spelled.text.encode("latin-1"))
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    _read_all(bytes(text), data.draw(st.integers(1, 60)))


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_good_tables_with_a_few_bytes_wrong(data: st.DataObject) -> None:
    text = bytearray(CSV)
    at = data.draw(st.integers(0, len(text) - 1))
    text[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    _read_all(bytes(text), data.draw(st.integers(1, 60)))


@settings(max_examples=40, deadline=None)
@given(st.sampled_from([gzip.compress, lzma.compress]), st.data())
def test_packed_files_with_a_few_bytes_wrong(pack: object, data: st.DataObject) -> None:
    assert callable(pack)
    packed = bytearray(pack(b"$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end #1 1! #2 0! \n" * 3))
    at = data.draw(st.integers(0, len(packed) - 1))
    packed[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    _read_all(bytes(packed), 20)


def test_a_small_file_that_unpacks_to_more_than_memory_is_stopped_early() -> None:
    # 2 GB of spaces in 2 MB: read a megabyte at a time, and given up where a header must have ended
    member = gzip.compress(b" " * (64 << 20), 1)
    with pytest.raises(CaptureError, match="in the first 64 MB"):
        opened(b"".join([gzip.compress(b"$comment "), *[member] * 32]))


def test_a_million_variables_are_refused_in_plain_words() -> None:
    lines = "".join(f"$var wire 64 c{i} n{i} $end\n" for i in range(20_000))
    with pytest.raises(CaptureError, match="more than 262144 bits are declared"):
        opened("$timescale 1 ns $end\n" + lines)


def test_a_word_without_end_in_the_header_is_refused() -> None:
    with pytest.raises(CaptureError, match="one word of more than 1 MB in the header"):
        opened("$comment " + "a" * (3 << 20))
