"""Scores answers of `check --json` against the truth: singles, many, healthy; Brier score and calibration."""

from __future__ import annotations

import itertools
import statistics
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from .case import Case

SHOWN = 4
BUCKETS = ((2, 2), (3, 4), (5, 8), (9, 99))
EDGES = (0.0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1.0001)
Json = dict[str, Any]


def matches(suspect: Json, answer: Json) -> bool:
    """Whether a suspect names what a true (or equally right) answer names."""
    if answer["component"] is not None:
        return bool(suspect.get("component") == answer["component"])
    if suspect.get("component") is not None or suspect.get("scope") != answer["scope"]:
        return False
    if answer["scope"] == "region":
        regions = suspect.get("regions") or [suspect.get("region")]
        if not set(regions) & set(answer["regions"]):
            return False
    if answer["address_lines"] and set(suspect.get("address_lines") or []) != set(answer["address_lines"]):
        return False
    return not (answer["scope"] == "bus" and set(suspect.get("lanes") or []) != set(answer["lanes"]))


def right_kind(suspect: Json, row: Json) -> bool:
    """Whether the suspect's fault is one of the right names."""
    kinds = set(row.get("accept") or [row["fault"]])
    kinds |= {d["fault"] for d in row["distinguishable"] if matches(suspect, d)}
    return suspect.get("fault") in kinds


def ranked(result: Json) -> list[Json]:
    """Suspects, best first."""
    return sorted(result.get("suspects") or [], key=lambda s: s.get("rank", 99))


def marginals(result: Json) -> dict[str, float]:
    """How likely each part is bad: `parts`, or what the suspects add up to."""
    out: dict[str, float] = defaultdict(float)
    if result.get("parts") is not None:
        for part in result["parts"]:
            if part.get("component"):
                out[part["component"]] = max(out[part["component"]], float(part["bad"]))
        return dict(out)
    for suspect in ranked(result):
        if suspect.get("component"):
            out[suspect["component"]] = min(1.0, out[suspect["component"]] + float(suspect.get("probability", 0.0)))
    return dict(out)


def weight(result: Json, bad: dict[str, float], answers: list[Json]) -> float:
    """The probability given to any of these answers, each thing once."""
    total = 0.0
    for component in {a["component"] for a in answers if a["component"]}:
        total += bad.get(component, 0.0)
    nameless = [a for a in answers if a["component"] is None]
    for suspect in ranked(result):
        if suspect.get("component") is None and any(matches(suspect, a) for a in nameless):
            total += float(suspect.get("probability", 0.0))
    return min(1.0, total)


@dataclass
class Verdict:
    """How one case went."""

    kind: str
    label: str
    first: bool | None = None
    third: bool | None = None
    fault: bool | None = None
    shown: int = 0
    named: int = 0
    accused: int = 0
    innocent: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    squares: list[float] = field(default_factory=list)
    bins: list[tuple[float, int]] = field(default_factory=list)
    said: str = ""
    broken: bool = False
    count: int = 0
    intermittent: bool = False
    fails: int = 0
    what: str = ""

    @property
    def good(self) -> bool:
        """Nothing to look into."""
        return not (self.broken or self.innocent or self.missed or self.first is False)


def say(suspect: Json) -> str:
    """A suspect in a few words."""
    who = suspect.get("component") or suspect.get("region") or "-"
    more = ",".join((suspect.get("lanes") or []) + (suspect.get("address_lines") or []))
    return f"{who} {suspect.get('fault')}/{suspect.get('scope')} {more} {suspect.get('probability', 0):.2f}"


def judge(truth: Json, result: Json | None, label: str = "") -> Verdict:
    """One case."""
    kind = truth["kind"]
    verdict = Verdict(kind, label or f"{kind}-{truth.get('seed')}")
    if result is None or "suspects" not in result:
        verdict.broken = True
        verdict.said = "no result"
        return verdict
    suspects = ranked(result)
    verdict.said = "; ".join(say(s) for s in suspects[:4])
    bad = marginals(result)
    rows = truth["faults"]
    answers = [d for row in rows for d in row["distinguishable"]]
    shown = [row for row in rows if row["manifested"]]
    _accused(verdict, suspects, bad, answers)
    _marginals(verdict, truth, rows, bad)
    if kind.startswith("single"):
        if shown:
            row = rows[0]
            verdict.what = f"{row['fault']}/{row['scope']}"
            verdict.intermittent, verdict.fails = row["intermittent"], row["shows"]
            hits = [any(matches(s, d) for d in row["distinguishable"]) for s in suspects[:3]]
            verdict.first, verdict.third = bool(hits[:1] == [True]), any(hits)
            verdict.fault = bool(suspects) and right_kind(suspects[0], row)
        return verdict
    for part in truth["parts"]:
        if part["shows"] < SHOWN:
            continue
        verdict.shown += 1
        ways = [d for index in part["faults"] for d in rows[index]["distinguishable"]]
        if weight(result, bad, ways) >= 0.5:
            verdict.named += 1
        else:
            row = rows[part["faults"][0]]
            who = row["component"] or ",".join(row["regions"])
            verdict.missed.append(f"{who} {row['fault']}/{row['scope']} shows {part['shows']}")
    verdict.count = sum(1 for part in truth["parts"] if part["shows"] >= 1)
    return verdict


def _accused(verdict: Verdict, suspects: list[Json], bad: dict[str, float], answers: list[Json]) -> None:
    """Who is accused with 0.5 or more, and which of them are innocent."""
    true = {a["component"] for a in answers}
    for component, probability in sorted(bad.items()):
        if probability >= 0.5:
            verdict.accused += 1
            if component not in true:
                verdict.innocent.append(f"{component} {probability:.2f}")
    for suspect in suspects:
        if suspect.get("component") is None and float(suspect.get("probability", 0.0)) >= 0.5:
            verdict.accused += 1
            if not any(matches(suspect, a) for a in answers):
                verdict.innocent.append(say(suspect))


def _marginals(verdict: Verdict, truth: Json, rows: list[Json], bad: dict[str, float]) -> None:
    """Squared errors and calibration, over the parts whose state the capture can tell."""
    state = dict.fromkeys(truth.get("designators", []), 0)
    unsure: set[str] = set()
    for row in rows:
        ways = {d["component"] for d in row["distinguishable"]}
        if not row["manifested"] or len(ways) > 1:
            unsure |= {w for w in ways if w}
    for row in rows:
        if row["component"] in state:
            state[row["component"]] = 1
            if row["manifested"] and len({d["component"] for d in row["distinguishable"]}) == 1:
                unsure.discard(row["component"])
    for name, value in state.items():
        if name not in unsure:
            p = bad.get(name, 0.0)
            verdict.squares.append((p - value) ** 2)
            verdict.bins.append((p, value))


def score(pairs: Iterable[tuple[Case | Json, Json | None]]) -> list[Verdict]:
    """Every case. The first of a pair is a Case or its truth."""
    return [judge(a.truth if isinstance(a, Case) else a, b) for a, b in pairs]


def share(hits: int, of: int) -> str:
    """A share, with its count."""
    return f"{hits}/{of} ({100.0 * hits / of:.1f} %)" if of else "-"


def table(verdicts: list[Verdict]) -> str:
    """The figures as text."""
    out: list[str] = []
    healthy = [v for v in verdicts if v.kind == "healthy" and not v.broken]
    if healthy:
        out.append(f"healthy: accused falsely on {share(sum(bool(v.innocent) for v in healthy), len(healthy))}")
    for kind in ("single-hard", "single-intermittent"):
        some = [v for v in verdicts if v.kind == kind and v.first is not None]
        for label, mine in ((kind, some), (f"{kind}, 10 failures or more", [v for v in some if v.fails >= 10])):
            if mine:
                out.append(
                    f"{label}: first {share(sum(v.first is True for v in mine), len(mine))}, in three "
                    f"{share(sum(v.third is True for v in mine), len(mine))}, fault named right "
                    f"{share(sum(v.fault is True for v in mine), len(mine))}"
                )
        groups: dict[str, list[Verdict]] = defaultdict(list)
        for v in some:
            groups[v.what].append(v)
        for what, mine in sorted(groups.items()):
            out.append(f"    {what:28} first {share(sum(v.first is True for v in mine), len(mine))}")
    for kind in ("double", "many"):
        whole = [v for v in verdicts if v.kind == kind and not v.broken]
        out += [line for line in [_many(kind, whole)] if line]
        for low, high in BUCKETS:
            line = _many(f"    {kind} {low}-{min(high, 16)}", [v for v in whole if low <= v.count <= high])
            out += [line] if line and kind == "many" else []
    squares = [x for v in verdicts for x in v.squares]
    if squares:
        out.append(f"Brier score of the marginals: {statistics.fmean(squares):.4f} over {len(squares)} parts")
        bins = [b for v in verdicts for b in v.bins]
        for least, most in itertools.pairwise(EDGES):
            mine_bins = [(p, y) for p, y in bins if least <= p < most]
            if mine_bins:
                mean, rate = (statistics.fmean(x[i] for x in mine_bins) for i in (0, 1))
                said = f"    said {least:.2f}-{min(most, 1):.2f}"
                out.append(f"{said}: mean {mean:.3f}, bad {rate:.3f}, n {len(mine_bins)}")
    broken = sum(v.broken for v in verdicts)
    if broken:
        out.append(f"no usable result: {broken}")
    return "\n".join(out)


def _many(label: str, mine: list[Verdict]) -> str:
    if not mine:
        return ""
    shown, named = sum(v.shown for v in mine), sum(v.named for v in mine)
    accused, innocent = sum(v.accused for v in mine), sum(len(v.innocent) for v in mine)
    right = sum(not v.innocent and not v.missed for v in mine)
    return (
        f"{label}: parts named {share(named, shown)}, innocents among the named {share(innocent, accused)}, "
        f"cards all right {share(right, len(mine))}"
    )
