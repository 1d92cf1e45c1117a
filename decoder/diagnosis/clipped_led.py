"""What clipped selects say of faults by which decoders see other addresses than the bus has."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.clipped import ClippedSelects, leads_selects, takes_selects
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.scoring import Scored, checked_led

__all__ = ["clipped_led", "sees_others"]


def sees_others(scored: Scored) -> bool:
    """Whether it is a fault of address lines, by which decoders see other addresses."""
    return leads_selects(scored) or (takes_selects(scored) and bool(scored.candidate.lines))


def clipped_led(study: Study, scored: Scored, rows: Rows, clips: ClippedSelects) -> float:
    """What clipped selects say of a fault by which decoders see other addresses, at its wrong reads and as a whole."""
    behaviour, c, regions = scored.variant.behaviour, scored.candidate, study.card.regions
    assert isinstance(behaviour, PathFault)
    checks = study.evidence.checks
    if not clips.any and (checks is None or not checks.likelihood_ratios):
        return 0.0
    gone, come = list(behaviour.regions), set[int]()
    if takes_selects(scored):
        found = clips.log_of_gone(scored)
    else:
        cells, maps = study.cells, study.maps(behaviour)
        there = np.where(maps.r1 >= 0, cells.regions_of(maps.r1), -1)
        found = clips.log_of_led(c, there[rows.cell]) if clips.any else 0.0
        leads = [(r, there[cells.span(r)]) for r in behaviour.regions]
        gone = [r for r, to in leads if (to != r).all()]
        come = {int(t) for r, to in leads for t in np.unique(to[(to != r) & (to >= 0)])}
    # A line that chips take as well may stop behind the decoder.
    inside = {b for r in c.regions if regions[r].decoder is not None for b in regions[r].bits}
    lines = {f"A{b}" for b in c.lines if c.scope != "decoder" and b not in inside}
    fed = (d.designator for d in study.evidence.board.decoders if lines & set(d.inputs.values()))
    names = [region.name for region in regions]
    return found + checked_led(study.evidence, fed, (names[r] for r in gone), (names[r] for r in sorted(come)))
