"""A small good capture with its board file, to be spoilt in one way at a time."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from busledger import captures_demo
from busledger.tui.commands.main import main

_DEMO = Path(captures_demo.__file__).parent / "loom"  # a card with decoders and bus drivers
LOOM = (str(_DEMO / "capture.vcd.xz"), "--board", str(_DEMO / "board.toml"))
LINES = ("PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)))
WORDS = 64

BOARD = """[board]
name = "Bell-tower memory card"
bus = "6502"
[[region]]
name = "bank0"
start = 0x4000
end = 0x43FF
kind = "ram"
chips = [ { designator = "U1", part = "2114", lanes = "D0-D3" }, { designator = "U2", part = "2114", lanes = "D4-D7" } ]
"""


def dump(names: Mapping[str, str] | None = None, *, wrong_lane: int | None = None, timescale: str = "1 ns") -> str:
    """A VCD of 64 words of bank0 written and read back at 1 MHz; ``names``: line → channel name.

    ``wrong_lane`` reads high where low was written. Other lines keep their names.
    """
    given = dict(names or {})
    text = f"$timescale {timescale} $end\n$scope module clips $end\n"
    text += "".join(f"$var wire 1 {chr(33 + k)} {given.get(line, line)} $end\n" for k, line in enumerate(LINES))
    text += "$upscope $end\n$enddefinitions $end\n#0\n" + "".join(f"0{chr(33 + k)}\n" for k in range(len(LINES)))
    now = 0
    for read in (0, 1):
        for n in range(WORDS):
            address, data = 0x4000 + n, (n * 37 + 11) & 0xFF
            if read and wrong_lane is not None:
                data |= 1 << wrong_lane
            levels = {"RW": read} | {f"A{k}": address >> k & 1 for k in range(16)}
            text += f"#{now + 150} " + _changes(levels)
            text += f"#{now + 500} 1{chr(33)}\n"
            text += f"#{now + 650} " + _changes({f"D{k}": data >> k & 1 for k in range(8)})
            now += 1000
            text += f"#{now} 0{chr(33)}\n"
    return text


def _changes(levels: Mapping[str, int]) -> str:
    return " ".join(f"{value}{chr(33 + LINES.index(line))}" for line, value in levels.items()) + "\n"


class Bench:
    """A folder with ``run.vcd`` and ``card.toml``; ``call`` runs a command line there."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self._capsys = folder, capsys
        self.vcd, self.board = folder / "run.vcd", folder / "card.toml"
        self.vcd.write_text(dump())
        self.board.write_text(BOARD)

    def call(self, *arguments: object) -> tuple[int, str, str]:
        """Exit status, standard output, standard error."""
        self._capsys.readouterr()
        status = main([str(argument) for argument in arguments])
        out, err = self._capsys.readouterr()
        return status, out, err

    def check(self, *more: object, capture: Path | str | None = None) -> tuple[int, str, str]:
        """``check`` of the capture on the board."""
        return self.call("check", capture or self.vcd, "--board", self.board, *more)

    def refused(self, *arguments: object) -> str:
        """The one message of a command line that must end with exit status 2."""
        status, out, err = self.call(*arguments)
        assert status == 2, (status, out, err)
        assert out == ""
        return said(err)


def said(err: str) -> str:
    """A message as people may see it: one, no traceback, nothing that moves the cursor, no fault of ours."""
    assert err.startswith("busledger: ") and err.count("busledger: ") == 1, err
    assert "Traceback" not in err and "please report it" not in err
    assert all(char == "\n" or char.isprintable() for char in err), err
    return err
