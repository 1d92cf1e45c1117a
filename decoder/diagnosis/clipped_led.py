"""What clipped selects say of faults by which decoders see other addresses than the bus has."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.clipped import ClippedSelects
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.scoring import Scored, checked_led

__all__ = ["clipped_led"]


def clipped_led(study: Study, scored: Scored, rows: Rows, clips: ClippedSelects) -> float:
    """What clipped selects say of a fault by which decoders see other addresses, at its wrong reads and as a whole."""
    behaviour, cells = scored.variant.behaviour, study.cells
    assert isinstance(behaviour, PathFault)
    checks = study.evidence.checks
    if not clips.any and (checks is None or not checks.likelihood_ratios):
        return 0.0
    maps = study.maps(behaviour)
    there = np.where(maps.r1 >= 0, cells.regions_of(maps.r1), -1)
    found = 0.0
    if clips.any:
        found = clips.log_of_led(scored.candidate, there[rows.cell])
    names, c, regions = [region.name for region in study.card.regions], scored.candidate, study.card.regions
    # A line that chips take as well may stop behind the decoder.
    inside = {b for r in c.regions if regions[r].decoder is not None for b in regions[r].bits}
    lines = {f"A{b}" for b in c.lines if c.scope != "decoder" and b not in inside}
    fed = (d.designator for d in study.evidence.board.decoders if lines & set(d.inputs.values()))
    leads = [(r, there[cells.span(r)]) for r in behaviour.regions]
    gone = [names[r] for r, to in leads if (to != r).all()]
    come = {int(t) for r, to in leads for t in np.unique(to[(to != r) & (to >= 0)])}
    return found + checked_led(study.evidence, fed, gone, (names[t] for t in sorted(come)))
