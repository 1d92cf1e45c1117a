"""The ninth bit of a byte: a card of nine chips whose parity chip, generator or clip is bad."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from busledger.decoder.board import load_board
from busledger.decoder.checks.parity.parity import ParityCheck, odd_ones
from busledger.decoder.errors import BoardError
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, open_run, run_check
from busledger.decoder.report import check_text
from busledger.tui.commands.main import main

ADDRESSES = 64


def board_text(ninth: str) -> str:
    chips = "".join(f'  {{ designator = "U{n}", part = "2102", lanes = "D{n}" }},\n' for n in range(8))
    return f"""
[board]
name = "Weighbridge store"
bus = "sram"
[[region]]
name = "bank0"
start = 0
end = 0x3FF
kind = "ram"
chips = [
{chips}  {{ designator = "U8", part = "2102", lanes = "P", {ninth} }},
]
"""


def ones(data: int) -> int:
    return data.bit_count() & 1


class Drawn:
    """Reads and writes of a static memory, as its pins show them, a microsecond each; PI is written, PO read."""

    def __init__(self) -> None:
        self.names = ["CE", "OE", "WE", *(f"A{n}" for n in range(10)), *(f"D{n}" for n in range(8)), "PI", "PO"]
        self.levels = dict.fromkeys(self.names, 0) | {"CE": 1, "OE": 1, "WE": 1}
        self.now, self.lines = 1000, [""]

    def _set(self, after: int, **levels: int) -> None:
        self.now += after
        moved = {name: level for name, level in levels.items() if self.levels[name] != level}
        if moved:
            self.levels |= moved
            self.lines.append(
                f"#{self.now} " + " ".join(f"{v}{chr(33 + self.names.index(n))}" for n, v in moved.items())
            )

    def access(self, address: int, data: int, *, write: bool, given: int, shown: int) -> None:
        bus = {f"A{n}": address >> n & 1 for n in range(10)} | {f"D{n}": data >> n & 1 for n in range(8)}
        strobe = "WE" if write else "OE"
        self._set(100, CE=0, **bus, PI=given, PO=shown)
        self._set(100, **{strobe: 0})
        self._set(500, **{strobe: 1})
        self._set(100, CE=1)
        self._set(200, PI=1 - given, PO=1 - shown)

    def text(self, without: str = "") -> str:
        variables = "".join(
            f"$var wire 1 {chr(33 + n)} {name if name != without else 'spare'} $end\n"
            for n, name in enumerate(self.names)
        )
        start = "#0 " + " ".join(f"{int(n in ('CE', 'OE', 'WE'))}{chr(33 + k)}" for k, n in enumerate(self.names))
        return (
            f"$timescale 1 ns $end\n{variables}$enddefinitions $end\n{start}" + "\n".join(self.lines) + "\n#9000000\n"
        )


Bit = Callable[[int, int], int]


def drawn(generator: Bit, chip: Bit, writes: int = 300) -> Drawn:
    """``generator(address, data)`` is given to the chip, which gives ``chip(address, given)`` back."""
    draw, card = random.Random(20), Drawn()
    held: dict[int, tuple[int, int]] = {}
    for number in range(2 * writes):
        address = draw.randrange(ADDRESSES)
        if number % 2 == 0:
            data = draw.randrange(256)
            held[address] = data, generator(address, data)
            card.access(address, data, write=True, given=held[address][1], shown=0)
        elif address in held:
            data, given = held[address]
            card.access(address, data, write=False, given=0, shown=chip(address, given))
    return card


def odd(address: int, data: int) -> int:
    """What makes the ones of byte and ninth bit odd in number (a 74LS280's even output)."""
    return 1 - ones(data)


def same(address: int, given: int) -> int:
    return given


def checked(folder: Path, card: Drawn, ninth: str, without: str = "") -> CheckResult:
    (folder / "card.toml").write_text(board_text(ninth))
    (folder / "run.vcd").write_text(card.text(without))
    return run_check(Request(folder / "run.vcd", board=folder / "card.toml"))


BOTH = 'line = "PO", line_in = "PI"'


def found(result: CheckResult) -> list[tuple[str, Any]]:
    return [(one["code"], one["component"]) for one in result.checks["parity"]]


@pytest.mark.parametrize("generator", [odd, lambda address, data: ones(data)])
def test_a_sound_ninth_bit_is_learnt_and_nothing_is_said(tmp_path: Path, generator: Bit) -> None:
    result = checked(tmp_path, drawn(generator, same), BOTH)
    assert found(result) == []
    assert result.mismatch_total == 0 and "No fault" in check_text(result)


@pytest.mark.parametrize("without", ["", "PI"])
def test_a_bad_parity_chip_is_named(tmp_path: Path, without: str) -> None:
    """Eight cells that are always low: seen by what was written, or, that not clipped, by the parity of the byte."""
    result = checked(tmp_path, drawn(odd, lambda address, given: given if address > 7 else 0), BOTH, without)
    assert found(result) == [("parity-read" if without else "parity-kept", "U8")]
    assert result.mismatch_total == 0, "the eight data bits are right"
    text = " ".join(check_text(result).split())
    assert "yet U8, the ninth bit of bank0" in text
    if not without:
        assert "addresses; low each time" in text


def test_a_generator_or_clip_that_is_wrong_does_not_accuse_the_chip(tmp_path: Path) -> None:
    """The chip gives back what it was given; what it was given does not fit the byte now and then."""
    result = checked(tmp_path, drawn(lambda a, d: odd(a, d) if d % 16 else 1 - odd(a, d), same), BOTH)
    assert found(result) == [("parity-given", None)]


def test_a_byte_of_which_a_lane_was_not_known_says_nothing(tmp_path: Path) -> None:
    """D3 hangs between the levels in one write of five: what the generator made of it, nobody can say."""
    draw, card = random.Random(5), Drawn()
    for number in range(300):
        data = draw.randrange(256)
        if number % 5 == 0:
            card._set(50, D3="x")  # type: ignore[arg-type]
            card.levels["D3"] = data >> 3 & 1  # so that the access leaves it as it is
        card.access(draw.randrange(64), data, write=True, given=odd(0, data), shown=0)
        card.levels["D3"] = 2
    result = checked(tmp_path, card, BOTH + ', parity = "odd"')
    assert found(result) == []


def test_the_stated_parity_is_held_against_the_writes(tmp_path: Path) -> None:
    result = checked(tmp_path, drawn(odd, same), BOTH + ', parity = "even"')
    ((code, component),) = found(result)
    assert (code, component) == ("parity-given", None)
    assert result.checks["parity"][0]["count"] == result.checks["parity"][0]["of"] == 300


def test_a_line_that_follows_no_parity_is_told(tmp_path: Path) -> None:
    """A clip on the wrong pin, or a generator's output that is stuck: neither odd nor even."""
    result = checked(tmp_path, drawn(lambda address, data: 0, same), BOTH)
    assert found(result) == [("parity-none", "U8")]


def test_a_line_that_is_not_clipped_is_not_judged(tmp_path: Path) -> None:
    result = checked(tmp_path, drawn(odd, same), BOTH, without="PO")
    assert "parity" not in result.checks
    assert "parity" not in checked(tmp_path, drawn(odd, same), 'grade = "450"').checks


def test_one_line_for_both_ways(tmp_path: Path) -> None:
    """A common data line: the same name at writes and reads."""
    draw, one = random.Random(3), Drawn()
    held: dict[int, tuple[int, int]] = {}
    for number in range(400):
        address, data = draw.randrange(16), draw.randrange(256)
        if number % 2 == 0:
            held[address] = data, odd(address, data)
            one.access(address, data, write=True, given=0, shown=held[address][1])
        elif address in held:
            byte, bit = held[address]
            one.access(address, byte, write=False, given=0, shown=bit if address != 9 else 1)
    result = checked(tmp_path, one, 'line = "PO"')
    assert found(result) == [("parity-kept", "U8")]


def test_the_command_says_it_and_its_status_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    checked(tmp_path, drawn(odd, lambda address, given: given if address != 5 else 0), BOTH)
    assert main(["check", str(tmp_path / "run.vcd"), "--board", str(tmp_path / "card.toml")]) == 1
    first = capsys.readouterr().out
    assert "read right, yet U8, the ninth bit of bank0" in " ".join(first.split())


@pytest.mark.parametrize(
    ("ninth", "what"),
    [('parity = "odd"', "without the line"), ('line = "PO", parity = "both"', "parity"), ("line = 7", "line")],
)
def test_mistakes_in_the_board_file(tmp_path: Path, ninth: str, what: str) -> None:
    (tmp_path / "card.toml").write_text(board_text(ninth))
    with pytest.raises(BoardError, match=what):
        load_board(tmp_path / "card.toml", data_bits=8)
    (tmp_path / "card.toml").write_text(board_text('line = "PO"').replace('lanes = "D3"', 'lanes = "D3", line = "X"'))
    with pytest.raises(BoardError, match="own lanes"):
        load_board(tmp_path / "card.toml", data_bits=8)


def test_counting_ones() -> None:
    data = np.array([0, 1, 3, 7, 0x80, 0xFF, 0xFFFF_FFFF, 0x8000_0001], np.uint32)
    assert odd_ones(data).tolist() == [value.bit_count() & 1 for value in data.tolist()]


# A bus of two bytes: the 68000, whose UDS moves D8-D15 (even addresses) and LDS D0-D7 (Motorola M68000 User's Manual
# p. 4-5). Each byte has a ninth bit of its own, as on cards of eighteen 1-bit chips.

WORD_BOARD = """
[board]
name = "Weighbridge store, wide"
bus = "68000"
[[region]]
name = "bank0"
start = 0
end = 0x7FF
kind = "ram"
chips = [
{chips}
{ninth}
]
"""
TWO_NINTHS = """
  {{ designator = "U20", part = "2102", lanes = "P0", line = "QL", line_in = "PL"{low} }},
  {{ designator = "U21", part = "2102", lanes = "P1", line = "QU", line_in = "PU" }},
"""


def word_board(ninth: str) -> str:
    chips = "".join(f'  {{ designator = "U{n}", part = "2102", lanes = "D{n}" }},\n' for n in range(16))
    return WORD_BOARD.format(chips=chips, ninth=ninth)


class WordDrawn(Drawn):
    """Accesses of a 68000, two microseconds each; PU and PL are written, QU and QL read."""

    def __init__(self) -> None:
        super().__init__()
        names = ["AS", "UDS", "LDS", "RW", *(f"A{n}" for n in range(1, 11)), *(f"D{n}" for n in range(16))]
        self.names = [*names, "PU", "PL", "QU", "QL"]
        self.levels = dict.fromkeys(self.names, 0) | {"AS": 1, "UDS": 1, "LDS": 1, "RW": 1}

    def word(self, address: int, data: int, width: int, *, write: bool, ninth: tuple[int, int]) -> None:
        """``width`` bit 0: D0-D7; ``ninth``: the bits of the low and of the high byte."""
        bus = {f"A{n}": address >> n & 1 for n in range(1, 11)} | {f"D{n}": data >> n & 1 for n in range(16)}
        names = ("PL", "PU") if write else ("QL", "QU")
        bits = {name: ninth[k] if width >> k & 1 else 1 - ninth[k] for k, name in enumerate(names)}
        strobes = {name: 1 - (width >> k & 1) for k, name in enumerate(("LDS", "UDS"))}
        self._set(100, RW=0 if write else 1, **bus, **bits)
        self._set(100, AS=0)
        self._set(100, **strobes)
        self._set(800, AS=1, UDS=1, LDS=1)
        self._set(300, **{name: 1 - level for name, level in bits.items()})
        self._set(100, RW=1)

    def text(self, without: str = "") -> str:
        variables = "".join(
            f"$var wire 1 {chr(33 + n)} {name if name != without else 'spare'} $end\n"
            for n, name in enumerate(self.names)
        )
        high = ("AS", "UDS", "LDS", "RW")
        start = "#0 " + " ".join(f"{int(n in high)}{chr(33 + k)}" for k, n in enumerate(self.names))
        body = "\n".join(self.lines)
        return f"$timescale 1 ns $end\n{variables}$enddefinitions $end\n{start}{body}\n#{self.now + 100}\n"


def word_card(chip: Callable[[int, int, int], int], generator: Callable[[int, int, int], int] | None = None) -> Drawn:
    """Words and single bytes, written and read back; ``chip(byte, address, given)``, ``generator(byte, address,
    data)``."""
    generator = generator or (lambda byte, address, data: odd(address, data))
    draw, card = random.Random(9), WordDrawn()
    held: dict[int, list[tuple[int, int]]] = {}
    for number in range(700):
        address, width = 2 * draw.randrange(24), draw.choice((1, 2, 3))
        if number % 2 == 0:
            cell = held.setdefault(address, [(0, -1), (0, -1)])
            for k in (0, 1):
                if width >> k & 1:
                    byte = draw.randrange(256)
                    cell[k] = byte, generator(k, address, byte)
            data = cell[0][0] | cell[1][0] << 8
            card.word(address, data, width, write=True, ninth=(cell[0][1] & 1, cell[1][1] & 1))
        elif address in held and all(held[address][k][1] >= 0 for k in (0, 1) if width >> k & 1):
            cell = held[address]
            ninth = tuple(chip(k, address, cell[k][1] & 1) for k in (0, 1))
            data = cell[0][0] | cell[1][0] << 8
            card.word(address, data, width, write=False, ninth=(ninth[0], ninth[1]))
    return card


def checked_words(folder: Path, card: Drawn, low: str = "", without: str = "") -> CheckResult:
    (folder / "card.toml").write_text(word_board(TWO_NINTHS.format(low=low)))
    (folder / "run.vcd").write_text(card.text(without))
    return run_check(Request(folder / "run.vcd", board=folder / "card.toml"))


def test_each_byte_of_a_word_has_a_ninth_bit_of_its_own(tmp_path: Path) -> None:
    """A byte that is written alone leaves the other's ninth bit as it was, and no access of one byte judges the other's
    line, which holds anything then."""
    result = checked_words(tmp_path, word_card(lambda byte, address, given: given))
    assert found(result) == []
    assert result.mismatch_total == 0 and "No fault" in check_text(result)


@pytest.mark.parametrize(("byte", "name", "lanes"), [(0, "U20", "D0-D7"), (1, "U21", "D8-D15")])
@pytest.mark.parametrize("blind", [False, True])
def test_the_parity_chip_of_the_byte_that_fails_is_named(
    tmp_path: Path, byte: int, name: str, lanes: str, blind: bool
) -> None:
    bad = word_card(lambda k, address, given: given if k != byte or address > 2 else 0)
    result = checked_words(tmp_path, bad, without=("PL", "PU")[byte] if blind else "")
    assert found(result) == [("parity-read" if blind else "parity-kept", name)]
    text = " ".join(check_text(result).split())
    assert f"{name}, the ninth bit of {lanes} of bank0," in text


def test_odd_and_even_may_differ_from_byte_to_byte(tmp_path: Path) -> None:
    mixed = word_card(lambda k, a, given: given, lambda k, a, data: odd(a, data) ^ k)
    assert found(checked_words(tmp_path, mixed)) == []
    ((code, component),) = found(checked_words(tmp_path, mixed, low=', parity = "even"'))
    assert (code, component) == ("parity-given", None)


@pytest.mark.parametrize(
    ("ninth", "what"),
    [
        ('{ designator = "U20", lanes = "P2" }', "D16-D23"),
        ('{ designator = "U20", lanes = "P0" }, { designator = "U21", lanes = "P0" }', "both hold the parity of D0-D7"),
        ('{ designator = "U20", lanes = "P" }, { designator = "U21", lanes = "P" }', "both hold the parity"),
        ('{ designator = "U20", lanes = "P0" }, { designator = "U21", lanes = "P" }', "both hold the parity"),
        ('{ designator = "U20", lanes = "P9" }', "lanes"),
    ],
)
def test_bytes_that_a_board_does_not_have_or_names_twice(tmp_path: Path, ninth: str, what: str) -> None:
    (tmp_path / "card.toml").write_text(word_board(ninth))
    with pytest.raises(BoardError, match=what):
        load_board(tmp_path / "card.toml", data_bits=16)


def test_what_was_written_is_remembered_from_block_to_block(tmp_path: Path) -> None:
    """A byte's ninth bit outlives any block, and writes of the other byte in the blocks after it."""
    bad = word_card(
        lambda k, address, given: given ^ int(address % 10 == 0), lambda k, a, data: (7 * data + 3 * a + k) >> 2 & 1
    )
    (tmp_path / "card.toml").write_text(word_board(TWO_NINTHS.format(low="")))
    (tmp_path / "run.vcd").write_text(bad.text())
    found_in = []
    for rows in (1 << 18, 300, 41):
        run = open_run(Request(tmp_path / "run.vcd", board=tmp_path / "card.toml"))
        assert run.board is not None
        blocks = list(run.blocks(block_rows=rows))
        assert (len(blocks) > 2) == (rows < 1 << 18)
        check = ParityCheck(run.board, run.layout, run.tick_fs, run.grid_ticks, 16)
        for block in blocks:
            check.feed(block.levels, block.cycles, block.compared)
        found_in.append(check.finish())
        run.file.close()
    assert found_in[0] == found_in[1] == found_in[2]
    assert {one.code for one in found_in[0].findings} == {"parity-kept", "parity-none"}
