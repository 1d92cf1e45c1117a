"""A memory test on a made-up 68000 card that does nothing else: cycles of one length, both data strobes together."""

from __future__ import annotations

import random
from pathlib import Path

__all__ = ["BOARD", "CYCLE_NS", "write_capture"]

CYCLE_NS = 600
BOARD = """
[board]
name = "Weather radar buffer"
bus = "68000"
[[region]]
name = "bank0"
start = 0x10000
end = 0x13FFF
kind = "ram"
chips = [{ designator = "U1", part = "6264", lanes = "D0-D7" }, { designator = "U2", part = "6264", lanes = "D8-D15" }]
"""
LINES = ("AS", "UDS", "LDS", "RW", "DTACK", *(f"A{n}" for n in range(1, 24)), *(f"D{n}" for n in range(16)))


def write_capture(path: Path, cells: int = 400, stuck: int = 13) -> None:
    """Words written and read back, lane ``stuck`` always low; the address stands 55 ns before the strobes, 53
    behind."""
    draw, level = random.Random(68000), dict.fromkeys(LINES, -1)
    text = ["$timescale 1 ns $end", "$scope module bus $end"]
    text += [f"$var wire 1 {chr(33 + k)} {line} $end" for k, line in enumerate(LINES)]
    text += ["$upscope $end", "$enddefinitions $end"]

    def put(at: int, levels: dict[str, int]) -> None:
        moved = [line for line, value in levels.items() if level[line] != value]
        level.update(levels)
        if moved:
            text.append(f"#{at} " + " ".join(f"{level[m]}{chr(33 + LINES.index(m))}" for m in moved))

    put(0, {line: int(line in ("AS", "UDS", "LDS", "RW", "DTACK")) for line in LINES})
    held = [draw.getrandbits(16) for _ in range(cells)]
    cycles = [(k, 0, word) for k, word in enumerate(held)]
    cycles += [(k, 1, word & ~(1 << stuck)) for k, word in enumerate(held)]
    cycles *= 3
    for number, (cell, read, word) in enumerate(cycles, 1):
        at = number * CYCLE_NS
        put(at + 40, {f"A{n}": (0x10000 + 2 * cell) >> n & 1 for n in range(1, 24)} | {"RW": read})
        data = {f"D{n}": word >> n & 1 for n in range(16)}
        put(at + 95, {"AS": 0, **({"UDS": 0, "LDS": 0} if read else {})})
        put(at + 150, data)
        put(at + 250, {"UDS": 0, "LDS": 0, "DTACK": 0})
        put(at + 587, {"AS": 1, "UDS": 1, "LDS": 1, "DTACK": 1})
    path.write_text("\n".join(text) + "\n")
