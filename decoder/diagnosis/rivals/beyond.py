"""Traffic of something that the board file leaves out, seen in a region because high address lines are not clipped.

Where the board file is taken to name all the memory there is, a device or an open place at another setting of those
lines passes for cells of the region: cells that nobody ever writes and that never once read right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import LN2
from busledger.decoder.diagnosis.rivals.registers import log_registers
from busledger.decoder.diagnosis.rivals.revisions import log_runs
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of
from busledger.decoder.special_functions import betaln

__all__ = ["beyond"]

# Judged: a machine whose board file leaves something out, and whose program uses it while somebody captures; one in
# five. A place where nobody drives shows what the bus carried before in nine reads of ten.
_LOG_PRIOR = math.log(0.2)
_LEFT = (9.0, 1.0)
_LEAST = 2  # cells that nothing is right of


def beyond(story: Story) -> Iterator[Rival]:
    """One rival a region that other addresses may be taken for."""
    rows, cells = story.rows, story.study.cells
    unwired = story.study.card.unwired
    read = ~rows.is_write & (rows.compared != 0)
    right, wrong = story.per_cell(read & (rows.wrong == 0)), story.per_cell(rows.wrong != 0)
    strange = (wrong > 0) & (right == 0) & (story.per_cell(rows.is_write) == 0)
    for r, region in enumerate(story.regions):
        lines = [f"A{bit}" for bit in range(cells.size[r].bit_length() - 1 + cells.shift, 32) if unwired >> bit & 1]
        if not lines or not story.study.card.regions[r].compared:
            continue
        span = cells.span(r)
        mine = np.flatnonzero(strange[span]) + span.start
        sound = int(np.count_nonzero(right[span]))
        if len(mine) < _LEAST or sound < len(mine):
            continue
        there = np.zeros(max(1, cells.total), np.bool_)
        there[mine] = True
        here = np.flatnonzero(read & there[rows.cell])
        address = story.address[mine]
        place = (int(address.min()), int(address.max()) + (1 << cells.shift) - 1)
        yield Rival(
            fault="device",
            scope="machine",
            region=r,
            addresses=place,
            log_prior=_LOG_PRIOR,
            log_own=_log_given(story, here) + _log_where(story, span, strange[span], right[span] > 0),
            explains=len(here),
            against=0,
            summary=f"what is read at {counted(len(mine), 'address', 'addresses')} of {span_of(place)} is not "
            f"{named(region)}: {_told(lines)} not clipped, and something answers there that the board file leaves out",
            evidence=(
                f"nobody writes there, and of {counted(len(here), 'read')} none is right, while "
                f"{counted(sound, 'other address', 'other addresses')} of {named(region)} "
                f"{'is' if sound == 1 else 'are'}",
            ),
            next_step=f"Clip {', '.join(lines)} too, or say in the board file what else the program reads.",
            index=rows.index[here],
            taken=NotJudged(there),
        )


def _told(lines: list[str]) -> str:
    if len(lines) == 1:
        return f"{lines[0]} is"
    return f"{lines[0]}-{lines[-1]} are"


def _log_where(story: Story, span: slice, strange: NDArray[np.bool_], sound: NDArray[np.bool_]) -> float:
    """Log probability of which of the cells that were read are strange: a device's lie side by side."""
    read = np.flatnonzero(strange | sound)
    order = np.argsort(story.address[span][read])
    return log_runs(strange[read[order]])


def _log_given(story: Story, here: NDArray[np.intp]) -> float:
    """Log probability of what was read: cells of a device, or ones that nobody drives, each cell one or the other."""
    rows = story.rows
    lanes = rows.compared[here]
    left = (rows.data[here] ^ rows.kept[here]) & lanes == 0
    bits = int(np.bitwise_or.reduce(lanes)).bit_count()
    _, at = np.unique(rows.cell[here], return_inverse=True)
    kept, reads = np.bincount(at, left), np.bincount(at)
    a, b = _LEFT
    undriven = betaln(a + kept, b + reads - kept) - betaln(a, b) - (reads - kept) * bits * LN2
    open_cell = undriven > -reads * bits * LN2 / 2
    device = ~open_cell[at]
    own = float(undriven[open_cell].sum()) - len(open_cell) * LN2
    return own + log_registers(rows.take(here[device]))
