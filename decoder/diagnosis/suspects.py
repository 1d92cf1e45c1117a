"""Places, as the suspects of the contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from busledger.decoder.diagnosis.faults.candidate import bits_of
from busledger.decoder.diagnosis.posterior import Item, Place
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.statistics import clopper_pearson
from busledger.decoder.diagnosis.wording import evidence_lines, summary
from busledger.decoder.findings import Suspect

__all__ = ["Slot", "slots_of", "suspects_of"]

_SHOWN = 0.01
_SHOWN_AT_MOST = 12  # at one place


@dataclass(frozen=True)
class Slot:
    """One place's candidates with their chances, and the chance that it is none of them."""

    scored: tuple[Scored, ...]
    shares: tuple[float, ...]
    none: float


@dataclass
class _Entry:
    item: Item
    fault: Scored
    place: int
    leader: bool


def slots_of(places: Sequence[Place]) -> list[Slot]:
    """The places as next steps ask them."""
    found = []
    for place in places:
        known = [(i.fault, i.probability) for i in place.items if i.fault is not None]
        if known:
            shares = tuple(p for _, p in known)
            found.append(Slot(tuple(f for f, _ in known), shares, max(0.0, 1.0 - sum(shares))))
    return found


def suspects_of(study: Study, places: Sequence[Place]) -> tuple[Suspect, ...]:
    """Every candidate worth showing: the first of each place, then the rest by probability."""
    entries: list[_Entry] = []
    for number, place in enumerate(places, 1):
        known = [item for item in place.items if item.fault is not None]
        shown = [item for item in known if item.probability >= _SHOWN][:_SHOWN_AT_MOST] or known[:1]
        entries += [
            _Entry(item, item.fault, number, item is shown[0]) for item in shown if item.fault is not None
        ]
    entries.sort(key=lambda e: (not e.leader, e.place if e.leader else 0, -e.item.probability))
    return tuple(_suspect(study, entry, rank, entries) for rank, entry in enumerate(entries, 1))


def _tied(a: _Entry, b: _Entry) -> bool:
    if a is b or a.place != b.place:
        return False
    one, two = a.fault.effect, b.fault.effect
    return one.hash_ == two.hash_ and one.tally.explained == two.tally.explained


def _rival(entry: _Entry, entries: Sequence[_Entry]) -> Scored | None:
    """The most probable candidate of another effect at the same place, in another part if there is one."""
    others = [
        e for e in entries if e.place == entry.place and e.fault.effect.hash_ != entry.fault.effect.hash_ and e.fault.covers
    ]
    elsewhere = [e for e in others if e.fault.candidate.component != entry.fault.candidate.component]
    best = max(elsewhere or others, key=lambda e: e.item.probability, default=None)
    return None if best is None else best.fault


def _detail(entry: _Entry) -> dict[str, Any]:
    found: dict[str, Any] = {k: v for k, v in entry.fault.detail.items() if k != "every_time"}
    if entry.fault.variant.label:
        found["way"] = entry.fault.variant.label
    if entry.item.others:
        found["also"] = [
            {"fault": s.candidate.fault, "lanes": [f"D{lane}" for lane in bits_of(s.candidate.lanes)]}
            for s in entry.item.others
        ]
    return found


def _suspect(study: Study, entry: _Entry, rank: int, entries: Sequence[_Entry]) -> Suspect:
    scored = entry.fault
    c = scored.candidate
    regions = study.card.regions
    tally = scored.effect.tally
    hard = scored.hard or bool(scored.detail.get("every_time"))
    hits = tally.hits + (0 if scored.hard else tally.excused)
    chances = hits + tally.misses + (tally.other if scored.hard else 0)
    interval = clopper_pearson(hits, chances) if chances else None
    lanes = c.lanes
    for other in entry.item.others:
        if other.candidate.fault == c.fault:
            lanes |= other.candidate.lanes
    return Suspect(
        rank=rank,
        fault=c.fault,
        scope=c.scope,
        component=c.component,
        region=None if c.region is None else regions[c.region].name,
        lanes=tuple(f"D{lane}" for lane in bits_of(lanes)),
        address_lines=tuple(f"A{bit}" for bit in c.lines),
        address=None if c.cell is None else study.cells.address_of(c.cell),
        intermittent=not hard,
        rate=hits / chances if chances else None,
        rate_95=(interval.low, interval.high) if interval else None,
        probability=round(entry.item.probability, 6),
        explains=tally.explained,
        contradicted=tally.misses if hard else 0,
        summary=summary(study, scored),
        evidence=evidence_lines(study, scored, _rival(entry, entries) if entry.leader else None),
        place=entry.place,
        other_region=None if c.other is None else regions[c.other].name,
        tied_with=tuple(k for k, other in enumerate(entries, 1) if _tied(entry, other)),
        first_cycles=scored.effect.first,
        detail=_detail(entry),
    )
