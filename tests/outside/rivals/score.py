"""Judging answers: from a truth, a result, an exit status and the first line, to right or wrong and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

RIVAL_SCOPES = ("clip", "machine")
SURE = 0.5


@dataclass
class Verdict:
    """What an answer of `check` was worth."""

    kind: str
    variant: str
    seed: int
    accused: bool
    """An innocent card was accused with 0.5 or more."""
    exit_ok: bool
    first_ok: bool | None
    """The first answer is one of those allowed; None: this case does not ask."""
    judged: bool | None
    """A healthy card's reads were compared; None: this case does not ask."""
    broken: bool
    said: str
    """In a line, what was said."""
    exit_status: int | None = None
    why: list[str] = field(default_factory=list)

    @property
    def right(self) -> bool:
        """Nothing is wrong with the answer."""
        return not self.why


def suspects(result: dict[str, Any]) -> list[dict[str, Any]]:
    """The suspects in the order of their rank."""
    return sorted(result.get("suspects") or [], key=lambda s: (s.get("rank") or 0, -(s.get("probability") or 0)))


def accusations(result: dict[str, Any]) -> list[str]:
    """Everything on the card that is called bad with 0.5 or more."""
    named = [
        f"{s.get('fault')}/{s.get('scope')} {s.get('component') or s.get('region')} {s.get('probability'):.2f}"
        for s in suspects(result)
        if s.get("scope") not in RIVAL_SCOPES and (s.get("probability") or 0) >= SURE
    ]
    parts = [
        f"part {p.get('component')} {p.get('bad'):.2f}"
        for p in result.get("parts") or []
        if (p.get("bad") or 0) >= SURE
    ]
    return named + parts


def matches(pair: tuple[str, str], accept: Iterable[Iterable[str]]) -> bool:
    """Whether a (fault, scope) is one of the accepted; `*` stands for any fault."""
    return any(scope == pair[1] and fault in ("*", pair[0]) for fault, scope in accept)


def judge(truth: dict[str, Any], result: dict[str, Any] | None, status: int | None, line: str = "") -> Verdict:
    """Score one answer of `check --json`."""
    ranked = suspects(result or {})
    first = ranked[0] if ranked else None
    pair = (str(first.get("fault")), str(first.get("scope"))) if first else ("none", "none")
    said = f"exit {status}; " + (
        f"{pair[0]}/{pair[1]} {first.get('component') or first.get('region') or ''} {first.get('probability') or 0:.2f}"
        if first else "no suspect"
    )  # fmt: skip
    wrong = int((result or {}).get("mismatch_total") or 0)
    compared = sum(int(r.get("reads_compared") or 0) for r in (result or {}).get("regions") or [])
    said += f"; {wrong} of {compared} wrong" + (f" | {line}" if line else "")
    refused = status == 2 and 2 in truth["expected_exit"]
    verdict = Verdict(
        truth["kind"], truth.get("variant", ""), truth["seed"], False, status in truth["expected_exit"], None, None,
        result is None and not refused, said, status,
    )  # fmt: skip
    if verdict.broken:
        verdict.why.append("no result")
        return verdict
    if refused:
        return verdict
    named = accusations(result or {})
    if truth["innocent"] and named:
        verdict.accused = True
        verdict.why.append("accused: " + ", ".join(named[:3]))
    if truth["innocent"] and status == 1:
        verdict.why.append("exit 1 on an innocent card")
    elif not verdict.exit_ok:
        verdict.why.append(f"exit {status}, expected {truth['expected_exit']}")
    asks = truth["expect"]
    if asks in ("rival", "fault") or (asks == "rival-if-mismatch" and wrong):
        verdict.first_ok = first is not None and matches(pair, truth["accept_first"])
        if asks == "fault" and verdict.first_ok:
            verdict.first_ok = (first or {}).get("probability", 0) >= SURE or _tied(ranked, truth)
        if not verdict.first_ok:
            verdict.why.append(f"first is {pair[0]}/{pair[1]}")
    if truth.get("must_judge"):
        verdict.judged = compared > 0
        if not verdict.judged:
            verdict.why.append("nothing was compared")
    return verdict


def _tied(ranked: list[dict[str, Any]], truth: dict[str, Any]) -> bool:
    """Whether accepted answers together hold half of the probability."""
    total = sum(
        s.get("probability") or 0
        for s in ranked
        if matches((str(s.get("fault")), str(s.get("scope"))), truth["accept_first"])
    )
    return total >= SURE


def judge_command(truth: dict[str, Any], command: str, status: int | None) -> str:
    """`ok`, `false` (an innocent card got a fault), `missed` (probes did not see a bad clip) or `broken`."""
    if status is None or status == 2:
        return "ok" if status == 2 and 2 in truth["expected_exit"] else "broken"
    clip = truth["innocent"] and truth["rival"] in ("clip-off", "clip-noisy")
    if command == "probes":
        if clip:
            # a clip off must be found; a few pulses or rings need not
            return "missed" if status == 0 and truth["expect"] == "rival" else "ok"
        if "dropout" in truth["kind"]:
            return "ok"  # missing samples are a finding about the capture
        if truth["rival"] in ("clips-exchanged", "too-slow", "wrong-profile"):
            return "ok"
        return "false" if status == 1 and truth["innocent"] else "ok"
    if status == 1 and truth["innocent"]:
        return "false"
    return "ok"


def table(verdicts: list[Verdict], commands: dict[str, list[tuple[str, str]]], split: bool = False) -> str:
    """The figures by kind; `commands`: command to (kind, outcome)."""
    names = sorted(commands)
    head = f"{'kind':<34}{'n':>5}{'accused':>9}{'first ok':>10}{'exit ok':>9}{'judged':>8}{'broken':>8}{'right':>7}"
    head += "".join(f"{name:>12}" for name in names)
    groups: dict[str, list[Verdict]] = {}
    for v in verdicts:
        groups.setdefault(f"{v.kind} {v.variant}".strip() if split else v.kind, []).append(v)
    rows = [head]
    for key in [*groups, "ALL"]:
        some = groups.get(key, verdicts)
        asked = [v.first_ok for v in some if v.first_ok is not None]
        looked = [v.judged for v in some if v.judged is not None]
        cells = [
            (len(some), 5),
            (sum(v.accused for v in some), 9),
            (f"{sum(asked)}/{len(asked)}" if asked else "-", 10),
            (sum(v.exit_ok for v in some), 9),
            (f"{sum(looked)}/{len(looked)}" if looked else "-", 8),
            (sum(v.broken for v in some), 8),
            (sum(v.right for v in some), 7),
        ]
        row = f"{key:<34}" + "".join(f"{text:>{width}}" for text, width in cells)
        for name in names:
            mine = [o for k, o in commands[name] if key in (k, "ALL")]
            bad = [o for o in mine if o != "ok"]
            cell = f"{len(bad)}/{len(mine)}" if mine else "-"
            row += f"{cell:>12}"
        rows.append(row)
    return "\n".join(rows)
