"""Small invented boards for the planner."""

from __future__ import annotations

from pathlib import Path

from busledger.decoder.board import Board, load_board

LOOM = """
[board]
name = "Loom controller, pattern store"
bus = "6502"

[[region]]
name = "warp"
kind = "ram"
start = 0x0000
end = 0x0003
select = "CS0"
chips = [{ designator = "U1", part = "2114", lanes = "D0-D3" }, { designator = "U2", part = "2114", lanes = "D4-D7" }]

[[region]]
name = "weft"
kind = "ram"
start = 0x0004
end = 0x0007
select = "CS1"
chips = [{ designator = "U3", part = "2114", lanes = "D0-D3" }, { designator = "U4", part = "2114", lanes = "D4-D7" }]

[[decoder]]
designator = "U9"
part = "74LS138"
inputs = { A = "A2", B = "A3", C = "A4" }
outputs = { Y0 = "CS0", Y1 = "CS1" }
"""

DRAM_CARD = (
    """
[board]
name = "Planetarium drive, star table"
bus = "z80"

[[region]]
name = "stars"
kind = "ram"
start = 0x4000
end = 0x7FFF
select = "SEL"
chips = [
"""
    + "".join(f'  {{ designator = "U{k + 1}", part = "4116", lanes = ["D{k}"] }},\n' for k in range(8))
    + """]

[[buffer]]
designator = "U20"
part = "74LS245"
lanes = "D0-D7"
serves = ["stars"]
direction = { line = "DIR", to_cpu = 0 }
far_side = { D0 = "MD0" }
"""
)


def board(folder: Path, text: str) -> Board:
    """The board that ``text`` describes, read back from a file."""
    path = folder / "board.toml"
    path.write_text(text, encoding="utf-8")
    return load_board(path)
