"""Holds the answer of ``check --json`` against what the world knows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from tests.outside.third.truth import Expected

ENOUGH = 4  # reads that a fault must have spoiled before it must be named
NOT_PARTS = ("clip", "machine")


@dataclass
class Verdict:
    """``named``/``missed``: expected faults by index; ``innocents``: parts at 0.5 or more that nothing asks for."""

    code: int
    seconds: float
    named: list[int] = field(default_factory=list)
    missed: list[int] = field(default_factory=list)
    innocents: list[str] = field(default_factory=list)
    first_right: bool = False
    brier: list[float] = field(default_factory=list)
    top: list[str] = field(default_factory=list)
    mismatches: int = 0
    failed: str = ""

    @property
    def right(self) -> bool:
        return not self.missed and not self.innocents and not self.failed


def fits(suspect: dict[str, Any], e: Expected) -> bool:
    """Whether a suspect of the answer is this fault, or one that nothing in the capture parts from it."""
    if suspect["component"] is not None:
        return suspect["component"] in e.parts
    if suspect["scope"] not in e.nets:
        return False
    return not e.regions or suspect["region"] in (*e.regions, None, "")


def judge(answer: dict[str, Any] | None, code: int, seconds: float, expected: list[Expected]) -> Verdict:
    """The verdict on one answer (None: there was no JSON)."""
    v = Verdict(code, seconds)
    if answer is None:
        v.failed = f"exit {code}, no answer"
        v.missed = [k for k, e in enumerate(expected) if e.shown >= ENOUGH]
        return v
    bad = {p["component"]: float(p["bad"]) for p in answer.get("parts", [])}
    suspects = answer["suspects"]
    v.mismatches = int(answer["mismatch_total"])
    v.top = [f"{s['probability']:.2f} {s['fault']}/{s['scope']} {s['component']} {s['summary']}" for s in suspects[:5]]
    v.top += [f"bad {c} {b:.2f}" for c, b in bad.items() if b >= 0.3]
    allowed: set[str] = set()
    for k, e in enumerate(expected):
        if e.shown:
            allowed |= set(e.parts)
        open_nets = sum(float(s["probability"]) for s in suspects if s["component"] is None and fits(s, e))
        mine = sum(bad.get(p, 0.0) for p in e.parts) + open_nets
        if e.shown >= ENOUGH:
            (v.named if mine >= 0.5 else v.missed).append(k)
    v.innocents = [c for c, b in bad.items() if b >= 0.5 and c not in allowed]
    nets = [s for s in suspects if s["component"] is None and float(s["probability"]) >= 0.5]
    for s in nets:
        if s["scope"] not in NOT_PARTS and not any(fits(s, e) for e in expected if e.shown):
            v.innocents.append(f"{s['scope']} {s['region']} {s['fault']}")
    v.first_right = bool(suspects) and any(fits(suspects[0], e) for e in expected if e.shown)
    for c, b in bad.items():
        mine_of = [e for e in expected if e.shown and c in e.parts]
        if any(len(e.parts) > 1 or e.nets for e in mine_of):
            continue  # one of equals: what it should have is not 0 or 1
        v.brier.append((b - (1.0 if mine_of else 0.0)) ** 2)
    return v
