"""What a chip's own faults explain, taken out of the rows: what is left shows what the chips share.

A fault that comes and goes and that chips share is hard to see beside one chip that reads wrong more often than all
the others together: what that chip does hides the rate, the lanes and the level of the other. Leaving the chip out as
a whole (``Blind``) leaves out its share of the other fault's reads, too. So only those reads of it are not looked at
that its own likeliest fault explains, or, where that is not a listed one, those in which it is alone. Of several faults
of a chip those that explain little of it may be what the other fault does.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.leaf_rows import narrowed
from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import CoupledCell, Decay, LaneFault, PathFault
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["OwnDoing", "is_steady"]

_STEADY = 20  # wrong reads of a lane at the least, and more of them than that for each right one. Judged
_ONE_LEVEL = (lanes_kernel.LOW, lanes_kernel.HIGH)
_MAIN = 0.25  # of the chip's wrong reads, which a fault of its own must explain. Judged


def is_steady(scored: Scored) -> bool:
    """Whether lanes of a chip never show but one level, as far as reads tell, where the fault acts."""
    behaviour = scored.variant.behaviour
    if not isinstance(behaviour, LaneFault) or behaviour.cell >= 0 or behaviour.does not in _ONE_LEVEL:
        return False
    return _acts_always(scored)


def _never_written(scored: Scored) -> bool:
    """Whether the chip takes no writes, as far as reads tell: what was written says nothing of what it gives."""
    behaviour = scored.variant.behaviour
    return isinstance(behaviour, PathFault) and behaviour.op == "write-lost" and _acts_always(scored)


def _acts_always(scored: Scored) -> bool:
    tally = scored.effect.tally
    return tally.hits >= _STEADY and tally.hits > _STEADY * tally.misses


class OwnDoing:
    """Rows without the reads of some chips that these chips' own faults explain, on these chips' lanes.

    ``rows``: those on which ``leaves`` were weighed; these by the index of their unit, ``units``.
    """

    def __init__(self, study: Study, rows: Rows, leaves: Mapping[int, Leaf]) -> None:
        self._study = study
        self._index = rows.index
        self.units = frozenset(leaves)
        self._drop = np.zeros(len(rows), np.uint32)
        for leaf in leaves.values():
            at = np.flatnonzero(rows.region == leaf.unit.region)
            mine = narrowed(rows.take(at), leaf.unit.mask)
            alone = rows.wrong[at] & ~np.uint32(leaf.unit.mask) == 0
            for scored in leaf.best.faults:
                explained = self._explained(scored, mine, alone)
                if np.count_nonzero(explained) >= _MAIN * leaf.count.wrong:
                    self._drop[at[explained]] |= np.uint32(leaf.unit.mask)
                    # Right by chance, a lane that never moves says no more of what is behind it than where it is wrong;
                    # nor does a chip that takes no writes, by whatever it gives.
                    nothing = is_steady(scored) or _never_written(scored)
                    shows_nothing = self._where(scored, mine) if nothing else np.zeros(len(at), np.bool_)
                    self._drop[at[shows_nothing]] |= np.uint32(scored.candidate.mask)

    def _explained(self, scored: Scored, rows: Rows, alone: NDArray[np.bool_]) -> NDArray[np.bool_]:
        wrong: NDArray[np.bool_] = (rows.wrong & np.uint32(scored.candidate.mask)) != 0
        behaviour = scored.variant.behaviour
        if isinstance(behaviour, Decay | CoupledCell):
            return wrong if behaviour.cell < 0 else wrong & (rows.cell == behaviour.cell)
        there = self._where(scored, rows)
        if isinstance(behaviour, LaneFault) and behaviour.cell >= 0:
            there &= rows.cell == behaviour.cell
        if scored.candidate.fault == "unlisted":
            return wrong & there & alone
        overlay = FoundFault(scored, self._study)
        overlay.start()
        after = overlay.feed(rows)
        left = np.zeros(len(rows), np.uint32)
        left[np.searchsorted(rows.index, after.index)] = after.wrong  # a write that is lost is not among them
        there &= left & np.uint32(scored.candidate.mask) == 0
        return wrong & there

    def _where(self, scored: Scored, rows: Rows) -> NDArray[np.bool_]:
        """Rows in the part of the chip in which the fault acts."""
        word: NDArray[np.int32] = rows.cell - self._study.cells.span(scored.candidate.region or 0).start
        found = np.ones(len(rows), np.bool_)
        for line in scored.detail.get("where_lines", ()):
            name, level = str(line).removeprefix("A").split("=")
            found &= (word >> (int(name) - self._study.cells.shift) & 1) == int(level)
        return found

    def dropped(self, rows: Rows) -> NDArray[np.uint32]:
        """uint32 a row, the lanes left out."""
        at = np.minimum(np.searchsorted(self._index, rows.index), len(self._index) - 1)
        return np.where(self._index[at] == rows.index, self._drop[at], np.uint32(0))

    def start(self) -> None:
        """Nothing is carried."""

    def feed(self, rows: Rows) -> Rows:
        """The rows without those reads."""
        keep = ~self.dropped(rows)
        return rows.holding(rows.expected & keep, rows.compared & keep)
