"""The cycles of one run, as the processor and the card carried them out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

FETCH, READ, WRITE, IO_READ, IO_WRITE, IDLE, GRANT, SILENCE = range(8)


@dataclass
class Cycles:
    """Growing lists, one entry per bus cycle."""

    op: list[int] = field(default_factory=list)
    address: list[int] = field(default_factory=list)
    data: list[int] = field(default_factory=list)
    driven: list[int] = field(default_factory=list)
    """Mask of the data lanes that somebody drives."""
    card: list[bool] = field(default_factory=list)
    """Whether the cycle is one of the memory card's."""
    ticks: list[int] = field(default_factory=list)
    """Extra clock periods (a long grant or silence, a long opcode fetch)."""

    def __len__(self) -> int:
        return len(self.op)

    def arrays(self) -> dict[str, np.ndarray]:
        """The lists as arrays, by name."""
        return {
            "op": np.array(self.op, np.int64),
            "address": np.array(self.address, np.int64),
            "data": np.array(self.data, np.int64),
            "driven": np.array(self.driven, np.int64),
            "card": np.array(self.card, bool),
            "ticks": np.array(self.ticks, np.int64),
        }
