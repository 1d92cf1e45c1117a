"""Runs the check on a case and holds its answer against the truth."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

COMMAND = "import sys; sys.argv[0] = 'busledger'; from busledger.tui.start import main; sys.exit(main())"


@dataclass
class Verdict:
    """How one case went."""

    name: str
    kind: str
    word: str
    status: int
    first: list[str] = field(default_factory=list)
    truth: str = ""
    accused: bool = False  # a part of a sound machine, or clip or machine where parts are bad
    rival_first: bool | None = None
    first_right: bool = False
    fault_right: bool = False
    named: int = 0
    to_name: int = 0
    innocents: list[str] = field(default_factory=list)
    convicted: int = 0


def check(folder: Path) -> tuple[int, dict[str, Any], str]:
    """Exit status and result of `check --json`."""
    told = json.loads((folder / "truth.json").read_text())
    where = ["--board", str(folder / "board.toml")] if told["board"] else ["--profile", told["profile"]]
    done = subprocess.run([sys.executable, "-c", COMMAND, "check", str(folder / "capture.vcd"), *where,
                           *told.get("options", []), "--json"], capture_output=True, text=True, env=os.environ,
                          check=False)
    try:
        result = json.loads(done.stdout) if done.stdout.strip() else {}
    except json.JSONDecodeError:
        result = {}
    (folder / "result.json").write_text(done.stdout)
    return done.returncode, result, done.stderr.strip()[:300]


def says(one: dict[str, Any]) -> str:
    """A suspect in a few words."""
    return (f"{one.get('fault')} {one.get('scope')} {one.get('component') or one.get('region')} "
            f"{'/'.join(one.get('lanes') or [])} {one.get('probability', 0):.2f}")


def parts_of(told: dict[str, Any]) -> set[str]:
    """Every part that is really bad, or an answer that reads alike."""
    out: set[str] = set()
    for fault in told["faults"] + told.get("hidden", []):
        for one in [fault, *fault.get("also", [])]:
            out.add(one["component"] or f"region:{one['regions'][0]}")
    return out


def key(one: dict[str, Any]) -> str:
    """A suspect's part."""
    return one.get("component") or f"region:{one.get('region')}"


def judge(folder: Path) -> Verdict:
    """One case."""
    told = json.loads((folder / "truth.json").read_text())
    status, result, error = check(folder)
    suspects = result.get("suspects", [])
    out = Verdict(folder.name, told["kind"], "OK", status, [says(one) for one in suspects[:3]], told["what"])
    if not result:
        out.word, out.first = "CRASH" if status not in (2, 3) else f"REFUSED {status}", [error]
        if told["healthy"]:
            out.rival_first = told["rival"] == [] or "refused" in told["rival"]
            if out.rival_first and told["rival"]:
                out.word = "OK"
        return out
    parts = [one for one in result.get("parts", []) if one.get("bad", 0) >= 0.5]
    strong = [one for one in suspects if one.get("probability", 0) >= 0.5]
    if told["healthy"]:
        tolerated = set(told.get("tolerated", []))
        guilty = [one for one in strong if one.get("scope") not in ("clip", "machine")
                  and not (one.get("component") is None and one.get("fault") in tolerated)]
        out.accused = bool(guilty or parts)
        if told["rival"]:
            first = suspects[0].get("fault") if suspects else ("nothing" if status == 0 else "refused")
            tied = bool(suspects) and suspects[0].get("component") is None and first in tolerated
            out.rival_first = first in told["rival"] or tied
            out.word = "OK" if out.rival_first else "NOT FIRST"
        elif strong:
            out.word = "FALSE RIVAL"
        if out.accused:
            out.word = "ACCUSED"
            out.first += [f"part {one['component']} {one['bad']:.2f}" for one in parts]
        return out
    right = parts_of(told)
    if told["kind"].startswith("single"):
        fault = told["faults"][0]
        answers = [fault, *fault.get("also", [])]
        out.first_right = bool(suspects) and key(suspects[0]) in right
        out.fault_right = out.first_right and any(
            key(suspects[0]) == (a["component"] or f"region:{a['regions'][0]}") and suspects[0]["fault"] == a["fault"]
            for a in answers)
        if not out.first_right:
            out.word = "NOT FIRST" if any(key(one) in right for one in suspects) else "MISSED"
    convicted = {one["component"] for one in parts} | {
        key(one) for one in strong if one.get("scope") not in ("clip", "machine")}
    out.innocents = sorted(convicted - right)
    out.convicted = len(convicted)
    for fault in told["faults"]:
        if fault["shows"] < 4:
            continue
        out.to_name += 1
        names = {one["component"] or f"region:{one['regions'][0]}" for one in [fault, *fault.get("also", [])]}
        places: dict[int, float] = {}
        for one in suspects:
            if key(one) in names:
                places[one.get("place", 0)] = places.get(one.get("place", 0), 0.0) + one.get("probability", 0)
        out.named += bool(names & convicted) or max(places.values(), default=0.0) >= 0.5
    if not told["kind"].startswith("single"):
        out.word = "MISSED" if out.named < out.to_name else "OK"
    false = [one for one in strong if one.get("scope") in ("clip", "machine")]
    if false:
        out.accused = True
        out.first += [says(one) for one in false]
    if out.innocents:
        out.word = "INNOCENT" if out.word == "OK" else f"{out.word} INNOCENT"
    if false:
        out.word += " FALSE RIVAL"
    return out
