"""Write cases, have them checked, and say how each went and how all did."""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from . import judge
from .case import make, write
from .unusual import make_unusual

KINDS = ("healthy", "unusual", "single", "double", "many")


def one(kind: str, seed: int, out: Path) -> tuple[str, dict[str, Any], dict[str, Any]]:
    """Make one case and have it checked; give its report."""
    case = make_unusual(seed) if kind == "unusual" else make(kind, seed)
    folder = out / f"{kind}_{seed}"
    write(case, folder)
    facts = json.loads((folder / "truth.json").read_text())
    status, answer, said = judge.check(folder)
    verdict = judge.judge(facts, status, answer)
    text = [f"== {folder.name} {facts['cpu']} {facts.get('odd', '')} compared {facts['compared']}"]
    text[0] += f" mm {facts['mismatch_total']} tool mm {answer.get('mismatch_total')} exit {status}"
    text[0] += "" if verdict["exit_right"] else " WRONG EXIT"
    text += [f"   truth {judge.truth_line(f)}" for f in facts["faults"]]
    text += [f"   said  {judge.line(s)}" for s in answer.get("suspects", [])[:5]]
    text += [f"   MISSED {f['fault']} {f['component'] or f['region']} ({f['shows']})" for f in verdict["missed"]]
    text += [f"   INNOCENT {name} {p:.2f}" for name, p in verdict["innocent"].items()]
    if verdict.get("rival_instead"):
        text.append(f"   RIVAL {verdict['rival_instead']} on a card with faults")
    if facts.get("innocent") and not verdict["rival_right"]:
        text.append(f"   RIVAL named {verdict['rival_named']}, accepted {facts['rivals']}")
    if not answer:
        text.append("   NO RESULT " + said.strip()[-300:])
    return "\n".join(text), facts, verdict


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.count)
    total: dict[str, int] = {}
    with ThreadPoolExecutor(options.jobs) as pool:
        for text, facts, verdict in pool.map(lambda s: one(options.kind, s, options.out), seeds):
            print(text, flush=True)
            shown = [f for f in facts["faults"] if f["shows"] >= 4]
            for key, value in {
                "cases": 1, "faults shown": len(shown), "missed": len(verdict["missed"]),
                "first right": verdict["first"],
                "innocents": len(verdict["innocent"]), "cards accused wrongly": bool(verdict["innocent"]),
                "wrong exits": not verdict["exit_right"], "rivals on faulty cards": bool(verdict.get("rival_instead")),
                "wrong rivals": not verdict.get("rival_right", True),
                "all right": not verdict["missed"] and not verdict["innocent"] and verdict["exit_right"],
            }.items():  # fmt: skip
                total[key] = total.get(key, 0) + int(value)
    print("TOTAL", ", ".join(f"{k} {v}" for k, v in total.items()))


if __name__ == "__main__":
    main()
