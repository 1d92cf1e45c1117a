"""Digits eight bytes at a time against Python's own int(): every length, every byte that may follow."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.capture.load_kernel import fast_bits, fast_number, load64, trailing

AFTER = st.binary(max_size=20).filter(lambda rest: not rest[:1].isdigit())


def _buffer(text: bytes) -> np.ndarray:
    return np.frombuffer(text + b" " * 24, np.uint8)


@settings(max_examples=60, deadline=None)
@given(st.text("0123456789", max_size=17).map(str.encode), AFTER, st.integers(0, 9))
def test_decimal_numbers(digits: bytes, rest: bytes, lead: int) -> None:
    with np.errstate(over="ignore"):
        value, end = fast_number(_buffer(b"." * lead + digits + rest), lead)
    if 1 <= len(digits) <= 15:
        assert (value, end) == (int(digits), lead + len(digits))
    else:
        assert end == lead  # none, or more than it takes on: left to the careful reader


@settings(max_examples=60, deadline=None)
@given(st.text("01", max_size=80).map(str.encode), st.sampled_from([b" !", b"x", b"2", b"\n", b"\xb0\xb1"]))
def test_binary_numbers(digits: bytes, rest: bytes) -> None:
    buffer = _buffer(digits + rest)
    with np.errstate(over="ignore"):
        value, end = fast_bits(buffer, 0, len(buffer))
    assert end == min(len(digits), 64)
    assert int(value) == int(digits[:64] or b"0", 2)


@settings(max_examples=60, deadline=None)
@given(st.binary(min_size=8, max_size=40), st.data())
def test_loads_and_trailing_zeros(data: bytes, more: st.DataObject) -> None:
    at = more.draw(st.integers(0, len(data) - 8))
    value = int(load64(np.frombuffer(data, np.uint8), at))
    assert value == int.from_bytes(data[at : at + 8], "little")
    assert int(trailing(np.uint64(value))) == (64 if value == 0 else (value & -value).bit_length() - 1)
