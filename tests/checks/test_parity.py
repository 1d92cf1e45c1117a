"""The ninth bit of a byte: a card of nine chips whose parity chip, generator or clip is bad."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from busledger.decoder.board import load_board
from busledger.decoder.checks.parity.parity import odd_ones
from busledger.decoder.errors import BoardError
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, run_check
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
