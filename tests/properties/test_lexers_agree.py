"""The lexers that are quick with common tokens against the one that knows every token: the same rows and the same end.

The texts are longer than those of the twin's property, so that the quick ones read most of them: stamps of all widths
that grow by a digit in the middle, runs of changes of every length, codes of one to three characters, white space of
every sort, and now and then a token that is none.
"""

from __future__ import annotations

import random

import numpy as np
import pytest

from busledger.decoder.capture.row_memory import RowMemory
from busledger.decoder.capture.vcd_header import read_declarations
from busledger.decoder.capture.vcd_pieces import Lexed, lex_piece
from busledger.decoder.capture.vcd_scan import Scan
from busledger.decoder.capture.vcd_tables import Tables, build_tables

SPACES = ["\n"] * 12 + [" "] * 8 + ["\r\n", "\t", "  ", "\n\n"]
ODD = ["$comment #1 0! $end", "r1.5 !", "x", "#", "b102 !", "0", "2!", "#12a", "1undeclared", "$dumpoff", "$dumpon"]


def _tables(rng: random.Random, variables: int, lines: int) -> tuple[Tables, list[tuple[str, int]]]:
    codes = [chr(33 + n) if n < 60 else f"{chr(33 + n // 60)}{chr(40 + n % 60)}" for n in range(variables)]
    codes[-1] = "abc"
    sizes = [rng.choice([1, 1, 1, 1, 1, 8, 16]) for _ in codes]
    scan = Scan("here")
    both = enumerate(zip(codes, sizes, strict=True))
    text = "".join(f"$var wire {size} {code} n{n} $end\n" for n, (code, size) in both)
    scan.feed(f"$timescale 1 ns $end\n{text}$enddefinitions $end\n".encode())
    declared = read_declarations(scan)
    count = len(declared.header.signals)
    # Some lines twice, some not at all, in no order.
    select = [rng.randrange(-1, count) for _ in range(lines)] if rng.random() < 0.5 else list(range(count))[:lines]
    return build_tables(declared.variables, select), list(zip(codes, sizes, strict=True))


def _text(rng: random.Random, variables: list[tuple[str, int]], odd: float) -> bytearray:
    now, made = rng.choice([0, 7, 99_999_990, 10**11, 10**15]), []
    for _ in range(120):
        now += rng.choice([0, 1, 42, 42, 42, 250, 10**6])
        made.append(f"#{now}")
        for _ in range(rng.choice([0, 1, 1, 1, 2, 2, 3, 4, 5, 6, 7, 11])):
            code, size = rng.choice(variables)
            if rng.random() < odd:
                made.append(rng.choice(ODD))
            elif size == 1:
                made.append(rng.choice("0101010101xz" if odd else "01") + code)
            else:
                value = f"{rng.getrandbits(rng.randint(1, size)):b}"
                made.append(f"b{'x' + value[1:] if rng.random() < odd else value} {code}")
    glue = rng.choice(["\n", " ", ""])
    return bytearray("".join(word + (glue or rng.choice(SPACES)) for word in made).encode() + b"\n")


def _same(one: Lexed, other: Lexed) -> None:
    assert (one.status, one.position, one.end_time) == (other.status, other.position, other.end_time)
    assert (one.mode, one.section, one.force, one.gaps) == (other.mode, other.section, other.force, other.gaps)
    assert one.long_count == other.long_count
    for name in ("time", "levels", "unknown", "touch_row", "touch_mask", "now"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name


@pytest.mark.parametrize("lines", [3, 28, 64, 65, 128, 150, 200, 256, 300])
def test_quick_lexers_equal_the_thorough_one(lines: int) -> None:
    rng = random.Random(lines)
    memory = RowMemory()
    for odd in (0, 0, 0.002, 0.05):
        tables, variables = _tables(rng, rng.choice([5, 28, 90, 200]), lines)
        for mode, start in ((0, 0), (0, -1), (1, 0)):
            text = _text(rng, variables, odd)
            stop = rng.choice([len(text), len(text) - rng.randrange(60)])
            quick, thorough = (
                lex_piece(bytearray(text), stop, tables, mode, start, memory, plain) for plain in (False, True)
            )
            _same(quick, thorough)


def test_a_piece_without_unknown_levels_shares_its_unknown_bits_until_they_are_written() -> None:
    tables, variables = _tables(random.Random(1), 28, 28)
    text = _text(random.Random(2), [one for one in variables if one[1] == 1], 0)
    lexed = lex_piece(text, len(text), tables, 0, 0, RowMemory())
    assert lexed.known and not lexed.unknown.any()
    lexed.writable()
    lexed.room.unknown[:] = 1
    assert lexed.unknown.all() and not lexed.known
    again = lex_piece(text, len(text), tables, 0, 0, RowMemory())
    assert not again.unknown.any()


@pytest.mark.parametrize("lines", [28, 65, 128, 200, 256])
def test_lines_that_change_for_the_first_time_long_after_the_others_are_told_so(lines: int) -> None:
    rng = random.Random(lines)
    tables, variables = _tables(rng, 200, lines)
    for late in (0, 3, 190):
        order = [rng.choice(variables[: len(variables) - late]) for _ in range(4_000)] + variables[::-1]
        order += [rng.choice(variables) for _ in range(300)]
        words = [f"#{42 * k} {k & 1}{code}" if size == 1 else f"#{42 * k} b{k & 1} {code}"
                 for k, (code, size) in enumerate(order)]  # fmt: skip
        text = bytearray("\n".join(words).encode() + b"\n")
        quick, thorough = (
            lex_piece(bytearray(text), len(text), tables, 0, 0, RowMemory(), plain) for plain in (False, True)
        )
        _same(quick, thorough)
        assert len(quick.touch_row) > 1
