"""Places, as the suspects of the contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from busledger.decoder.diagnosis.faults.candidate import bits_of
from busledger.decoder.diagnosis.path import Innocent
from busledger.decoder.diagnosis.posterior import Item, Place
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals import suspect_of
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.statistics import clopper_pearson
from busledger.decoder.diagnosis.wording import answers_for, at_once, evidence_lines, summary, told_of
from busledger.decoder.findings import Suspect

__all__ = ["Slot", "slots_of", "suspects_of"]

_SHOWN = 0.01
_SHOWN_AT_MOST = 12  # at one place
_WORTH_A_STEP = 0.1  # of a cause that is not on the card: a look at it is the cheapest step there is (judged)


@dataclass(frozen=True)
class Slot:
    """One place's candidates with their chances, and the chance that it is none of them; ``rivals``: what to do about
    the likely causes that are not on the card."""

    scored: tuple[Scored, ...]
    shares: tuple[float, ...]
    none: float
    rivals: tuple[str, ...] = ()


@dataclass
class _Entry:
    item: Item
    place: int
    leader: bool

    @property
    def fault(self) -> Scored | None:
        return self.item.fault

    @property
    def effect(self) -> Effect | None:
        return None if self.fault is None else self.fault.effect


def slots_of(places: Sequence[Place]) -> list[Slot]:
    """The places as next steps ask them."""
    found = []
    for place in places:
        known = [(i.fault, i.probability) for i in place.items if i.fault is not None]
        if known:
            shares = tuple(p for _, p in known)
            rivals = tuple(
                i.path.rival.next_step
                for i in place.items
                if i.fault is None and isinstance(i.path, Innocent) and i.probability >= _WORTH_A_STEP
            )
            found.append(Slot(tuple(f for f, _ in known), shares, max(0.0, 1.0 - sum(shares)), rivals))
    return found


def suspects_of(study: Study, places: Sequence[Place]) -> tuple[Suspect, ...]:
    """Every candidate worth showing: the first of each place, then the rest by probability."""
    entries: list[_Entry] = []
    for number, place in enumerate(places, 1):
        shown = [item for item in place.items if item.probability >= _SHOWN][:_SHOWN_AT_MOST] or place.items[:1]
        entries += [_Entry(item, number, item is shown[0]) for item in shown]
    entries.sort(key=lambda e: (not e.leader, e.place if e.leader else 0, -e.item.probability))
    ranked = list(enumerate(entries, 1))
    at_place: dict[int, list[tuple[int, _Entry]]] = {}
    for rank, entry in ranked:
        at_place.setdefault(entry.place, []).append((rank, entry))
    return tuple(_suspect(study, entry, rank, at_place[entry.place]) for rank, entry in ranked)


def _tied(a: _Entry, b: _Entry) -> bool:
    """Of two at one place, whether nothing that was seen tells them apart."""
    one, two = a.effect, b.effect
    if a is b or one is None or two is None:
        return False
    return one.hash_ == two.hash_ and one.tally.explained == two.tally.explained


def _rival(entry: _Entry, place: Sequence[tuple[int, _Entry]]) -> Scored | None:
    """The most probable candidate of another effect at the same place, in another part if there is one."""
    mine = entry.effect
    others = [
        e.fault
        for _, e in sorted(place, key=lambda ranked: -ranked[1].item.probability)
        if e.fault is not None and mine is not None
        if e.fault.effect.hash_ != mine.hash_ and e.fault.covers
    ]
    component = entry.fault.candidate.component if entry.fault is not None else None
    elsewhere = [fault for fault in others if fault.candidate.component != component]
    return next(iter(elsewhere or others), None)


def _detail(study: Study, entry: _Entry, scored: Scored) -> dict[str, Any]:
    found: dict[str, Any] = {k: v for k, v in scored.detail.items() if k != "every_time"}
    if others := answers_for(study.card, scored.candidate):
        found["answers_for"] = list(others)
    if scored.variant.label:
        found["way"] = scored.variant.label
    if entry.item.others:
        found["also"] = [
            {"fault": s.candidate.fault, "lanes": [f"D{lane}" for lane in bits_of(s.candidate.lanes)]}
            for s in entry.item.others
        ]
    return found


def _suspect(study: Study, entry: _Entry, rank: int, place: Sequence[tuple[int, _Entry]]) -> Suspect:
    scored = entry.fault
    if scored is None:
        return _innocent(study, entry, rank)
    c = scored.candidate
    regions = study.card.regions
    detail = {**_detail(study, entry, scored), **at_once(study.card, c)}
    told = told_of(study.evidence.board, c.component)
    if told:
        detail["told"] = told
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
        summary=summary(study, scored, detail),
        evidence=evidence_lines(study, scored, _rival(entry, place) if entry.leader else None),
        place=entry.place,
        other_region=None if c.other is None else regions[c.other].name,
        tied_with=tuple(k for k, other in place if _tied(entry, other)),
        first_cycles=scored.effect.first,
        detail=detail,
    )


def _innocent(study: Study, entry: _Entry, rank: int) -> Suspect:
    """A cause that is not on the card."""
    assert isinstance(entry.item.path, Innocent)
    rival = entry.item.path.rival
    region = None if rival.region is None else study.card.regions[rival.region].name
    return suspect_of(rival, region, rank=rank, place=entry.place, probability=entry.item.probability)
