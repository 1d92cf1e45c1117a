"""All transfers in one order: a write of which the clips do not tell the cell is one of them, and not several."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import first_of_each, traffic, writes

from .rows_of import study_of


def in_doubt(study: Study, write: int, bits: int) -> Story:
    """The story with that access's address in doubt by these bits."""
    for cycles, _ in study.evidence.log.blocks():
        cycles.address_unknown[write] = bits
    return Story.of(Study(replace(study.evidence)))


def test_a_write_in_doubt_is_one_transfer():
    accesses = [(kind, cell, cell) for cell in range(8) for kind in ("w", "r")]
    story = in_doubt(study_of(accesses), 4, 0x03)
    assert len(story.rows) == len(accesses) + 3, "it is given once for each of four cells"
    assert len(traffic(story)[0]) == len(accesses) == np.count_nonzero(first_of_each(story))
    assert len(writes(story)) == 8
