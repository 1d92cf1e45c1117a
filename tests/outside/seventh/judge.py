"""Have a case checked as a user would, and hold the answer against the truth."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

START = "import sys; sys.argv[0]='busledger'; from busledger.tui.start import main; sys.exit(main())"
HELD = 0.5


def check(folder: Path, *more: str) -> tuple[int, dict[str, Any], str]:
    """Run ``check``; give its exit status, its result and its first complaint. A forked child keeps imports warm."""
    argv = ["check", "--board", str(folder / "board.toml"), "--json", str(folder / "capture.vcd"), *more]
    if os.environ.get("COLD"):
        ran = subprocess.run([sys.executable, "-c", START, *argv], capture_output=True, text=True, check=False)
        (folder / "result.json").write_text(ran.stdout)
        (folder / "said.txt").write_text(ran.stderr)
        status = ran.returncode
    else:
        status = _forked(folder, argv)
    text, said = (folder / "result.json").read_text(), (folder / "said.txt").read_text()
    try:
        answer = json.loads(text)
    except json.JSONDecodeError:
        answer = {}
    return status, answer, said


def _forked(folder: Path, argv: list[str]) -> int:
    from busledger.tui.start import main  # type: ignore[import-untyped, unused-ignore]

    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        status = 99
        try:
            for fd, name in ((1, "result.json"), (2, "said.txt")):
                os.dup2(os.open(folder / name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644), fd)
            sys.argv = ["busledger", *argv]
            try:
                status = int(main() or 0)
            except SystemExit as end:
                status = end.code if isinstance(end.code, int) else 1 if end.code else 0
            sys.stdout.flush()
        finally:
            os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def lines_of(nets: list[str], board: list[str]) -> set[str]:
    """Give the lines of the bus (A3, D5) and regions that nets stand for."""
    found = set()
    for net in nets:
        plain = net.removeprefix("B_")
        plain = "D" + plain[2:] if plain[:2] in ("MD", "MI", "MO") else plain
        found.add(plain)
        if net.startswith("CS") and net[2:].isdigit():
            found |= {name for name in board if name[3:] == net[2:]}
    return found


def accepted(truth: dict[str, Any], suspect: dict[str, Any], regions: list[str]) -> bool:
    """Tell whether a suspect is the true part, one tied with it, or the net without a part's name."""
    parts = set(truth["mends"]) | set(truth["tied_parts"])
    if suspect.get("component"):
        return suspect["component"] in parts
    nets = [n for f in truth["faults"] for n in f["nets"]] + truth["tied_nets"]
    good = lines_of(nets, regions) | set(truth.get("whole", []))
    named = set(suspect.get("lanes") or []) | set(suspect.get("address_lines") or [])
    if named & good or suspect.get("region") in good:
        return True
    return not named and bool(good & {"RW", "WR", "MWR", "MEMW", "CARD", "VCC", "GND"})


def judge(truth: dict[str, Any], status: int, answer: dict[str, Any]) -> dict[str, Any]:
    """Say how an answer fares.

    Right; split (right first, but below the bar); scattered (one fault told as several); wrong; rival; silent.
    """
    suspects = answer.get("suspects", [])
    regions = [r["name"] for r in answer.get("regions", [])]
    innocent: dict[str, float] = {}
    rival: dict[str, float] = {}
    good: dict[str, float] = {}
    shares = 0.0
    for s in suspects:
        p = float(s["probability"])
        name = f"{s.get('component') or s.get('region')}:{s['fault']}"
        if s["scope"] in ("clip", "machine"):
            if p >= HELD:
                rival[name] = p
        elif accepted(truth, s, regions):
            shares += p
            good[name] = max(p, good.get(name, 0.0))
        elif p >= HELD:
            innocent[name] = p
    parts = set(truth["mends"]) | set(truth["tied_parts"])
    for part in answer.get("parts", []):
        if part["bad"] >= HELD and part["component"] not in parts:
            innocent.setdefault(f"{part['component']}:{part.get('fault')}", part["bad"])
    first = bool(suspects) and suspects[0]["scope"] not in ("clip", "machine") and accepted(truth, suspects[0], regions)
    if not truth["faults"]:
        verdict = "wrong" if innocent else "rival" if rival else "accused" if status not in (0, 3) else "right"
        if truth.get("odd"):
            verdict = "wrong" if innocent else "right" if rival or status in (0, 3) else "silent"
    elif innocent:
        verdict = "wrong"
    elif not rival and len({x.get("place") for x in suspects if x["probability"] >= HELD}) > len(truth["faults"]):
        verdict = "scattered"
    elif first and max(good.values(), default=0.0) >= HELD:
        verdict = "right"
    elif first and shares >= HELD:
        verdict = "split"
    elif rival:
        verdict = "rival"
    else:
        verdict = "silent"
    missed = []
    for f in truth["faults"] if len(truth["faults"]) > 1 else []:
        one = {**truth, "faults": [f], "mends": [f["chip"]]}
        if not any(accepted(one, s, regions) and s["probability"] >= HELD for s in suspects):
            missed.append(f["text"])
    return {"verdict": verdict, "innocent": innocent, "rival": rival, "good": good, "status": status, "missed": missed}


def line(s: dict[str, Any]) -> str:
    """Say a suspect in one line."""
    where = " ".join([*(s.get("lanes") or []), *(s.get("address_lines") or [])])
    return (
        f"{s['probability']:.2f} {s['scope']} {s.get('component')} {s['fault']} {s.get('region') or ''} {where} "
        f"explains {s.get('explains')} place {s.get('place')}"
    )
