"""From weighed candidates to suspects: probabilities, ties, ranks and words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busledger.decoder.diagnosis.faults.candidate import bits_of
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.statistics import clopper_pearson
from busledger.decoder.diagnosis.wording import evidence_lines, summary
from busledger.decoder.findings import Suspect

__all__ = ["Slot", "suspects_of"]

_SHOWN = 0.01
_SHOWN_AT_MOST = 12


@dataclass(frozen=True)
class Slot:
    """One fault's place: all candidates with their probabilities, and that of "none of these"."""

    scored: tuple[Scored, ...]
    shares: tuple[float, ...]
    none: float


@dataclass
class _Entry:
    scored: Scored
    probability: float
    slot: int
    leader: bool


def suspects_of(study: Study, slots: Sequence[Slot]) -> tuple[Suspect, ...]:
    """Every candidate worth showing: the first of each fault, then the rest by probability."""
    entries: list[_Entry] = []
    for i, slot in enumerate(slots):
        ranked = sorted(range(len(slot.scored)), key=lambda k: -slot.shares[k])
        shown = [k for k in ranked if slot.shares[k] >= _SHOWN][:_SHOWN_AT_MOST] or ranked[:1]
        entries += [_Entry(slot.scored[k], slot.shares[k], i, k == shown[0]) for k in shown]
    entries.sort(key=lambda e: (not e.leader, -e.probability if not e.leader else -e.scored.effect.tally.explained))
    return tuple(_suspect(study, entry, rank, entries, slots[entry.slot]) for rank, entry in enumerate(entries, 1))


def _tied(a: _Entry, b: _Entry) -> bool:
    one, two = a.scored, b.scored
    if a is b or a.slot != b.slot:
        return False
    return one.effect.hash_ == two.effect.hash_ and one.effect.tally.explained == two.effect.tally.explained


def _rival(scored: Scored, slot: Slot) -> Scored | None:
    """The most probable candidate of another effect, in another part if there is one."""
    others = [
        (p, s)
        for s, p in zip(slot.scored, slot.shares, strict=True)
        if s.effect.hash_ != scored.effect.hash_ and s.covers
    ]
    elsewhere = [(p, s) for p, s in others if s.candidate.component != scored.candidate.component]
    best = max(elsewhere or others, key=lambda item: item[0], default=None)
    return None if best is None else best[1]


def _suspect(study: Study, entry: _Entry, rank: int, entries: Sequence[_Entry], slot: Slot) -> Suspect:
    scored = entry.scored
    c = scored.candidate
    regions = study.card.regions
    tally = scored.effect.tally
    hits = tally.hits + (0 if scored.hard else tally.excused)
    chances = hits + tally.misses + (tally.other if scored.hard else 0)
    interval = clopper_pearson(hits, chances) if chances else None
    ties = tuple(k for k, other in enumerate(entries, 1) if _tied(entry, other))
    return Suspect(
        rank=rank,
        fault=c.fault,
        scope=c.scope,
        component=c.component,
        region=None if c.region is None else regions[c.region].name,
        lanes=tuple(f"D{lane}" for lane in bits_of(c.lanes)),
        address_lines=tuple(f"A{bit}" for bit in c.lines),
        address=None if c.cell is None else study.cells.address_of(c.cell),
        intermittent=not scored.hard,
        rate=hits / chances if chances else None,
        rate_95=(interval.low, interval.high) if interval else None,
        probability=round(entry.probability, 6),
        explains=tally.explained,
        contradicted=tally.misses if scored.hard else 0,
        summary=summary(study, scored),
        evidence=evidence_lines(study, scored, _rival(scored, slot) if entry.leader else None),
        other_region=None if c.other is None else regions[c.other].name,
        tied_with=ties,
        first_cycles=scored.effect.first,
        detail={"way": scored.variant.label} if scored.variant.label else {},
    )
