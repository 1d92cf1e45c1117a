"""Accesses as columns, judged against what a healthy card, or one with a known fault, would give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS

__all__ = ["Overlay", "Rows", "joined"]


@dataclass(slots=True)
class Rows:
    """Access rows, parallel arrays of length n in time order; lanes are bit masks.

    Attributes
    ----------
    index : int64, the cycle's index in the capture, rising; a write of which the clips do not tell the cell stands once
        for each that it may have gone to
    time : int64, ticks
    window : uint16, which of WINDOWS equal spans of the capture
    cell, asked : int32, see CellSpace: the one that the access came to, by the faults laid over the rows, and the one
        that the bus meant
    region : int16
    is_write : bool
    data, lanes, sure : uint32, levels; lanes of the transfer; lanes with a known level
    kept : uint32, what the bus carried before
    rest, rest_read, rest_bus : uint32, what the card's lines last carried; what its last read gave; what the bus
        carried in the cycle before, whatever it floated to since
    expected, compared, wrong : uint32, what a healthy card gives on the lanes compared; lanes that differ
    event : uint8, 1 = a wrong read that is not the mere repeat of the cell's last read
    selected, selects_seen : uint64, bit r: the clipped select of region r was seen active; was seen at all
    """

    index: NDArray[np.int64]
    time: NDArray[np.int64]
    window: NDArray[np.uint16]
    cell: NDArray[np.int32]
    region: NDArray[np.int16]
    is_write: NDArray[np.bool_]
    data: NDArray[np.uint32]
    lanes: NDArray[np.uint32]
    sure: NDArray[np.uint32]
    kept: NDArray[np.uint32]
    rest: NDArray[np.uint32]
    rest_read: NDArray[np.uint32]
    rest_bus: NDArray[np.uint32]
    expected: NDArray[np.uint32]
    compared: NDArray[np.uint32]
    wrong: NDArray[np.uint32]
    event: NDArray[np.uint8]
    selected: NDArray[np.uint64]
    selects_seen: NDArray[np.uint64]
    asked: NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.index.shape[0])

    def by_window(self, those: NDArray[np.bool_]) -> NDArray[np.int64]:
        """int64[WINDOWS]: how many of ``those`` fall in each."""
        return np.bincount(self.window[those], minlength=WINDOWS).astype(np.int64)

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> Rows:
        """The rows given by mask or index, copied."""
        at = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return Rows(*[getattr(self, name).take(at) for name in _COLUMNS])

    def holding(self, expected: NDArray[np.uint32], compared: NDArray[np.uint32]) -> Rows:
        """The same rows judged against another expectation."""
        wrong = (self.data ^ expected) & compared
        wrong[self.is_write] = 0
        return self.judged(expected, compared, wrong, self.event & (wrong != 0))

    def judged(
        self,
        expected: NDArray[np.uint32],
        compared: NDArray[np.uint32],
        wrong: NDArray[np.uint32],
        event: NDArray[np.uint8],
    ) -> Rows:
        """The same rows with these columns in the place of theirs."""
        return Rows(
            self.index, self.time, self.window, self.cell, self.region, self.is_write, self.data, self.lanes,
            self.sure, self.kept, self.rest, self.rest_read, self.rest_bus, expected, compared, wrong, event,
            self.selected, self.selects_seen, self.asked,
        )  # fmt: skip


_COLUMNS = tuple(f.name for f in fields(Rows))


class Overlay(Protocol):
    """A fault already found: what it says the reads of a block should have been."""

    def start(self) -> None:
        """Forget all blocks seen."""

    def feed(self, rows: Rows) -> Rows:
        """The next block, judged against what the faulty card would give."""


def joined(blocks: Sequence[Rows]) -> Rows:
    """All blocks as one."""
    if len(blocks) == 1:
        return blocks[0]
    return Rows(*[np.concatenate([getattr(rows, name) for rows in blocks]) for name in _COLUMNS])
