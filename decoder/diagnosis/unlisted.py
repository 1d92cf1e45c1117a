"""A bus driver that is bad in a way not listed: whatever came wrong through some of its lanes is its doing.

The last resort of the shared parts, as "bad in a way not listed" is of a chip: it fails at a rate of its own, with any
pattern of its lanes. It keeps a strange driver from being taken for as many strange chips as it has behind it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, bits_of
from busledger.decoder.diagnosis.faults.candidates import unlisted
from busledger.decoder.diagnosis.leaf_rows import count_reads, narrowed
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.patterns import log_by_level, log_by_word, log_patterns
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import Tally, log_chances
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["TakesAll", "strange_drivers"]

_REGIONS = 2  # regions that must have failed on a lane before what they share is asked about


class TakesAll:
    """Takes every wrong read on some lanes of some regions out of the rows."""

    def __init__(self, mask: int, regions: tuple[int, ...]) -> None:
        self._mask, self._regions = np.uint32(mask), np.array(regions, np.int16)

    def start(self) -> None:
        """Nothing is carried from block to block."""

    def feed(self, rows: Rows) -> Rows:
        """The block with those reads taken as right."""
        lanes = np.where(np.isin(rows.region, self._regions), self._mask, np.uint32(0))
        return rows.holding((rows.expected & ~lanes) | (rows.data & lanes), rows.compared)


def strange_drivers(study: Study, rows: Rows) -> Iterator[tuple[Scored, float]]:
    """Each driver on each of its lanes that failed in several regions, and on all of them; with its log likelihood.

    The candidate's prior is that of the driver, divided among the lanes.
    """
    card = study.card
    served = {buffer.designator: buffer.regions for buffer in card.buffers}
    for c in unlisted(card):
        if c.scope != "buffer" or c.component not in served:
            continue
        regions = tuple(r for r in served[c.component] if card.regions[r].compared)
        bad = np.isin(rows.region, np.array(regions, np.int16)) & (rows.wrong != 0)
        lanes = [
            lane
            for lane in bits_of(c.lanes)
            if len(np.unique(rows.region[bad & (rows.wrong >> np.uint32(lane) & 1 == 1)])) >= _REGIONS
        ]
        masks = [1 << lane for lane in lanes]
        if len(lanes) > 1:
            masks.append(sum(masks))
        mine = rows.take(np.isin(rows.region, np.array(regions, np.int16))) if masks else rows
        for mask in masks:
            yield _strange(replace(c, prior=c.prior / len(masks)), mask, regions, mine)


def _strange(c: Candidate, mask: int, regions: tuple[int, ...], rows: Rows) -> tuple[Scored, float]:
    of_lanes = narrowed(rows, mask)
    count = count_reads(of_lanes)
    variant = Variant(1.0, LaneFault(lanes_kernel.KEPT, mask, regions))
    here = replace(c, lanes=mask, variants=(variant,))
    effect = Effect(
        Tally(count.event_count, count.right_count, 0, count.wrong),
        hash((c.component, mask)),
        tuple(int(i) for i in of_lanes.index[np.flatnonzero(of_lanes.wrong)[:8]]),
        np.stack([count.events, count.right], axis=1),
    )
    own = log_chances(count.events, count.right, (count.event_count, count.right_count))
    own = log_by_level(of_lanes, mask, own, count.log_slips)
    # A driver keeps nothing: what a cell gives again, and no write was bent, has come wrong once more by the same bend.
    pattern = math.log(max(2.0 ** mask.bit_count() - 1.0, 1.0))
    rare = math.log((count.event_count + count.right_count + 1.0) / (count.event_count + 0.5))
    own -= count.again_by_itself * min(pattern, rare)
    own = log_by_word(of_lanes, mask, own + log_patterns(of_lanes, mask))
    return Scored(here, variant, False, effect), own
