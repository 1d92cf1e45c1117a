"""Scores an answer of `check --json` against the truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

OUTSIDE = ("clip", "machine")
FEW = {False: 4, True: 10}  # wrong reads below which a hard or an intermittent fault is only faint


@dataclass
class Score:
    """What came of one case. `wrong` lists what is not as it should be."""

    first: bool = True
    named: bool = True
    kind_right: bool = True
    innocents: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    faint: bool = False
    wrong: list[str] = field(default_factory=list)


def fits(suspect: dict[str, Any], answer: dict[str, Any], nameless: bool) -> bool:
    """Does a suspect name the part of an answer? Without a board file: its lanes or address lines."""
    if suspect["scope"] in OUTSIDE or answer["scope"] in OUTSIDE:
        return bool(suspect["fault"] == answer["fault"])
    if nameless:
        if answer["address_lines"]:
            return suspect["fault"] == answer["fault"] and set(suspect["address_lines"]) <= set(answer["address_lines"])
        return bool(set(suspect["lanes"]) <= set(answer["lanes"]))
    if answer["component"] is not None:
        return bool(suspect["component"] == answer["component"])
    if suspect["component"] is not None or suspect["fault"] != answer["fault"]:
        return False
    return answer["scope"] == "board" or suspect["region"] in (None, *answer["regions"])


def _key(suspect: dict[str, Any]) -> str:
    where = (
        suspect["component"] or f"{suspect['region']} {','.join(suspect['lanes'])}{','.join(suspect['address_lines'])}"
    )
    return f"{where} {suspect['fault']} {suspect['probability']:.2f}"


def judge(truth: dict[str, Any], result: dict[str, Any] | None, status: int) -> Score:
    """Scores one answer; `result` is None where the command gave none."""
    score = Score()
    if result is None:
        score.wrong.append(f"no answer, status {status}")
        return score
    suspects = result["suspects"]
    nameless = truth["without_board"]
    parts = {p["component"]: p["bad"] for p in result.get("parts", []) if p["bad"] >= 0.5}
    accused = [s for s in suspects if s["scope"] not in OUTSIDE and s["probability"] >= 0.5]
    if truth["kind"] == "unusual":
        return _unusual(score, truth, suspects, accused, parts, status)
    answers = [a for f in truth["faults"] for a in f["distinguishable"] if truth["manifested"]]
    score.innocents = [name for name in parts if not any(a["component"] == name for a in answers)]
    score.innocents += [
        _key(s) for s in accused if s["component"] not in parts and not any(fits(s, a, nameless) for a in answers)
    ]
    if score.innocents:
        score.wrong.append("innocent: " + ", ".join(score.innocents))
    if not truth["manifested"]:
        return score
    for fault in truth["faults"]:
        least = FEW[fault["mode"] != "always"]
        mine = fault["distinguishable"]
        total = sum(s["probability"] for s in suspects if any(fits(s, a, nameless) for a in mine))
        ok = total >= 0.5 or any(a["component"] in parts for a in mine)
        if not ok and fault["hurts"] >= least:
            score.missing.append(f"{fault['component']} {fault['fault']} ({fault['hurts']})")
        score.faint = score.faint or fault["hurts"] < least
    first = suspects[0] if suspects else None
    score.first = first is not None and any(fits(first, a, nameless) for a in answers)
    score.kind_right = first is not None and any(
        first["fault"] == a["fault"] and fits(first, a, nameless) for a in answers
    )
    strong = any(f["hurts"] >= FEW[f["mode"] != "always"] for f in truth["faults"])
    score.named = not score.missing
    if score.missing:
        score.wrong.append("not named: " + ", ".join(score.missing))
    if not score.first and strong:
        score.wrong.append("first is " + (_key(first) if first else "nothing"))
    return score


def _unusual(
    score: Score, truth: dict[str, Any], suspects: list[Any], accused: list[Any], parts: dict[str, float], status: int
) -> Score:
    right = truth["rivals"]
    if right == ["nibble"]:  # nothing drives D4-D7: that is what a careful person would say, too
        bad = [
            s for s in accused if not set(s["lanes"]) <= {"D4", "D5", "D6", "D7"} or s["fault"].startswith("address")
        ]
        score.innocents = [_key(s) for s in bad]
    elif "address-stuck" in right or "write-lost" in right:  # truly alike
        score.innocents = [_key(s) for s in accused if s["fault"] not in right]
    else:
        score.innocents = list(parts) + [_key(s) for s in accused if s["component"] not in parts]
    first = suspects[0] if suspects else None
    quiet = status == 3 or (first is None or (first["scope"] not in OUTSIDE and first["probability"] < 0.5))
    score.first = bool(first and first["fault"] in right) or status == 3
    if "" in right or right == ["nibble"] or (not truth["manifested"] and quiet):
        score.first = True
    if score.innocents:
        score.wrong.append("accused: " + ", ".join(score.innocents))
    if not score.first:
        score.wrong.append("first is " + (_key(first) if first else "nothing") + f", should be {' or '.join(right)}")
    return score
