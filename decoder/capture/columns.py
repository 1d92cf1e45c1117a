"""The columns of a capture, and what its header declares."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Capture", "Gap", "Header", "Note", "Signal"]

FEMTOSECONDS = 1e-15


@dataclass(frozen=True, slots=True)
class Signal:
    """One scalar channel, or one bit of a vector channel.

    ``name`` is the text in the file, a vector's bit spelled ``addr[3]`` whatever
    spacing the file used; ``scope`` the dotted path above it; ``channel`` and
    ``bit`` the declaration it came from (``bit`` None for a scalar); ``also`` further scopes that show it under
    the same name.
    """

    name: str
    scope: str = ""
    channel: str = ""
    bit: int | None = None
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Header:
    """What a capture declares before its first level.

    ``tick_fs`` is the time unit in femtoseconds, an exact integer (IEEE
    1364-2005 18.2.3.7 allows 1, 10, 100 of s … fs).
    """

    signals: tuple[Signal, ...]
    tick_fs: int

    @property
    def tick_s(self) -> float:
        """Seconds a tick."""
        return self.tick_fs * FEMTOSECONDS


@dataclass(frozen=True, slots=True)
class Note:
    """Something the reader must tell: a code word, when (seconds or None), a sentence."""

    code: str
    text: str
    time_s: float | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """A span without samples: no level is known in ``start < t < end`` (ticks)."""

    start: int
    end: int
    why: str


@dataclass(slots=True)
class Capture:
    """A block of levels; row i holds from ``time[i]`` until ``time[i+1]``.

    Attributes
    ----------
    time : int64, shape (n,), ticks, strictly rising within and across blocks
    levels : uint64, shape (n, words); bit k%64 of word k//64 is selected line k, 1 = high
    unknown : uint64, shape (n, words); 1 = x, z, or never given; its level bit is then 0
    tick_fs : femtoseconds a tick
    gaps : spans of missing samples that end inside or before this block, first reported once
    first_row : index of row 0 in the whole capture
    """

    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    tick_fs: int
    gaps: tuple[Gap, ...] = ()
    first_row: int = 0
    notes: list[Note] = field(default_factory=list)

    def __len__(self) -> int:
        return int(self.time.shape[0])

    def slice(self, start: int, stop: int) -> Capture:
        """Rows ``start:stop`` as views, without copying; the block's gaps and notes stay with them."""
        return replace(
            self,
            time=self.time[start:stop],
            levels=self.levels[start:stop],
            unknown=self.unknown[start:stop],
            first_row=self.first_row + start,
        )
