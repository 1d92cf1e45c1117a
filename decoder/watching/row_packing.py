"""Rows of accesses as bytes for a file: each column in as few bytes a row as its values need.

Most columns of a block hold one value, or values that lie close together. A
column is stored as its least value and the distances from it, in 0, 1, 2, 4 or
8 bytes a row: about a third of what the columns take in memory.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger import Compared

__all__ = ["ROW_BYTES", "packed_rows", "unpacked_rows"]

_NAMES = tuple(field.name for field in fields(Cycles)), tuple(field.name for field in fields(Compared))
_TYPES: tuple[np.dtype[Any], ...] = tuple(
    getattr(columns, name).dtype
    for columns, names in zip((Cycles.empty(), Compared.empty()), _NAMES, strict=True)
    for name in names
)
ROW_BYTES: int = sum(dtype.itemsize for dtype in _TYPES)
_HEAD = np.dtype([("least", "<u8"), ("bytes", "u1")])
_NARROW: dict[int, type] = {1: np.uint8, 2: np.uint16, 4: np.uint32, 8: np.uint64}


def packed_rows(cycles: Cycles, compared: Compared) -> list[memoryview]:
    """The bytes of some rows, in pieces; at least one row.

    The first piece tells of each column its least value and the bytes a row, the others are the columns.
    """
    heads, pieces = np.zeros(len(_TYPES), _HEAD), []
    columns = [getattr(whole, name) for whole, names in zip((cycles, compared), _NAMES, strict=True) for name in names]
    for k, column in enumerate(columns):
        least, most = int(column.min()), int(column.max())
        heads[k]["least"] = least & 0xFFFF_FFFF_FFFF_FFFF
        if least == most:
            continue
        size = next(size for size in _NARROW if most - least < 1 << 8 * size)
        heads[k]["bytes"] = size
        if size < column.dtype.itemsize and least:
            column = column - column.dtype.type(least)
        elif size == column.dtype.itemsize:  # as it is: nothing to gain
            heads[k]["least"] = 0
        pieces.append(np.ascontiguousarray(column.astype(_NARROW[size], copy=False)).data.cast("B"))
    return [heads.data.cast("B"), *pieces]


def unpacked_rows(data: bytes, rows: int) -> tuple[Cycles, Compared]:
    """The ``rows`` rows that ``packed_rows`` made ``data`` of."""
    heads = np.frombuffer(data, _HEAD, len(_TYPES))
    at, columns = heads.nbytes, []
    for dtype, head in zip(_TYPES, heads, strict=True):
        column: NDArray[Any] = np.empty(rows, dtype)
        least = np.array([head["least"]], np.uint64).astype(dtype)[0]
        size = int(head["bytes"])
        if size:
            column[:] = np.frombuffer(data, _NARROW[size], rows, at).astype(dtype, copy=False)
            at += rows * size
            if least:
                column += least
        else:
            column[:] = least
        columns.append(column)
    count = len(_NAMES[0])
    return Cycles(*columns[:count]), Compared(*columns[count:])
