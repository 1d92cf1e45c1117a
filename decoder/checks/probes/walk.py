"""Whether the addresses went past a line that rests: what a clip that is off shows, and a program in a loop does not.

A program that stays in one place leaves high lines alone for as long as it likes, so that no rest by itself, however
long, tells of a clip. But from an address whose lower bits are all ones the next one changes the line. Where that very
step was seen with the change before, never without it, and comes without it now, the line was not seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.probes import walk_kernel as kernel

__all__ = ["Walk", "walked"]

_MOST_WAITING = 1 << 18  # rows that wait for somebody to ask: a few megabytes
_PAGE = 8  # lines A0 to A7 move wherever a program is; higher ones may rest
_SKEWS = 2  # changes so many samples apart may be one (as far as channels that are skewed by a sample each way)


class Walk:
    """The steps of the address lines that are clipped.

    Parameters
    ----------
    names : channels in the order of their bits in the blocks
    lines : channel → bus line, where a wiring is known
    profile : the bus; None = nothing is known of addresses
    near : ticks of a sample and a half, 0 = no sample grid
    """

    def __init__(self, names: Sequence[str], lines: Mapping[str, str], profile: Profile | None, near: int) -> None:
        found: list[tuple[int, int]] = []
        for place, name in enumerate(names):
            line = profile.lines.get(lines.get(name, name)) if profile is not None else None
            number = _number(line.name) if line is not None and line.role == "address" else None
            if number is not None:
                found.append((number, place))
        found.sort()
        # A line that is not clipped ends what is known of carries.
        low = [place for nth, (number, place) in enumerate(found) if number == found[0][0] + nth and number < _PAGE]
        self._lines = {names[place]: nth for nth, place in enumerate(low)}
        self._places = np.array([place for _, place in found], np.int64)
        self._mask = np.zeros(max(1, (len(names) + 63) // 64), np.uint64)
        for place in self._places.tolist():
            self._mask[place // 64] |= np.uint64(1) << np.uint64(place % 64)
        self._settle = _SKEWS * near
        self._state = np.zeros(kernel.STATE_SIZE, np.int64)
        self._ring = np.zeros(kernel.RING, np.int64)
        self._steps = np.zeros((len(low), kernel.KEYS, 2), np.uint8)
        self._missed = np.zeros(len(low), np.int64)
        self._before: NDArray[np.uint64] | None = None  # the last row fed
        self._waiting: list[tuple[NDArray[np.int64], NDArray[np.uint64]]] = []  # time and levels of rows
        self._rows = 0  # of these

    def feed(self, block: Capture) -> None:
        """One block of raw channels; of its rows those wait in which an address line moved."""
        if not self._lines or not len(block):
            return
        moved = np.empty(len(block), np.bool_)
        moved[0] = self._before is None or ((block.levels[0] ^ self._before) & self._mask).any()
        changed = (block.levels[1:] ^ block.levels[:-1]) & self._mask
        moved[1:] = changed[:, 0] != 0 if changed.shape[1] == 1 else changed.any(axis=1)
        self._before = block.levels[-1].copy()
        rows = np.flatnonzero(moved)
        self._waiting.append((block.time[rows], block.levels[rows]))
        self._rows += len(rows)
        if self._rows > _MOST_WAITING:
            self._go()

    def _go(self) -> None:
        """Through the rows that wait. Only a line that rests asks for it, and most captures have none."""
        for time, levels in self._waiting:
            kernel.walk(
                time, levels, self._places, self._mask, self._settle, self._state, self._ring, self._steps,
                self._missed,
            )  # fmt: skip
        self._waiting.clear()
        self._rows = 0

    def missed(self) -> Mapping[str, int]:
        """Channel → different steps since its last change that it took part in before, and now did not."""
        self._go()
        return {name: int(self._missed[nth]) for name, nth in self._lines.items()}

    def passed(self) -> Mapping[str, int]:
        """Channel → different steps that went without it, whether it ever took part in one or not."""
        self._go()
        steps = self._steps[:, :, kernel.MISSED].sum(axis=1, dtype=np.int64)
        return {name: int(steps[nth]) for name, nth in self._lines.items()}

    def knows(self, channel: str) -> bool:
        """Whether it is one of the lines of which this tells."""
        return channel in self._lines


def walked(line: str) -> bool:
    """Whether it is an address line that a program walks through wherever it is."""
    number = _number(line)
    return number is not None and number < _PAGE


def _number(line: str) -> int | None:
    digits = line.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    return int(digits) if digits.isdigit() else None
