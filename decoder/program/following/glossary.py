"""Every different instruction of a run, read once: its text, where it goes on, how long it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.program.following.gather_kernel import number
from busledger.decoder.program.following.instructions import Reading
from busledger.decoder.program.following.sets import AnySet

__all__ = ["Glossary"]

_FIRST_ROOM = 1 << 12


class Glossary:
    """Numbers instructions (address and bytes) and keeps what is to be said of each.

    ``readings[k]`` belongs to number k, as do the arrays: ``flow`` uint8 (a ``Flow``), ``target`` int64 (-1 none),
    ``size`` uint8, ``address`` uint32, ``packed`` uint64, ``tail`` uint16 (bytes nine and ten). ``unwired``: address
    bits that no clip shows.
    """

    def __init__(self, instructions: AnySet, unwired: int = 0) -> None:
        self.instructions = instructions
        self.unwired = unwired
        self.readings: list[Reading] = []
        self._slots = np.full(4 * _FIRST_ROOM, -1, np.int32)
        self.address = np.zeros(_FIRST_ROOM, np.uint32)
        self.packed = np.zeros(_FIRST_ROOM, np.uint64)
        self.tail = np.zeros(_FIRST_ROOM, np.uint16)
        self.size = np.zeros(_FIRST_ROOM, np.uint8)
        self.flow = np.zeros(_FIRST_ROOM, np.uint8)
        self.target = np.full(_FIRST_ROOM, -1, np.int64)

    def __len__(self) -> int:
        return len(self.readings)

    def numbers(
        self,
        address: NDArray[np.uint32],
        packed: NDArray[np.uint64],
        tail: NDArray[np.uint16],
        size: NDArray[np.uint8],
        wanted: NDArray[np.bool_],
    ) -> NDArray[np.int32]:
        """int32: the number of each instruction; -1 where it is not ``wanted``."""
        out = np.empty(len(address), np.int32)
        at = 0
        while at < len(address):
            count, at = number(
                address, packed, tail, size, wanted, self._slots,
                self.address, self.packed, self.tail, self.size, len(self), at, out,
            )  # fmt: skip
            for k in range(len(self), count):
                self._read(k)
            if at < len(address):
                self._grow()
        return out

    def raw(self, k: int) -> bytes:
        """The bytes of number k."""
        both = int(self.packed[k]).to_bytes(8, "little") + int(self.tail[k]).to_bytes(2, "little")
        return both[: int(self.size[k])]

    def _read(self, k: int) -> None:
        reading = self.instructions.read(int(self.address[k]), self.raw(k), self.unwired)
        self.readings.append(reading)
        self.flow[k] = reading.flow
        self.target[k] = -1 if reading.target is None else reading.target

    def _grow(self) -> None:
        room = 2 * len(self.address)
        for name in ("address", "packed", "tail", "size", "flow", "target"):
            fill = -1 if name == "target" else 0
            old = getattr(self, name)
            new = np.full(room, fill, old.dtype)
            new[: len(old)] = old
            setattr(self, name, new)
        self._slots = np.full(4 * room, -1, np.int32)
        n = len(self)
        taken, _ = number(
            self.address[:n].copy(), self.packed[:n].copy(), self.tail[:n].copy(), self.size[:n].copy(),
            np.ones(n, np.bool_), self._slots, self.address, self.packed, self.tail, self.size, 0, 0,
            np.empty(n, np.int32),
        )  # fmt: skip
        assert taken == n, "all numbered instructions differ"
