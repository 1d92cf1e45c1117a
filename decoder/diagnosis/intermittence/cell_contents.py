"""What another cell held when an access came: for faults that send accesses astray. Whole blocks at once."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.intermittence.cell_history import carried
from busledger.decoder.findings import Suspect

__all__ = ["NOWHERE", "CellContents", "Strays"]

NOWHERE = -1


class CellContents:
    """Streaming: the data that the last write put into each cell, as far as its levels were known.

    Parameters
    ----------
    board : its ROM images are known from the start (byte-wide buses)
    cells : the numbering of cells
    """

    def __init__(self, board: Board, cells: CellSpace) -> None:
        self._value: NDArray[np.uint32] = np.zeros(max(1, cells.total), np.uint32)
        self._valid: NDArray[np.uint32] = np.zeros(max(1, cells.total), np.uint32)
        for r, region in enumerate(board.regions):
            if region.image is not None and cells.shift == 0:
                addresses = np.arange(region.start, region.end + 1, dtype=np.uint32)
                at = cells.locate(np.full(len(addresses), r, np.int16), addresses)
                self._value[at] = np.frombuffer(region.image[: len(addresses)], np.uint8)
                self._valid[at] = 0xFF

    def feed(
        self,
        cell: NDArray[np.int32],
        is_write: NDArray[np.bool_],
        data: NDArray[np.uint32],
        sure: NDArray[np.uint32],
        asked: NDArray[np.int32],
    ) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
        """For each access the value of cell ``asked`` before it, and which of its bits are known.

        All of length n in time order; ``sure`` masks the known levels of ``data``; ``asked`` is -1 where nothing
        is asked (and in writes). Call ``keep`` after the last question about a block.
        """
        writes, questions = np.flatnonzero(is_write), np.flatnonzero(asked >= 0)
        cells = np.concatenate([cell[writes], asked[questions]])
        order = np.lexsort((np.concatenate([writes, questions]), cells))
        sorted_cells = cells[order]
        marked = order < len(writes)
        at = np.concatenate([writes, questions])[order]
        value, valid = np.zeros(len(cell), np.uint32), np.zeros(len(cell), np.uint32)
        for out, column, held in ((value, data, self._value), (valid, sure, self._valid)):
            found = carried(marked, column[at], sorted_cells, held, update=False)
            out[at[~marked]] = found[~marked]
        return value, valid

    def keep(
        self,
        cell: NDArray[np.int32],
        is_write: NDArray[np.bool_],
        data: NDArray[np.uint32],
        sure: NDArray[np.uint32],
    ) -> None:
        """Take a block's writes into the cells, the last one to each."""
        writes = np.flatnonzero(is_write)
        self._value[cell[writes]] = data[writes]  # numpy keeps the last of several to one place
        self._valid[cell[writes]] = sure[writes]


class Strays:
    """The cells that an access of a suspect's could go to instead: across its address lines, or in the other region."""

    def __init__(self, board: Board, cells: CellSpace, suspect: Suspect) -> None:
        self._board, self._cells = board, cells
        self._bits = [int(line[1:]) for line in suspect.address_lines if line[1:].isdigit()]
        names = [r.name for r in board.regions]
        pair = [names.index(n) for n in (suspect.region, suspect.other_region) if n in names]
        self._pair = tuple(pair) if suspect.fault.startswith("select") and len(pair) == 2 else None

    @property
    def any(self) -> bool:
        """Whether the suspect sends accesses to places that can be named."""
        return bool(self._bits or self._pair)

    def cells_of(
        self, region: NDArray[np.int16], address: NDArray[np.uint32]
    ) -> Iterator[tuple[NDArray[np.int32], NDArray[np.bool_]]]:
        """One after another: (cell, or -1 where nobody answers; rows in which the fault can act)."""
        if self._pair:
            one, other = self._pair
            there = np.where(region == one, other, np.where(region == other, one, 0)).astype(np.int16)
            acts = (region == one) | (region == other)
            yield np.where(acts, self._cells.locate(there, address), NOWHERE).astype(np.int32), acts
            return
        acts = np.ones(len(region), np.bool_)
        if len(self._bits) == 2:  # two lines shorted: only addresses in which they differ go astray
            first, second = (address >> np.uint32(bit) & np.uint32(1) for bit in self._bits)
            acts = first != second
        for bit in self._bits:
            yield self._at(region, address ^ np.uint32(1 << bit)), acts

    def _at(self, region: NDArray[np.int16], address: NDArray[np.uint32]) -> NDArray[np.int32]:
        """The cells of addresses, in the space of the rows' own regions."""
        found = np.full(len(address), NOWHERE, np.int32)
        spaces = np.array([r.space for r in self._board.regions])
        for s, target in enumerate(self._board.regions):
            inside = (address >= target.start) & (address <= target.end) & (spaces[region] == target.space)
            at = np.flatnonzero(inside)
            found[at] = self._cells.locate(np.full(len(at), s, np.int16), address[at])
        return found
