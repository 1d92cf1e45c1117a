"""A program that goes on where nothing was written: in RAM whose cells no write of the capture has filled.

Such a fetch alone proves nothing: a program may have been loaded before the capture began. It is told only where the
capture knows more. Either the program runs on from bytes that were seen being written into bytes that were not; or the
machine was seen coming out of reset, and a return or a jump through a register or memory leads there, not an address
that the program itself names. Once the program has been in such cells for a reason of its own they are no wonder.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Kind
from busledger.decoder.ledger.columns import Verdict
from busledger.decoder.program.following.columns import Flow, Part, State
from busledger.decoder.program.following.follower import FollowedBlock
from busledger.decoder.program.following.glossary import Glossary

__all__ = ["Unwritten", "UnwrittenWatch"]

_PAGE = 8  # bits: writes within 256 bytes tell that there is RAM
_NEVER = np.iinfo(np.int64).max
_LED = (Flow.RETURN, Flow.RETURN_IF, Flow.INDIRECT)
_ON = (Flow.NEXT, Flow.BRANCH, Flow.CALL_IF, Flow.RETURN_IF, Flow.REPEAT)


@dataclass(frozen=True)
class Unwritten:
    """``row`` (of the block) fetches from there, ``before`` is the instruction that led there, by its row; ``reset``
    the cycle of the reset, -1 where none was seen and the program ran on."""

    row: int
    before: int
    reset: int
    ran_on: bool


class UnwrittenWatch:
    """Takes joined blocks in order: each begins with the last instruction of the one before.

    Parameters
    ----------
    glossary : of the follower
    ram : bool, of each region of the board: plain RAM, of which every write is seen; None without a board file. Then
        RAM is where something was written within the same 256 bytes
    """

    def __init__(self, glossary: Glossary, ram: NDArray[np.bool_] | None) -> None:
        self._glossary = glossary
        self._ram = ram
        file = glossary.instructions.file
        self._mask = glossary.instructions.mask
        self._ahead = file.fetch == "ahead"
        self._vector, self._start = file.vectors.get("reset"), file.starts_at
        self._pages = np.full(1 << max(0, file.address_bits - _PAGE), _NEVER, np.int64)
        self._reset = -1
        self._first = True
        self._done = -1  # instructions up to this row have been looked at
        self.over = False

    def feed(self, block: FollowedBlock) -> Unwritten | None:
        """The first such fetch of the block; None where there is none, or no more is known."""
        if self.over or not len(block.cycles):
            return None
        base = int(block.compared.index[0])
        self._note(block, base)
        found = block.instructions
        if not len(found):
            return None
        rows = found.row - base
        unfilled = self._unfilled(block)
        here = rows >= 0  # an instruction that was left long ago is kept without its cycles
        new = here & (found.row > self._done)
        new[here] &= unfilled[rows[here]]
        for k in np.flatnonzero(new).tolist():
            self.over = True  # what comes after it is no wonder
            if k == 0 or not here[k - 1] or unfilled[rows[k - 1]]:
                return None
            return self._led(block, k, base)
        if len(found):
            self._done = int(found.row[-1])
        return None

    def _note(self, block: FollowedBlock, base: int) -> None:
        """Writes, and a reset."""
        cycles = block.cycles
        writes = np.flatnonzero((cycles.kind == Kind.WRITE) & (cycles.address_unknown == 0))
        pages = (cycles.address[writes] & np.uint32(self._mask)) >> np.uint32(_PAGE)
        np.minimum.at(self._pages, pages, writes + base)
        if self._reset >= 0:
            return
        if self._vector is not None:
            there = np.flatnonzero(cycles.address == self._vector)
            reads = np.isin(cycles.kind[there], (Kind.READ, Kind.OPCODE_FETCH))
            there = there[reads & (block.followed.part[there] != Part.OPCODE)]
            if len(there):
                self._reset = base + int(there[0])
        elif self._first and len(block.instructions) and int(block.instructions.address[0]) == self._start:
            self._reset = int(block.instructions.row[0])
        self._first = self._first and not len(block.instructions)

    def _unfilled(self, block: FollowedBlock) -> NDArray[np.bool_]:
        """Rows that read RAM of which no write was seen."""
        cycles, compared = block.cycles, block.compared
        unfilled = np.asarray((compared.writer < 0) & (compared.verdict == Verdict.UNKNOWN))
        unfilled &= cycles.address_unknown == 0
        if self._ram is not None:
            inside = cycles.region >= 0
            if len(self._ram):
                inside &= self._ram[np.maximum(cycles.region, 0)]
            return np.asarray(unfilled & inside)
        pages = (cycles.address & np.uint32(self._mask)) >> np.uint32(_PAGE)
        return np.asarray(unfilled & (self._pages[pages] < compared.index))

    def _led(self, block: FollowedBlock, k: int, base: int) -> Unwritten | None:
        """Whether the instruction before k leads to it in a way that says something."""
        found = block.instructions
        number = int(found.text[k - 1])
        if number < 0 or found.state[k - 1] != State.WHOLE or (not self._ahead and found.end[k - 1] != found.row[k]):
            return None
        row, before = int(found.row[k]) - base, int(found.row[k - 1]) - base
        flow = Flow(int(self._glossary.flow[number]))
        behind = (int(found.address[k - 1]) + int(found.size[k - 1])) & self._mask
        written = block.compared.writer[before] >= 0 and block.compared.verdict[before] == Verdict.AGREES
        if flow in _ON and int(found.address[k]) == behind and written:
            return Unwritten(row, before, self._reset, ran_on=True)
        if flow in _LED and not self._ahead and self._reset >= 0:
            return Unwritten(row, before, self._reset, ran_on=False)
        return None
