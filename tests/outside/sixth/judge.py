"""What the program under test said, against the truth."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

Json = dict[str, Any]
START = "import sys; from busledger.tui.start import main; sys.argv[0] = 'busledger'; sys.exit(main())"
COMMAND = [sys.executable, "-c", START]
OFF_CARD = ("clip", "machine")


def check(folder: Path) -> tuple[int, Json, str]:
    """Run the check on a case; give exit status, result and what it said on standard error."""
    ran = subprocess.run(
        [*COMMAND, "check", str(folder / "capture.vcd"), "--board", str(folder / "board.toml"), "--json"],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    (folder / "answer.json").write_text(ran.stdout)
    try:
        return ran.returncode, json.loads(ran.stdout), ran.stderr
    except json.JSONDecodeError:
        return ran.returncode, {}, ran.stderr


def same(suspect: Json, fault: Json) -> bool:
    """Say whether a suspect is this fault: the part where it has a name, else the place."""
    if suspect["scope"] in OFF_CARD:
        return False
    if fault["component"] is not None and suspect["component"] is not None:
        return bool(suspect["component"] == fault["component"])
    if suspect["scope"] != fault["scope"]:
        return False
    if suspect["scope"] == "region":
        return bool(suspect["region"] == fault["region"])
    return bool(suspect["fault"].split("-")[0] == fault["fault"].split("-")[0])


def accepted(fault: Json) -> list[Json]:
    """List the answers that are right for a fault."""
    return [fault, *fault["distinguishable"]]


def judge(facts: Json, status: int, answer: Json) -> Json:
    """Compare an answer with the truth: what is missed, who is accused though innocent, is the exit status right."""
    suspects = answer.get("suspects", [])
    right = [f for fault in facts["faults"] for f in accepted(fault)]
    names = {f["component"] for f in right if f["component"]}
    missed = []
    for fault in facts["faults"]:
        total = sum(s["probability"] for s in suspects if any(same(s, f) for f in accepted(fault)))
        if fault["shows"] >= 4 and total < 0.5:
            missed.append(fault)
    bad = {p["component"]: p["bad"] for p in answer.get("parts", []) if p["bad"] >= 0.5}
    innocent = {name: p for name, p in bad.items() if name not in names}
    limit = 0.7 if facts.get("tie") else 0.5  # a part and a rival that read alike may both stand in the first lines
    innocent = {name: p for name, p in innocent.items() if p >= limit}
    for s in suspects:
        if s["probability"] >= limit and s["scope"] not in OFF_CARD and not any(same(s, f) for f in right):
            innocent.setdefault(s["component"] or f"{s['scope']}:{s['fault']}:{s['region']}", s["probability"])
    result = {"missed": missed, "innocent": innocent, "exit": status, "exit_right": status in facts["expected_exit"]}
    first = suspects[0] if suspects else None
    result["first"] = bool(first and any(same(first, f) for f in right))
    named = [s["fault"] for s in suspects if s["scope"] in OFF_CARD and s["probability"] >= 0.5]
    if facts.get("innocent"):
        want = facts["rivals"]
        silent = not named and (not want or facts.get("may_be_silent") or facts["mismatch_total"] < 4)
        tied = [s["fault"] for s in suspects if s["scope"] in OFF_CARD and s["probability"] >= 0.3]
        silent = silent or (bool(facts.get("tie")) and any(n in want for n in tied))
        result["rival_right"] = bool(silent) or any(n in want for n in named)
        result["rival_named"] = named
    elif named:
        result["rival_instead"] = named
    return result


def line(s: Json) -> str:
    """Write a suspect in one line."""
    where = ",".join([*s["lanes"], *s["address_lines"]])
    place = f"{s['component'] or '-'} {s['region'] or ''}"
    return f"p{s.get('place', '?')} {s['probability']:.2f} {s['fault']}/{s['scope']} {place} {where}"


def truth_line(f: Json) -> str:
    """Write a fault of the truth in one line."""
    where = ",".join([*f["lanes"], *f["address_lines"]])
    also = sorted({f"{d['fault']}/{d['scope']} {d['component'] or ''}".strip() for d in f["distinguishable"]})
    text = f"{f['fault']}/{f['scope']} {f['component'] or '-'} {f['region'] or ''} {where} {f['how']}"
    text += f" shows {f['shows']}"
    return text + (f" [also {'; '.join(also[:8])}]" if also else "")
