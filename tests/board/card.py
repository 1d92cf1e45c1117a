"""A good board file, and a way to spoil it."""

from __future__ import annotations

GOOD = """
[board]
name = "Tide-gauge memory card"
bus  = "z80"
description = "two rows of 1K x 4 static RAM"

[wiring]
A0 = "ch0"
MREQ = "probe 17"

[[region]]
name   = "monitor"
start  = 0x0000
end    = 0x03FF
kind   = "rom"
chips  = [{ designator = "U5", part = "2708", lanes = "D0-D7" }]

[[region]]
name   = "bank0"
start  = 0x4000
end    = 0x43FF
kind   = "ram"
select = "CS0"
chips  = [
  { designator = "U1", part = "2114", lanes = "D0-D3", grade = "450ns", row = 1, column = 2 },
  { designator = "U2", part = "2114L-3", lanes = "D4-D7" },
]

[[region]]
name   = "bank1"
start  = 0x4400
end    = 0x47FF
kind   = "ram"
select = "CS1"
chips  = [
  { designator = "U3", part = "MM2114N", lanes = ["D0", "D1", "D2-D3"] },
  { designator = "U4", part = "2114", lanes = "D7-D4" },
]

[[region]]
name   = "ports"
start  = 0x00
end    = 0x0F
kind   = "io"
space  = "io"

[[decoder]]
designator = "U9"
part    = "74LS138"
inputs  = { A = "A10", B = "A11", C = "A12", G1 = "A14", "/G2A" = "A15", "G2B*" = "MREQ" }
outputs = { Y0 = "CS0", Y1 = "CS1" }

[[buffer]]
designator = "U10"
part      = "74LS245"
lanes     = "D0-D7"
serves    = ["bank0", "bank1"]
direction = { line = "RD", to_cpu = 0 }
enable    = { line = "CARD", active = 0 }
far_side  = { D0 = "MD0", D1 = "MD1" }

[[buffer]]
designator = "U11"
part      = "74LS244"
lines     = ["A0", "A1", "A2", "A3", "A4", "A5", "A6", "A7"]
"""


def spoil(*changes: tuple[str, str]) -> str:
    """``GOOD`` with pieces replaced; each piece must be there."""
    text = GOOD
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text
