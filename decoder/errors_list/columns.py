"""What was read of a list of errors: one row an error, and how the lines were taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FIELDS", "SKIP", "ErrorList", "MachineBus"]

FIELDS = ("address", "wrote", "read")
SKIP = "skip"
"""In an order: a figure that is none of the three (a pass number, the differing bits)."""


@dataclass(frozen=True)
class MachineBus:
    """What a figure must fit to be an address or data: widths in bits, and the memory's ranges, both ends included."""

    address_bits: int
    data_bits: int
    ranges: tuple[tuple[int, int], ...]

    def holds(self, address: NDArray[np.int64]) -> NDArray[np.bool_]:
        """bool an address: whether it lies in one of the ranges."""
        inside = np.zeros(address.shape, np.bool_)
        for start, end in self.ranges:
            inside |= (address >= start) & (address <= end)
        return inside


@dataclass(frozen=True)
class ErrorList:
    """The errors in the order of the list.

    Attributes
    ----------
    path : the file, ``-`` for standard input
    address, wrote, read : int64 (errors,), as printed
    orders : what the figures of a line were taken for, one order a count of figures met
    stated : the order was given, not found
    doubt : a sentence on what about the order is not sure, empty where nothing is
    lines, passed_over, repeats : lines that were not empty; those without an error in them; those of a figure printed
        as written and read alike, which is none
    shown : the first lines passed over, as they stand
    cut : the file held more errors than are kept
    in_letters : some figure has a letter in it, so that the list is hexadecimal for certain
    """

    path: str
    address: NDArray[np.int64]
    wrote: NDArray[np.int64]
    read: NDArray[np.int64]
    orders: tuple[tuple[str, ...], ...]
    stated: bool = False
    doubt: str = ""
    lines: int = 0
    passed_over: int = 0
    repeats: int = 0
    shown: tuple[str, ...] = ()
    cut: bool = False
    in_letters: bool = True

    def __len__(self) -> int:
        return int(self.address.shape[0])
