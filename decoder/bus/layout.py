"""Which bit of ``Capture.levels`` each line becomes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from decoder.bus.profile import Profile
from decoder.errors import UsageError
from decoder.wiring import Wiring

__all__ = ["Layout"]

_FIRST = ("clock", "strobe", "control", "status", "wait", "grant")


class Layout:
    """The order of lines in a capture's words: control lines together, then address, then data, then extra lines.

    Runs of numbered lines keep their order, so that an address is gathered with one shift and one mask.

    Attributes
    ----------
    names : the wired lines; ``names[k]`` is bit k%64 of word k//64
    select : ``select[k]`` is the index in ``Header.signals`` of bit k, as ``CaptureFile.blocks`` takes it
    words : uint64 words a row
    """

    def __init__(self, profile: Profile, wiring: Wiring, extra: Sequence[str] = ()) -> None:
        lines = wiring.lines
        order = [line.name for line in profile.lines.values() if line.role in _FIRST and line.name in lines]
        order += [line.name for line in profile.lines.values() if line.role not in _FIRST and line.name in lines]
        order += [name for name in dict.fromkeys(extra) if name in lines and name not in profile.lines]
        self.names: tuple[str, ...] = tuple(order)
        self.select: tuple[int, ...] = tuple(lines[name] for name in order)
        self._bits = {name: k for k, name in enumerate(order)}

    @property
    def words(self) -> int:
        return max(1, (len(self.names) + 63) // 64)

    def wired(self, line: str) -> bool:
        """Whether ``line`` is clipped to a channel."""
        return line in self._bits

    def bit(self, line: str) -> int:
        """The bit of ``line``: bit k%64 of word k//64.

        Raises
        ------
        UsageError
            The line is not wired.
        """
        if line not in self._bits:
            raise UsageError(f"the line {line} is not wired", expected=f"one of {', '.join(self.names)}")
        return self._bits[line]

    def mask(self, lines: Sequence[str]) -> NDArray[np.uint64]:
        """uint64, shape (words,): the bits of those of ``lines`` that are wired."""
        mask = np.zeros(self.words, np.uint64)
        for line in lines:
            if line in self._bits:
                word, bit = divmod(self._bits[line], 64)
                mask[word] |= np.uint64(1 << bit)
        return mask
