"""Accesses to ports that look like memory, because the line that tells them apart is not clipped.

The program tells them: an access right after the two bytes of an I/O instruction, with the port that it names on both
halves of the address, is to the port. Which instructions those are is data of the profile.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.bus.layout import Layout
from busledger.decoder.bus.profile import Profile
from busledger.decoder.capture import Note

__all__ = ["Ports"]

_MEMORY = np.isin(np.arange(len(Kind)), (Kind.READ, Kind.WRITE, Kind.OPCODE_FETCH))


class Ports:
    """Turns such accesses into cycles of I/O, block after block.

    Parameters
    ----------
    profile : its table ``ports``; without one nothing is turned
    layout : which lines are clipped

    Attributes
    ----------
    turned : accesses turned so far
    """

    def __init__(self, profile: Profile, layout: Layout) -> None:
        entry = profile.file.ports
        self._entry = entry if entry is not None and not any(map(layout.wired, entry.lines)) else None
        self.turned = 0
        rules = {rule.kind: place for place, rule in reversed(list(enumerate(profile.rules)))}
        self._rule = {Kind.READ: rules.get("io-read", 0), Kind.WRITE: rules.get("io-write", 0)}
        # Kind, address and data of the last two accesses before the block; -1: none, or not known.
        self._before: NDArray[np.int64] = np.full((3, 2), -1, np.int64)

    def feed(self, cycles: Cycles) -> None:
        """Turn those of one block, in place."""
        entry = self._entry
        if entry is None or not len(cycles):
            return
        rows = np.flatnonzero(_MEMORY[cycles.kind])
        data = np.where(cycles.data_unknown[rows] & 0xFF == 0, cycles.data[rows] & 0xFF, -1)
        now = np.stack([cycles.kind[rows], cycles.address[rows], data]).astype(np.int64)
        kind, address, data = np.concatenate([self._before, now], axis=1)
        self._before = np.stack([kind, address, data])[:, -2:]
        code, operand = data[:-2], data[1:-1]
        follows = (kind[:-2] != Kind.WRITE) & (kind[1:-1] == Kind.READ) & (address[1:-1] == address[:-2] + 1)
        hidden = cycles.address_unknown[rows].astype(np.int64)
        there = follows & (operand >= 0) & (hidden & 0xFF == 0)
        there &= (address[2:] ^ operand * 0x101) & 0xFFFF & ~hidden == 0
        for of, codes, into in ((Kind.READ, entry.reads, Kind.IO_READ), (Kind.WRITE, entry.writes, Kind.IO_WRITE)):
            found = rows[there & (kind[2:] == of) & np.isin(code, codes)]
            cycles.kind[found] = into
            cycles.rule[found] = self._rule[of]
            cycles.address[found] &= 0xFF
            self.turned += len(found)

    def notes(self) -> list[Note]:
        """What was taken for I/O, where anything was."""
        if self._entry is None or not self.turned:
            return []
        times = f"{self.turned} access{'es' if self.turned > 1 else ''}"
        text = (
            f"{' and '.join(self._entry.lines)} not clipped: {times} right after the two bytes of an I/O instruction, "
            "at the port it names, taken to be I/O, not memory"
        )
        return [Note("assumed-io", text)]
