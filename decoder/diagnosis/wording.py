"""Suspects in words: one sentence that names the part, and why. Names stay raw; they are escaped where shown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from busledger.decoder.board import Board
from busledger.decoder.diagnosis.faults.candidate import Candidate, bits_of
from busledger.decoder.diagnosis.faults.kinds import KINDS
from busledger.decoder.diagnosis.faults.saying import Said, chances, place, remedy, sentence
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.scoring import Scored, spoken_of
from busledger.decoder.diagnosis.statistics import clopper_pearson
from busledger.decoder.figures import NO_BREAK, count, lane_ranges, plural

__all__ = [
    "answers_for",
    "at_once",
    "evidence_lines",
    "lanes_text",
    "place_of",
    "remedy_of",
    "said_of",
    "summary",
    "told_of",
]


def lanes_text(mask: int) -> str:
    """Lanes for people: ``D4``, ``D0, D3``, ``D0-D7``."""
    return lane_ranges(f"D{bit}" for bit in bits_of(mask))


def answers_for(card: CardView, c: Candidate) -> tuple[str, ...]:
    """The other rows that a chip answers for whose own select is held or floats; empty of all other faults."""
    return tuple(card.regions[i].name for i in c.reach) if c.variants else ()


def said_of(
    card: CardView,
    c: Candidate,
    address: int | None = None,
    rate: float | None = None,
    detail: Mapping[str, Any] | None = None,
) -> Said:
    """A candidate by its names; ``address``: that of its cell; ``rate``: of one that comes and goes, else None;
    ``detail``: as in ``Suspect`` (which of its keys are spoken of: ``saying.Spoken``)."""
    others = answers_for(card, c)
    return Said(
        fault=c.fault,
        scope=c.scope,
        component=c.component,
        region=None if c.region is None else card.regions[c.region].name,
        lanes=tuple(f"D{bit}" for bit in bits_of(c.lanes)),
        address_lines=tuple(f"A{bit}" for bit in c.lines),
        address=address,
        other_region=None if c.other is None else card.regions[c.other].name,
        intermittent=rate is not None,
        rate=rate,
        detail={**(detail or {}), **at_once(card, c), **({"answers_for": list(others)} if others else {})},
    )


def at_once(card: CardView, c: Candidate) -> dict[str, Any]:
    """``regions``: the names of those that a decoder's fault takes at once; nothing of another fault."""
    several = c.region is None or (c.fault == "select-extra" and c.other is None)
    return {"regions": [card.regions[r].name for r in c.regions]} if c.scope == "decoder" and several else {}


def _said(study: Study, c: Candidate, rate: float | None = None, detail: Mapping[str, Any] | None = None) -> Said:
    return said_of(study.card, c, None if c.cell is None else study.cells.address_of(c.cell), rate, detail)


def place_of(study: Study, c: Candidate) -> str:
    """Where it is: "U14 or its socket, bank3, D4"."""
    return place(_said(study, c))


def remedy_of(card: CardView, c: Candidate, told: str = "") -> str:
    """What to do about it, beginning with a verb in small letters, without a stop; ``told`` as ``told_of`` gives it."""
    return remedy(said_of(card, c, detail={"told": told}))


def told_of(board: Board, component: str | None) -> str:
    """What the bench has said of a part: ``good``, ``bad``, ``replaced``, or nothing."""
    return next((one.result for one in board.tested if one.designator == component), "")


def summary(study: Study, scored: Scored, detail: Mapping[str, Any] | None = None) -> str:
    """One sentence for people; ``detail``: the suspect's, which may narrow it to some of the cells."""
    hits = _hits(scored)
    rate = hits / (hits + scored.effect.tally.misses) if not scored.hard and hits else None
    return sentence(_said(study, scored.candidate, rate, detail)).replace(NO_BREAK, " ")


def _hits(scored: Scored) -> int:
    """Failures of a fault that comes and goes."""
    return scored.effect.tally.hits + scored.effect.tally.excused


def evidence_lines(study: Study, scored: Scored, rival: Scored | None) -> tuple[str, ...]:
    """Why: what it explains, what speaks against it, what the checks saw, and why not the next best.

    ``rival``: the most probable candidate whose effect is another; None = there is none.
    """
    tally = scored.effect.tally
    lines = [f"explains {plural(tally.explained, 'wrong read')}"]
    if scored.variant.label:
        lines[0] += f" ({scored.variant.label})"
    if tally.misses and scored.hard:
        lines.append(f"{plural(tally.misses, 'read')} came back right where it could have shown")
    elif tally.misses:
        hits, of = _hits(scored), _hits(scored) + tally.misses
        interval = clopper_pearson(hits, of)
        lines.append(chances(hits, of, (interval.low, interval.high), tally.explained))
    checks = study.evidence.checks
    if checks is not None:
        lines += [
            checks.sentences[key] for key in spoken_of(study.evidence, scored.candidate) if key in checks.sentences
        ]
    if rival is not None:
        against = _against(study, scored, rival)
        if against:
            lines.append(against)
    return tuple(line.replace(NO_BREAK, " ") for line in lines)


def _against(study: Study, scored: Scored, rival: Scored) -> str:
    """What the next best would have had to show."""
    name = f"{place_of(study, rival.candidate)} ({KINDS[rival.candidate.fault].short})"
    unexplained = scored.covers - rival.covers
    if unexplained > 0:
        return f"next best, {name}: leaves {count(unexplained)} of them unexplained"
    more = rival.effect.tally.misses + rival.effect.tally.other - scored.effect.tally.misses - scored.effect.tally.other
    if more > 0:
        return f"next best, {name}: would have hurt {plural(more, 'more read')} that came back right"
    return ""
