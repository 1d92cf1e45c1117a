"""Dumps of many shapes for the reading benchmark: few and many channels, scalars and vectors, two habits of writing.

*simulator*: one change a line, vectors without their leading zeros, most of what is declared at rest most of the time.
*analyser*: all changes of a time on its stamp's line, scalars one by one, time in steps of a sampling clock.
A made-up bus: 16 address lines that mostly count up, 8 data lines, four strobes, and further channels of which a
few move at each step. Deterministic.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

__all__ = ["SHAPES", "Shape", "write_shape"]

_STEPS = 6_000
_TICKS = (42, 83, 125, 208, 250)


@dataclass(frozen=True)
class Shape:
    """``channels`` bits in all; ``vector``: the address, the data and bytes of the others are one variable each."""

    channels: int
    vector: bool
    habit: str

    @property
    def name(self) -> str:
        """As the table says it."""
        return f"{self.channels} {'in vectors' if self.vector else 'scalars'}, {self.habit}"

    @property
    def sizes(self) -> list[int]:
        """Bits of each variable."""
        if not self.vector:
            return [1] * self.channels
        rest = self.channels - 28
        return [1, 1, 1, 1, 16, 8, *([8] * (rest // 8)), *([1] * (rest % 8))]


SHAPES = tuple(
    Shape(channels, vector, habit)
    for channels in (28, 64, 94, 95, 200)
    for vector, habit in ((False, "simulator"), (False, "analyser"), (True, "simulator"))
)


def _code(number: int) -> str:
    """The shortest codes first, over the 94 printable characters: one character up to 94 variables, then two."""
    code = chr(33 + number % 94)
    return code if number < 94 else _code(number // 94 - 1) + code


def _levels(shape: Shape, rng: random.Random) -> list[int]:
    """All bits of each step as one number: strobes lowest, then address, data and the others."""
    rows, address, others = [], 0x4000, 0
    for step in range(_STEPS):
        if step % 6 == 0:
            address = (address + 1) & 0xFFFF if rng.random() < 0.7 else rng.randrange(0x4000, 0x4800)
            data = rng.randrange(256)
            for _ in range(2 if shape.channels > 28 else 0):
                others ^= 1 << rng.randrange(shape.channels - 28)
        rows.append((1 << step % 4 if step % 6 < 4 else 0) | address << 4 | data << 20 | others << 28)
    return rows


def _spelled(shape: Shape) -> list[str]:
    """The changes of each step, as they stand behind its stamp; the last one leads back to the first."""
    glue = " " if shape.habit == "analyser" else "\n"
    rows, texts = _levels(shape, random.Random(1364)), []
    for before, now in zip([rows[-1], *rows[:-1]], rows, strict=True):
        at, words = 0, []
        for number, size in enumerate(shape.sizes):
            value = now >> at & (1 << size) - 1
            if value != before >> at & (1 << size) - 1:
                words.append(f"{value}{_code(number)}" if size == 1 else f"b{value:b} {_code(number)}")
            at += size
        texts.append("".join(glue + word for word in words) + "\n")
    return texts


def write_shape(path: Path, size: int, shape: Shape) -> None:
    """Write about ``size`` bytes."""
    rng, texts = random.Random(2005), _spelled(shape)
    ticks = [rng.choice(_TICKS) if shape.habit == "simulator" else 42 * rng.randint(1, 5) for _ in texts]
    head = "$timescale 1 ns $end\n$scope module bus $end\n"
    for number, bits in enumerate(shape.sizes):
        span = f" [{bits - 1}:0]" if bits > 1 else ""
        head += f"$var wire {bits} {_code(number)} n{number}{span} $end\n"
    head += "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n"
    head += "".join(f"0{_code(n)}\n" if bits == 1 else f"b0 {_code(n)}\n" for n, bits in enumerate(shape.sizes))
    with path.open("w", encoding="ascii", newline="\n") as out:
        written, now = out.write(head + "$end\n"), 0
        while written < size:
            text = []
            for after, changes in zip(ticks, texts, strict=True):
                now += after
                text.append(f"#{now}{changes}")
            written += out.write("".join(text))
