"""Which bit of ``Capture.levels`` each line becomes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.profile import Profile
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.errors import UsageError
from busledger.decoder.wiring import Wiring

__all__ = ["Layout"]

_FIRST = ("clock", "strobe", "control", "status", "wait", "grant")


class Layout:
    """The order of lines in a capture's words: control lines together, then address, then data, then extra lines.

    Address and data lines lie in the order of their bits, so that an address is gathered with one shift and one mask.

    Attributes
    ----------
    names : the wired lines; ``names[k]`` is bit k%64 of word k//64
    select : ``select[k]`` is the index in ``Header.signals`` of bit k, as ``CaptureFile.blocks`` takes it
    words : uint64 words a row
    """

    def __init__(self, profile: Profile, wiring: Wiring, extra: Sequence[str] = ()) -> None:
        lines = wiring.lines
        order = [line.name for line in profile.lines.values() if line.role in _FIRST and line.name in lines]
        others = [line.name for line in profile.lines.values() if line.role not in _FIRST and line.name in lines]
        bits = _bits(profile)
        order += sorted(others, key=lambda name: bits.get(name, (len(bits), 0)))
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


def _bits(profile: Profile) -> dict[str, tuple[int, int]]:
    """Line → (number of the first address or data that it is part of, its bit there)."""
    found: dict[str, tuple[int, int]] = {}
    sources = [source.pieces for source in profile.addresses] + [source.pieces for source in profile.datas]
    for number, pieces in enumerate(sources):
        for piece in pieces:
            for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True):
                found.setdefault(name, (number, bit))
    return found
