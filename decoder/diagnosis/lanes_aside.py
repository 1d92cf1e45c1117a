"""What a fault of a whole row that acts every time owes for lanes left aside, which another fault has at times.

Where that other fault does not act, these lanes show what the row gives. A fault that foretells it owes nothing; one
after which nobody knows what the cells hold pays for what they turn out to hold, on these lanes as on the others.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busledger.decoder.diagnosis.overlay import Aside
from busledger.decoder.diagnosis.path import Path, PathFaultState
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.scoring import Scored, ways
from busledger.decoder.diagnosis.screening import replay_all

__all__ = ["log_left_aside"]


def log_left_aside(study: Study, scored: Scored, aside: Aside, whole: Rows, given: Sequence[Path]) -> float:
    """Log, 0 or less, of how likely it is what these lanes showed of cells of unknown contents.

    ``scored``: as judged without them; ``whole``: the rows with them; ``given``: the set with the lanes' own faults.
    """
    contents = scored.effect.log_contents
    if not contents:
        return 0.0
    effects = replay_all(study, [scored.candidate], study.survey([whole]), whole)
    alike = (one for one in ways(scored.candidate, effects) if one.hard and one.variant == scored.variant)
    full = next((one for one in alike if one.path == scored.path), None)
    if full is None or full.effect.log_contents is None:
        return 0.0
    mine = np.isin(whole.region, np.array(scored.candidate.regions, np.int16))
    left_out = int(np.bitwise_count((aside.dropped(whole) & whole.compared)[mine]).sum())
    lanes = [one for one in given if isinstance(one, PathFaultState) and not one.scored.hard]
    shown = sum(one.hits * (one.mask & scored.candidate.mask).bit_count() for one in lanes)
    return min(0.0, full.effect.log_contents - contents) * max(0.0, 1.0 - shown / max(1, left_out))
