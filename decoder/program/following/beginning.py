"""A machine that does nothing, told from its reset on: the vector, where it led, how far the program could be read."""

from __future__ import annotations

import numpy as np

from busledger.decoder.bus.columns import Kind
from busledger.decoder.program.following.columns import Part
from busledger.decoder.program.following.follower import FollowedBlock
from busledger.decoder.program.following.glossary import Glossary

__all__ = ["Beginning"]

_FEW = 32  # instructions: a program that ran on is not told from its beginning
_SILENCE = 200  # cycles without any, behind the last


class Beginning:
    """Takes followed blocks in order."""

    def __init__(self, glossary: Glossary) -> None:
        self._glossary = glossary
        self._reset = glossary.instructions.file.vectors.get("reset")
        file = glossary.instructions.file
        self._big, self._unit = file.big_endian, file.bus_bytes
        self._reads = file.pointer_bytes // file.bus_bytes
        self._digits = -(-file.address_bits // 4)
        self._read = ""
        self._row = self._count = self._cycles = self._end = 0
        self._first = self._last = ""

    def feed(self, block: FollowedBlock) -> None:
        """One block more."""
        if self._reset is None or not len(block.cycles):
            return
        base = int(block.compared.index[0])
        self._cycles = base + len(block.cycles)
        if not self._read:
            self._look(block, base)
        if not self._read:
            return
        found = block.instructions
        own = np.flatnonzero(found.row > self._row)
        if not len(own):
            return
        texts = [self._told(int(found.address[k]), int(found.text[k])) for k in (own[0], own[-1])]
        self._first = self._first or texts[0]
        self._last, self._end = texts[1], int(found.end[own[-1]])
        self._count += len(own)

    def _look(self, block: FollowedBlock, base: int) -> None:
        cycles = block.cycles
        here = np.flatnonzero(cycles.address[: len(cycles) - self._reads + 1] == self._reset)
        for row in here[block.followed.part[here] != Part.OPCODE].tolist():
            rows = np.arange(row, row + self._reads)
            there = self._reset + self._unit * np.arange(self._reads)  # type: ignore[operator]
            read = np.isin(cycles.kind[rows], (Kind.READ, Kind.OPCODE_FETCH)).all()
            if read and (cycles.address[rows] == there).all():
                order = rows if self._big else rows[::-1]
                told = (_digits(int(cycles.data[n]), int(cycles.data_unknown[n]), self._unit) for n in order.tolist())
                self._read = "".join(told)
                self._row = base + row + self._reads - 1
                return

    def _told(self, address: int, text: int) -> str:
        return f"{address:0{self._digits}X}" + (f", {self._glossary.readings[text].text}" if text >= 0 else "")

    def sentence(self) -> str:
        """Empty where no reset was seen, or the program ran on after it."""
        if not self._read or self._count > _FEW or self._cycles - max(self._end, self._row) < _SILENCE:
            return ""
        head = f"The reset vector was read as {self._read} (cycle {self._row})"
        if not self._count:
            return f"{head}, and no program can be read behind it."
        steps = "one instruction" if self._count == 1 else f"{self._count} instructions"
        return (
            f"{head}; {steps} can be read behind it, from {self._first} to {self._last} (cycle {self._end}), then none."
        )


def _digits(value: int, unknown: int, size: int) -> str:
    shifts = range(8 * size - 4, -1, -4)
    return "".join("?" if unknown >> shift & 15 else f"{value >> shift & 15:X}" for shift in shifts)
