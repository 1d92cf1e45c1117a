"""Captures for the reading benchmark: bus-like traffic on 28 scalar lines.

A made-up clocked bus of 1 MHz: 16 address lines that mostly count up, 8 data
lines, a clock, and three strobes, as a 24 MHz sampler or a simulator would
write them. Deterministic.
"""

from __future__ import annotations

import random
from pathlib import Path

LINES = ("CLK", "RD", "WR", "SEL", *(f"A{i}" for i in range(16)), *(f"D{i}" for i in range(8)))
_CODES = [chr(33 + k) for k in range(len(LINES))]
_STEPS = 30_000


def _steps() -> list[tuple[int, list[str]]]:
    """(nanoseconds since the step before, changes) of ``_STEPS`` time stamps; ends where it began."""
    rng = random.Random(1364)
    level = dict.fromkeys(LINES, 0)
    steps: list[tuple[int, list[str]]] = []

    def put(after: int, wanted: dict[str, int]) -> None:
        changes = [f"{v}{_CODES[LINES.index(k)]}" for k, v in wanted.items() if level[k] != v]
        level.update(wanted)
        if changes:
            steps.append((after, changes))

    address = 0x4000
    while len(steps) < _STEPS:
        address = (address + 1) & 0xFFFF if rng.random() < 0.7 else rng.randrange(0x4000, 0x4800)
        data, strobe = rng.randrange(256), "RD" if rng.random() < 0.8 else "WR"
        put(208, {"CLK": 1})
        put(42, {f"A{i}": address >> i & 1 for i in range(16)})
        put(83, {strobe: 1, "SEL": address >> 10 & 1})
        put(167, {f"D{i}": data >> i & 1 for i in range(8)})
        put(208, {"CLK": 0})
        put(250, {strobe: 0})
    put(42, dict.fromkeys(LINES, 0))
    return steps


def write_capture(path: Path, size: int, *, per_line: bool) -> None:
    """Write about ``size`` bytes; one change a line, or all changes of a time on one line."""
    glue = "\n" if per_line else " "
    steps = [(after, glue + glue.join(changes) + "\n") for after, changes in _steps()]
    head = "$timescale 1 ns $end\n$scope module bus $end\n"
    head += "".join(f"$var wire 1 {c} {n} $end\n" for c, n in zip(_CODES, LINES, strict=True))
    head += "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n" + "".join(f"0{c}\n" for c in _CODES) + "$end\n"
    with path.open("w", encoding="ascii", newline="\n") as out:
        written, now = out.write(head), 0
        while written < size:
            text = []
            for after, changes in steps:
                now += after
                text.append(f"#{now}{changes}")
            written += out.write("".join(text))
        out.write(f"#{now + 1000}\n")
