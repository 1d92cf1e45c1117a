"""Make cases by physics, have each checked, and say how it went."""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path
from typing import Any

from . import judge
from .case import Case, draw, write
from .unusual import draw_unusual

KINDS = ("pins", "pairs", "bridges", "healthy", "unusual")


def report(folder: Path, truth: dict[str, Any]) -> tuple[str, dict[str, Any]]:
    """Have a folder checked and say how it went."""
    status, answer, said = judge.check(folder)
    verdict = judge.judge(truth, status, answer)
    (folder / "verdict.json").write_text(json.dumps(verdict, indent=1))
    text = [
        f"== {folder.name} {verdict['verdict'].upper()} {truth['cpu']} {truth['style']}, {truth['when']} "
        f"{truth['odd']} compared {truth['compared']} mm {truth['mismatches']} tool {answer.get('mismatch_total')} "
        f"exit {status}"
    ]
    text += [f"   truth {f['text']} on {f['nets']} alone {f['alone']}" for f in truth["faults"]]
    if truth["tied_parts"]:
        text.append(f"   tied  {truth['tied_parts']} {truth['ties'][:4]}")
    text += [f"   said  {judge.line(s)}" for s in answer.get("suspects", [])[:4]]
    text += [f"   next  {n['text'][:150]}" for n in answer.get("next_steps", [])[:1]]
    text += [f"   INNOCENT {name} {p:.2f}" for name, p in verdict["innocent"].items()]
    text += [f"   MISSED {name}" for name in verdict["missed"]]
    if not answer:
        text.append("   NO RESULT " + said.strip()[-300:])
    return "\n".join(text), verdict


def one(kind: str, seed: int, out: Path) -> tuple[str, dict[str, Any], dict[str, Any]]:
    """Make one case and have it checked."""
    case: Case = draw_unusual(seed) if kind == "unusual" else draw(kind, seed)
    folder = out / f"{kind}_{seed}"
    truth = write(case, folder)
    text, verdict = report(folder, truth)
    return text, truth, verdict


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1, help="kept for likeness; cases run one by one")
    options = parser.parse_args()
    counts: dict[str, Counter[str]] = {}
    for seed in range(options.seed, options.seed + options.count):
        text, truth, verdict = one(options.kind, seed, options.out)
        print(text, flush=True)
        label = truth["odd"] or (truth["faults"][0]["class"] if truth["faults"] else "healthy")
        counts.setdefault(label, Counter())[verdict["verdict"]] += 1
    for label, counter in sorted(counts.items()):
        print(f"COUNT {label}: " + ", ".join(f"{k} {v}" for k, v in counter.most_common()))
    total = sum(counts.values(), Counter())
    print("TOTAL", dict(total))


if __name__ == "__main__":
    main()
