"""The lines that a finding rests on: where the clip of one of them is off, the finding is no word about the card."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from typing import Literal

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile, bit_numbers, line_names
from busledger.decoder.checks.results import CheckFinding

__all__ = ["CheckName", "Grounds"]

CheckName = Literal["selects", "buffers", "timing"]


class Grounds:
    """What the checks look at, line by line.

    Parameters
    ----------
    board : the card; None where no board file was given
    profile : the bus
    """

    def __init__(self, board: Board | None, profile: Profile) -> None:
        self._board, self._profile = board, profile

    def of(self, check: CheckName, finding: CheckFinding) -> frozenset[str]:
        """The lines but for which the finding would not have been made, or might not."""
        board, lines = self._board, frozenset(finding.lines)
        if board is None or check == "timing":
            return self.of_check("timing")
        if check == "buffers":
            return self._control | self._telling | lines | self._of_buffer(finding.component, finding.lanes)
        made = next((one for one in board.decoders if one.designator == finding.component), None)
        if made is None or finding.code.startswith("select-"):
            return self._control | self._telling | lines
        return self._control | lines | self._before(made.designator)

    def of_check(self, check: CheckName) -> frozenset[str]:
        """The lines of which the check speaks at all."""
        board = self._board
        bus = self._control | frozenset(self._address.values())
        if check == "timing" or board is None:
            return bus | self._data
        if check == "buffers":
            drivers = (
                self._of_buffer(one.designator, (*(f"D{lane}" for lane in one.lanes), *one.lines))
                for one in board.buffers
            )
            return self._control | self._telling | self._data | frozenset().union(*drivers)
        selects = frozenset(region.select for region in board.regions if region.select is not None)
        return self._control | self._telling | selects | self._before(*(one.designator for one in board.decoders))

    def _of_buffer(self, designator: str | None, lanes: Iterable[str]) -> frozenset[str]:
        """A driver's own control lines, and both sides of ``lanes``."""
        found = set(lanes)
        for one in self._board.buffers if self._board is not None else ():
            if one.designator == designator:
                found |= {far for near, far in one.far_side.items() if near in found}
                found |= {level.line for level in (one.direction, one.enable) if level is not None}
        return frozenset(found)

    def _before(self, *designators: str) -> frozenset[str]:
        """Inputs and outputs of decoders, and of those that make their inputs."""
        decoders = {one.designator: one for one in self._board.decoders} if self._board is not None else {}
        makers = {line: one.designator for one in decoders.values() for line in one.outputs.values()}
        found: set[str] = set()
        left, told = list(designators), set()
        while left:
            name = left.pop()
            if name in told or name not in decoders:
                continue
            told.add(name)
            one = decoders[name]
            found |= {*one.inputs.values(), *one.outputs.values()}
            left += [makers[line] for line in one.inputs.values() if line in makers]
        return frozenset(found)

    @cached_property
    def _control(self) -> frozenset[str]:
        """Strobes, clocks, status: what tells one cycle from another."""
        lines = self._profile.lines.values()
        return frozenset(line.name for line in lines if line.role not in ("address", "data"))

    @cached_property
    def _data(self) -> frozenset[str]:
        return frozenset(line.name for line in self._profile.lines.values() if line.role == "data")

    @cached_property
    def _address(self) -> dict[int, str]:
        found: dict[int, str] = {}
        for piece in (piece for source in self._profile.addresses for piece in source.pieces):
            for line, bit in zip(line_names(piece.lines), bit_numbers(piece.bits), strict=True):
                found.setdefault(bit, line)
        return found

    @cached_property
    def _telling(self) -> frozenset[str]:
        """The address lines that tell which region, if any, a cycle is of."""
        regions = self._board.regions if self._board is not None else ()
        ends = [end for one in regions for end in (one.start, one.end + 1)]
        within = min(((end & -end).bit_length() - 1 for end in ends if end), default=0)
        return frozenset(line for bit, line in self._address.items() if bit >= within)
