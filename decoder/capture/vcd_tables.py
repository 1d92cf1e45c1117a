"""From the selection to the kernel's tables: identifier code -> where its bits go."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.arrays import Codes, LineTables, PlainTables, Targets
from busledger.decoder.capture.vcd_header import Variable
from busledger.decoder.capture.vcd_kernel import FIRST_CODE, PAIRS

__all__ = ["Tables", "build_tables"]

_GOLDEN = 0x9E3779B97F4A7C15
_ALL = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Tables:
    """``lines`` as ``vcd_kernel.lex`` takes them, of so many ``words``."""

    lines: LineTables
    words: int


def build_tables(variables: Sequence[Variable], select: Sequence[int]) -> Tables:
    """Tables for the lines ``select`` (indices of signals; -1 = a line that is never known)."""
    words = max(1, (len(select) + 63) // 64)
    places: dict[int, list[int]] = {}
    for k, index in enumerate(select):
        if index >= 0:
            places.setdefault(index, []).append(k)
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
    targets = Targets(
        kind,
        size,
        first,
        np.array(bit, np.int64),
        np.array(word, np.int64),
        np.array(mask, np.uint64),
    )
    selected = _full(len(select), words)
    ids = _code_tables([v.code for v in variables])
    return Tables(LineTables(selected, ids, targets, _common_tables(variables, targets, ids.one)), words)


def _full(lines: int, words: int) -> NDArray[np.uint64]:
    left = [min(64, max(0, lines - 64 * w)) for w in range(words)]
    return np.array([(1 << n) - 1 for n in left], np.uint64)


def _common_tables(variables: Sequence[Variable], targets: Targets, one: NDArray[Any]) -> PlainTables:
    """The tables of ``vcd_fast_kernel.lex_common``: variables whose bits lie side by side in one word."""
    role = np.full(256, 6, np.uint8)
    role[[9, 10, 11, 12, 13, 32]] = 0
    for letters, what in ((b"0", 1), (b"1", 2), (b"xXzZ", 3), (b"#", 4), (b"bB", 5)):
        role[list(letters)] = what
    kind, size = targets.kind.tolist(), targets.size.tolist()
    var_mask = np.zeros(len(variables), np.uint64)
    var_shift = np.full(len(variables), -1, np.int64)
    var_word = np.zeros(len(variables), np.int64)
    for v, (in_words, bits) in enumerate(_each(targets)):
        words = set(in_words)
        if len(words) > 1:
            continue  # its bits lie in two words: left to the full lexer
        var_word[v] = max(words, default=0)
        if not bits or not kind[v]:
            var_shift[v] = 0
        elif size[v] == 1:
            var_mask[v], var_shift[v] = bits[0], 0
        elif len(bits) == size[v] and all(bits[i] == bits[0] << i for i in range(len(bits))):
            place = bits[0].bit_length() - 1
            if bits[0] == 1 << place and bits[-1] < 1 << 64:
                var_mask[v], var_shift[v] = sum(bits), place
    one_plain = np.zeros(256, np.uint8)
    one_mask = np.zeros(256, np.uint64)
    one_word = np.zeros(256, np.int64)
    for byte, v in enumerate(one[:256].tolist()):
        if byte >= FIRST_CODE and v >= 0 and size[v] == 1 and var_shift[v] >= 0:
            one_plain[byte], one_mask[byte], one_word[byte] = 1, var_mask[v], var_word[v]
    four = _four_tables(targets)
    scalars = _scalars(four[1], targets.size)
    return PlainTables(role, one_mask, one_plain, var_mask, var_shift, targets.size, one_word, var_word, *four, scalars)


def _each(targets: Targets) -> Iterator[tuple[list[int], list[int]]]:
    """Of each variable the words of its targets and their masks."""
    first, words, masks = targets.first.tolist(), targets.word.tolist(), targets.mask.tolist()
    return ((words[a:b], masks[a:b]) for a, b in itertools.pairwise(first))


def _four_tables(targets: Targets) -> tuple[NDArray[np.uint64], NDArray[np.int64]]:
    """Of each variable its bits in each of four words, and the place of its bit 0; -1 where they do not lie side by
    side in the order of their numbers or not in these words."""
    count = len(targets.kind)
    masks, shift = np.zeros((count, 4), np.uint64), np.zeros(count, np.int64)
    kind, size = targets.kind.tolist(), targets.size.tolist()
    for v, (words, bits) in enumerate(_each(targets)):
        if not bits or not kind[v]:
            continue
        if size[v] == 1 and len(bits) == 1 and words[0] < 4:
            masks[v, words[0]] = bits[0]
            continue
        places = [64 * w + mask.bit_length() - 1 for w, mask in zip(words, bits, strict=True)]
        plain = size[v] == len(bits) <= 64 and places == list(range(places[0], places[0] + len(bits)))
        plain = plain and all(mask.bit_count() == 1 for mask in bits)
        if max(words) >= 4 or not (size[v] == 1 or plain):
            shift[v] = -1
            continue
        for w, mask in zip(words, bits, strict=True):
            masks[v, w] |= np.uint64(mask)
        shift[v] = places[0] % 64 if size[v] > 1 else 0
    return masks, shift


def _scalars(shift: NDArray[np.int64], size: NDArray[np.int64]) -> NDArray[np.uint8]:
    """1 for each variable of one bit that the common lexer may change."""
    return np.where((shift >= 0) & (size == 1), np.uint8(1), np.uint8(0))


def _code_tables(codes: Sequence[bytes]) -> Codes:
    one = np.full(256 + PAIRS * PAIRS, -1, np.int32)
    short = [(v, c) for v, c in enumerate(codes) if 2 <= len(c) <= 8]
    long = [(v, c) for v, c in enumerate(codes) if len(c) > 8]
    for v, code in enumerate(codes):
        if len(code) == 1:
            one[code[0]] = v
        elif len(code) == 2 and all(0 <= byte - FIRST_CODE < PAIRS for byte in code):
            pair = 256 + (code[0] - FIRST_CODE) * PAIRS + code[1] - FIRST_CODE
            one[pair] = v if one[pair] < 0 else one[pair]
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
    return Codes(one, keys, key_var, np.frombuffer(bytes(blob), np.uint8), long_at, long_var)
