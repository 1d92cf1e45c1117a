"""The columns of bus cycles: one row a cycle, about 45 bytes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["KIND_NAMES", "READ_KINDS", "WRITE_KINDS", "Cycles", "Flag", "Kind"]


class Kind(IntEnum):
    """What a cycle did; the names in print are the contract's (``KIND_NAMES``)."""

    READ = 0
    WRITE = 1
    OPCODE_FETCH = 2
    IO_READ = 3
    IO_WRITE = 4
    INT_ACK = 5
    REFRESH = 6
    IDLE = 7
    HALT = 8
    DMA_READ = 9
    DMA_WRITE = 10


KIND_NAMES: tuple[str, ...] = tuple(k.name.lower().replace("_", "-") for k in Kind)
READ_KINDS = (Kind.READ, Kind.OPCODE_FETCH, Kind.IO_READ, Kind.DMA_READ)
WRITE_KINDS = (Kind.WRITE, Kind.IO_WRITE, Kind.DMA_WRITE)


class Flag(IntFlag):
    """What makes a cycle less than sure; printed joined by ``+``."""

    UNSETTLED = 1
    UNKNOWN = 2
    PARTIAL = 4
    AFTER_GAP = 8
    SHORT_STROBE = 16
    WAIT = 32


@dataclass(slots=True)
class Cycles:
    """Parallel columns, all of length n, ordered by ``time``.

    Attributes
    ----------
    sample : int64, row of the capture at the sampling edge
    time : int64, ticks of the capture, the sampling edge
    kind : uint8, a ``Kind``
    address, address_unknown : uint32; an unknown bit is 0 in ``address``
    data, data_unknown : uint32; lanes outside ``width`` are unknown
    kept : uint32, what the data lines carried before anybody could drive this
        cycle: the level an undriven bus would still show
    region : int16, index into the board's regions, -1 outside all
    flags : uint16, ``Flag`` bits
    width : uint8, byte lanes in use, bit 0 = D0-D7
    rule : uint8, index of the profile's rule that matched
    """

    sample: NDArray[np.int64]
    time: NDArray[np.int64]
    kind: NDArray[np.uint8]
    address: NDArray[np.uint32]
    address_unknown: NDArray[np.uint32]
    data: NDArray[np.uint32]
    data_unknown: NDArray[np.uint32]
    kept: NDArray[np.uint32]
    region: NDArray[np.int16]
    flags: NDArray[np.uint16]
    width: NDArray[np.uint8]
    rule: NDArray[np.uint8]

    def __len__(self) -> int:
        return int(self.time.shape[0])

    @classmethod
    def empty(cls, n: int = 0) -> Cycles:
        """n rows of zeros, region -1."""
        made: dict[str, Any] = {name: np.zeros(n, dtype) for name, dtype in _DTYPES.items()}
        made["region"][:] = -1
        return cls(**made)

    def slice(self, start: int, stop: int) -> Cycles:
        """Rows ``start:stop`` as views, without copying."""
        return Cycles(**{name: getattr(self, name)[start:stop] for name in _DTYPES})

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Cycles:
        """The rows given by index or mask, copied."""
        if rows.dtype == np.bool_:  # each column would count it anew
            rows = np.flatnonzero(rows)
        return Cycles(**{name: getattr(self, name).take(rows) for name in _DTYPES})

    @classmethod
    def concat(cls, parts: Sequence[Cycles]) -> Cycles:
        """All parts one after another; no parts gives no rows."""
        if not parts:
            return cls.empty()
        return cls(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in _DTYPES})


_DTYPES: dict[str, type] = {
    "sample": np.int64,
    "time": np.int64,
    "kind": np.uint8,
    "address": np.uint32,
    "address_unknown": np.uint32,
    "data": np.uint32,
    "data_unknown": np.uint32,
    "kept": np.uint32,
    "region": np.int16,
    "flags": np.uint16,
    "width": np.uint8,
    "rule": np.uint8,
}
