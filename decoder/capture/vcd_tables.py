"""From the selection to the kernel's tables: identifier code -> where its bits go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.capture.vcd_header import Variable

__all__ = ["Tables", "build_tables"]

_GOLDEN = 0x9E3779B97F4A7C15
_ALL = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Tables:
    """Arrays as ``vcd_kernel.lex`` takes them; ``selected`` uint64[words] marks the known lines."""

    ids: tuple[NDArray[np.generic], ...]
    targets: tuple[NDArray[np.generic], ...]
    selected: NDArray[np.uint64]
    words: int


def build_tables(variables: Sequence[Variable], select: Sequence[int]) -> Tables:
    """Tables for the lines ``select`` (indices of signals; -1 = a line that is never known)."""
    words = max(1, (len(select) + 63) // 64)
    places: dict[int, list[int]] = {}
    for k, index in enumerate(select):
        if index >= 0:
            places.setdefault(index, []).append(k)
    selected = np.zeros(words, np.uint64)
    for k in (k for spots in places.values() for k in spots):
        selected[k // 64] |= np.uint64(1 << (k % 64))
    first = np.zeros(len(variables) + 1, np.int64)
    bit: list[int] = []
    word: list[int] = []
    mask: list[int] = []
    for v, variable in enumerate(variables):
        for i in range(variable.size):
            merged: dict[int, int] = {}
            for names in variable.signals:
                for k in places.get(names[i], ()):
                    merged[k // 64] = merged.get(k // 64, 0) | 1 << (k % 64)
            for w, bits in merged.items():
                bit.append(i)
                word.append(w)
                mask.append(bits)
        first[v + 1] = len(bit)
    kind = np.array([0 if v.ignored else 1 for v in variables], np.int64)
    size = np.array([v.size for v in variables], np.int64)
    targets = (
        kind,
        size,
        first,
        np.array(bit, np.int64),
        np.array(word, np.int64),
        np.array(mask, np.uint64),
    )
    return Tables(_code_tables([v.code for v in variables]), targets, selected, words)


def _code_tables(codes: Sequence[bytes]) -> tuple[NDArray[np.generic], ...]:
    one = np.full(256, -1, np.int32)
    short = [(v, c) for v, c in enumerate(codes) if 2 <= len(c) <= 8]
    long = [(v, c) for v, c in enumerate(codes) if len(c) > 8]
    for v, code in enumerate(codes):
        if len(code) == 1:
            one[code[0]] = v
    slots = 1 << max(3, (2 * len(short)).bit_length())
    keys, key_var = np.zeros(slots, np.uint64), np.full(slots, -1, np.int32)
    for v, code in short:
        key = int.from_bytes(code, "little")
        slot = ((key * _GOLDEN & _ALL) >> 33) & (slots - 1)
        while keys[slot]:
            slot = (slot + 1) & (slots - 1)
        keys[slot], key_var[slot] = key, v
    slots = 1 << max(3, (2 * len(long)).bit_length())
    long_at, long_var = np.zeros((slots, 2), np.int64), np.full(slots, -1, np.int32)
    blob = bytearray(b"\0")
    for v, code in long:
        mixed = 0xCBF29CE484222325
        for byte in code:
            mixed = (mixed ^ byte) * 0x100000001B3 & _ALL
        slot = (mixed >> 33) & (slots - 1)
        while long_var[slot] >= 0:
            slot = (slot + 1) & (slots - 1)
        long_at[slot] = len(blob), len(blob) + len(code)
        long_var[slot] = v
        blob += code
    return one, keys, key_var, np.frombuffer(bytes(blob), np.uint8), long_at, long_var
