"""What a cell showed before anybody wrote to it, where a fault that acts every time foretells even that.

Nobody knows what a memory held before the capture: of a sound chip, or one that loses its writes, the first read of a
cell that was not written yet may show anything, and ``contents`` says how likely it was. A chip that never drives shows
what the lanes carried before, a stuck lane its level: where the first reads are just that, the fault has foretold what
was chance for the others.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay import lanes_kernel, memory_kernel
from busledger.decoder.diagnosis.replay.contents import log_found
from busledger.decoder.diagnosis.replay.memory_kernel import NOBODY_KNOWS
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import Behaviour, CoupledCell, LaneFault, PathFault
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate

__all__ = ["FirstReads", "FoundContents"]

_DRIVEN_BY_NOBODY = ("silent", "read-lost")
_LED_ASTRAY = ("swapped", "forced-board", "joined-board")  # faults by which another region's cell answers
_OF_LANES = {
    lanes_kernel.LOW: memory_kernel.PULLED_DOWN,
    lanes_kernel.HIGH: memory_kernel.PULLED_UP,
    lanes_kernel.KEPT: memory_kernel.KEEPS,
    lanes_kernel.KEPT_BY_CARD: memory_kernel.KEPT_BY_CARD,
    lanes_kernel.KEPT_FROM_BUS: memory_kernel.KEPT_FROM_BUS,
}


class FirstReads:
    """The reads among ``rows`` that were the first access to their cell; what ROM images hold is left out.

    ``shared``: beside faults of other lanes. One takes its lanes out of words whose other lanes are still to be
    accounted for: where every lane came up alike, as where nobody drives any of them, one that is stuck has foretold
    next to nothing, and the rest gains by its own fault what is left to be gained. So do the chips of a row: each by
    itself would be credited with a fill that all of them show, and two dead ones with more than their row is.
    """

    def __init__(self, study: Study, rows: Rows, shared: bool = False) -> None:
        self._study, self._all, self._shared = study, rows, shared
        self._asked: dict[tuple[tuple[int, ...], int], tuple[NDArray[np.uint32], int]] = {}
        self._chance: dict[tuple[tuple[int, ...], int], float] = {}

    @cached_property
    def _rows(self) -> Rows:
        rows, firsts = self._all, self._study.first_reads()
        at = np.minimum(np.searchsorted(rows.index, firsts), max(0, len(rows) - 1))
        return rows.take(at[rows.index[at] == firsts] if len(rows) else at[:0])

    @cached_property
    def _lanes(self) -> NDArray[np.uint32]:
        return self._rows.sure & ~self._study.images()[1][self._rows.cell]

    def log_gain(self, fault: Behaviour) -> float:
        """Log likelihood of the first reads under ``fault``, acting every time, less that of unknown contents; 0 of
        faults that say nothing of them."""
        if isinstance(fault, PathFault) and fault.op in _LED_ASTRAY:
            return self._as_an_image(fault) + self._undriven(fault, self._led_nowhere(fault), fault.floats)
        floats = _shown_by(fault)
        if floats is None or isinstance(fault, CoupledCell):
            return 0.0
        return self._undriven(fault, fault.regions, floats)

    def _led_nowhere(self, fault: PathFault) -> tuple[int, ...]:
        """The regions whose every access is led to where nobody answers."""
        to = self._study.maps(fault).r1
        return tuple(r for r in fault.regions if (to[self._study.cells.span(r)] < 0).all())

    def _undriven(self, fault: Behaviour, regions: tuple[int, ...], floats: int) -> float:
        """Of the first reads in regions whose lanes the fault leaves undriven."""
        if not len(self._rows) or not regions:
            return 0.0
        key = (regions, fault.mask)
        if key not in self._asked:
            there = np.zeros(len(self._study.card.regions) + 1, np.bool_)  # the last one: outside all regions
            there[list(regions)] = True
            lanes = np.where(there[self._rows.region], self._lanes & np.uint32(fault.mask), np.uint32(0))
            self._asked[key] = lanes, int(np.count_nonzero(lanes))
        lanes, asked = self._asked[key]
        if not asked:
            return 0.0
        wrong = int(np.count_nonzero((self._rows.data ^ self._shown(floats)) & lanes))
        return log_rate(asked - wrong, wrong, HARD) - self._given_the_rest(key, lanes) * (asked - wrong) / asked

    def _as_an_image(self, fault: PathFault) -> float:
        """The same where the fault leads them to a ROM whose image is given."""
        value, known = self._study.images()
        rows = self._rows
        if not len(rows) or not known.any():
            return 0.0
        there = self._study.maps(fault).r1[rows.cell]
        led = (there >= 0) & (there != rows.cell)
        lanes = np.where(led, self._lanes & known[there] & np.uint32(fault.mask), np.uint32(0))
        asked = int(np.count_nonzero(lanes))
        if not asked:
            return 0.0
        wrong = int(np.count_nonzero((rows.data ^ value[there]) & lanes))
        chance = log_found(self._study.card, self._study.cells, rows.cell, rows.data, lanes)
        return log_rate(asked - wrong, wrong, HARD) - chance * (asked - wrong) / asked

    def _chance_of(self, key: tuple[tuple[int, ...], int], lanes: NDArray[np.uint32]) -> float:
        if key not in self._chance:
            study, rows = self._study, self._rows
            self._chance[key] = log_found(study.card, study.cells, rows.cell, rows.data, lanes)
        return self._chance[key]

    def _given_the_rest(self, key: tuple[tuple[int, ...], int], lanes: NDArray[np.uint32]) -> float:
        """Log probability that contents of these ``lanes`` were as they were found: by themselves, as a chip's are
        looked at, or beside those of the other lanes, whichever leaves less to be foretold."""
        alone = self._chance_of(key, lanes)
        if not self._shared:
            return alone
        words = np.where(np.isin(self._rows.region, key[0]), self._lanes, np.uint32(0))
        rest = words & ~lanes
        others = self._chance_of((key[0], ~key[1] & 0xFFFFFFFF), rest) if rest.any() else 0.0
        return min(0.0, max(alone, self._chance_of((key[0], 0xFFFFFFFF), words) - others))

    def _shown(self, floats: int) -> NDArray[np.uint32]:
        rows = self._rows
        if floats == memory_kernel.PULLED_UP:
            return np.full(len(rows), 0xFFFFFFFF, np.uint32)
        if floats == memory_kernel.PULLED_DOWN:
            return np.zeros(len(rows), np.uint32)
        carried = {memory_kernel.KEPT_BY_CARD: rows.rest, memory_kernel.KEPT_FROM_BUS: rows.rest_bus}
        return carried.get(floats, rows.kept)


class FoundContents:
    """What the reads among ``rows`` found in cells that a fault makes unknown."""

    def __init__(self, study: Study, rows: Rows) -> None:
        self._study, self._rows = study, rows
        self._asked = (rows.compared != 0) & ~rows.is_write
        self._weighed: dict[bytes, float] = {}

    @cached_property
    def _first_of_unwritten(self) -> NDArray[np.bool_]:
        """bool a row: the first of a cell that the capture reads before it writes it; of a ROM whose image is given
        nobody had to guess what it holds."""
        cells, first = np.unique(self._rows.cell, return_index=True)
        settled = self._study.election()[1][cells] & ~self._study.images()[1][cells]
        found = np.zeros(len(self._rows), np.bool_)
        found[first[settled != 0]] = True
        return found

    def log_of(self, fault: PathFault, sure: NDArray[np.uint32]) -> float | None:
        """Their log probability under the hard theory, of one that comes and goes only what is wrong would tell them;
        None = nothing was found. Those apart that nobody knew anyway: the first read of a cell not yet written tells of
        contents that a sound card would have to have guessed as well. Of lanes on which levels fight none is told: a
        half for each, whatever a memory might have held."""
        if fault.joins == NOBODY_KNOWS and (self._study.maps(fault).r2 >= 0).any():
            return None
        unknown = self._rows.compared & ~sure & np.uint32(fault.mask)
        asked = np.flatnonzero((unknown != 0) & self._asked)
        if not len(asked):
            return None
        asked = asked[~self._first_of_unwritten[asked]]
        if not len(asked):
            return 0.0
        return self._log_found(asked, unknown[asked])

    def log_of_acts(self, fault: PathFault, found: NDArray[np.uint32]) -> float | None:
        """Their log probability where the fault comes and goes and acted there, as its replay tells (``found`` of
        Given); None = a half for each bit.

        Single lanes keep that: of those a right read counts as a chance missed every second time, which takes it that
        either level was as likely. So do all where two cells answer: the other one shows on those lanes alone that it
        decides, and one that is wrong again and again would seem to be its contents.
        """
        if (self._study.maps(fault).r2 >= 0).any():
            return None
        lanes = np.bitwise_count(found)
        asked = np.flatnonzero(lanes > 1)
        if not len(asked):
            return None
        single = int(np.count_nonzero(lanes == 1))
        return self._log_found(asked, found[asked]) - single * math.log(2.0)

    def _log_found(self, asked: NDArray[np.intp], lanes: NDArray[np.uint32]) -> float:
        key = asked.tobytes() + lanes.tobytes()  # many faults lead the same reads astray
        if key not in self._weighed:
            rows, study = self._rows, self._study
            self._weighed[key] = log_found(study.card, study.cells, rows.cell[asked], rows.data[asked], lanes)
        return self._weighed[key]


def _shown_by(fault: Behaviour) -> int | None:
    """What lanes show that the fault leaves undriven, or drives to one level."""
    if isinstance(fault, LaneFault):
        return _OF_LANES.get(fault.does) if fault.cell < 0 else None
    if isinstance(fault, PathFault) and fault.op in _DRIVEN_BY_NOBODY:
        return fault.floats
    return None
