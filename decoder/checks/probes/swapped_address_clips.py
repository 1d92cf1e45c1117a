"""Two address clips exchanged, as the clipped selects show it.

Memory that is written and read over the same two clips looks well with them
exchanged; but a region's select then comes for addresses outside the region
and stays away inside. Where exchanging two lines puts every select right, the
clips are to be looked at before the decoder is.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus import Cycles, Layout, Profile, bit_numbers, line_names
from busledger.decoder.capture import Capture
from busledger.decoder.ledger import actions

__all__ = ["SwappedAddressClips", "SwappedLines"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py; two clips
# exchanged and a strobe's clip off, too).
_ROWS = 1 << 16  # reads looked at
_TABLE = 1 << 22
_LEAST = 8  # different addresses that the exchange must explain: by chance one time in 2 ** 8
_COME = 4  # of them, where a select came: one that never comes is a dead output, wherever its addresses are moved to
_FITS = 0.99  # of all different addresses; the rest may be reads of a doubtful moment (judged)
_IS_READ = 1


@dataclass(frozen=True, slots=True)
class SwappedLines:
    """Two address lines; ``explained`` different addresses have a wrong select that is right with them exchanged."""

    lines: tuple[str, str]
    explained: int

    def sentence(self) -> str:
        """What to say to whoever clipped the board."""
        one, two = self.lines
        return (
            f"{one} and {two} look swapped at the clips: the selects of {self.explained} different addresses fit the "
            "board file once the two are exchanged; look at these clips before the decoder is suspected, "
            "which with two lines exchanged would look the same"
        )


class SwappedAddressClips:
    """Keeps which select came alone in the first reads of a capture.

    Parameters
    ----------
    board : its memory regions with a clipped select of their own
    layout : which lines are clipped, and where they stand in ``Capture.levels``
    skew_ticks : how long before the sampling edge a select is looked at
    """

    def __init__(self, board: Board, profile: Profile, layout: Layout, skew_ticks: int) -> None:
        named = [region.select for region in board.regions]
        regions = [
            r for r in board.regions
            if r.space == "memory" and r.select and layout.wired(r.select) and named.count(r.select) == 1
        ]  # fmt: skip
        self._spans = [(r.start, r.end) for r in regions]
        self._pins = [(layout.bit(str(r.select)), board.select_level(str(r.select))) for r in regions]
        self._memory = np.array([profile.space(k) == "memory" for k in range(len(profile.rules))], np.bool_)
        pieces = profile.addresses[0].pieces
        bits = [pair for p in pieces for pair in zip(line_names(p.lines), bit_numbers(p.bits), strict=True)]
        self._bits = {line: bit for line, bit in bits if layout.wired(line)}
        self._skew = max(1, skew_ticks)
        self._parts: list[NDArray[np.int64]] = []
        self._rows = 0

    def feed(self, block: Capture, cycles: Cycles) -> None:
        """Add one block; cycles that began before its first row are left out."""
        if not self._pins or self._rows >= _ROWS or not len(block):
            return
        wanted = (actions(cycles) == _IS_READ) & (cycles.address_unknown == 0) & self._memory[cycles.rule]
        wanted &= cycles.time >= block.time[0] + self._skew
        picked = np.flatnonzero(wanted)[: _ROWS - self._rows]
        at = np.searchsorted(block.time, cycles.time[picked] - self._skew, side="right") - 1
        came, alone = np.zeros(len(picked), np.int64), np.full(len(picked), -1)
        sure = np.ones(len(picked), np.bool_)
        levels, unknown = block.levels[at], block.unknown[at]
        for k, (bit, active) in enumerate(self._pins):
            one = np.uint64(1 << bit % 64)
            here = (levels[:, bit // 64] & one != 0) == bool(active)
            came += here
            alone[here] = k
            sure &= unknown[:, bit // 64] & one == 0
        sure &= came <= 1
        # Address and select in one number: those sort far faster than pairs do.
        both = cycles.address[picked].astype(np.int64) * (len(self._pins) + 1) + alone + 1
        self._parts.append(_each_once(both[sure]))
        self._rows += len(picked)

    def finish(self) -> SwappedLines | None:
        """The one pair that puts the selects right; None where they are right, or several pairs would do."""
        if not self._parts:
            return None
        address, came = np.divmod(_each_once(np.concatenate(self._parts)), len(self._pins) + 1)
        came -= 1
        wrong = self._expected(address) != came
        if int(wrong.sum()) < _LEAST:
            return None
        found = []
        for lines in combinations(self._bits, 2):
            i, j = (self._bits[line] for line in lines)
            differ = ((address >> i) ^ (address >> j)) & 1
            fits = self._expected(address ^ (differ << i | differ << j)) == came
            explained = int((wrong & fits).sum())
            elsewhere = int((wrong & fits & (came >= 0)).sum())
            if explained >= _LEAST and elsewhere >= _COME and int(fits.sum()) >= _FITS * len(fits):
                found.append(SwappedLines(lines, explained))
        return found[0] if len(found) == 1 else None

    def _expected(self, address: NDArray[np.int64]) -> NDArray[np.int64]:
        """The select that the board file asks for at each address, -1 = none of those clipped."""
        found = np.full(len(address), -1, np.int64)
        for k, (start, end) in enumerate(self._spans):
            found[(address >= start) & (address <= end)] = k
        return found


def _each_once(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """As ``np.unique``, for numbers from 0 up: by a table where they are small, as those of 16 address bits are."""
    if not len(values) or int(values.max()) >= _TABLE:
        return np.unique(values)
    met = np.zeros(int(values.max()) + 1, np.bool_)
    met[values] = True
    return np.flatnonzero(met)
