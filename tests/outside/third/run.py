"""Makes cases, asks the command about each as a person would, and counts.

python -m tests.outside.third.run --seed 1 --count 20 --kind all --out DIR --jobs 2
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from tests.outside.third.make import make
from tests.outside.third.score import Verdict, judge
from tests.outside.third.truth import from_plain

ROOT = Path(__file__).parents[3]
COMMAND = "import sys; from busledger.tui.start import main; sys.exit(main())"
KINDS = ("healthy", "unusual", "single", "double", "many")


def ask(folder: Path) -> tuple[dict[str, Any] | None, int, float]:
    """Runs ``check`` on a case's folder: its JSON (None if it gave none), exit status, seconds of processor time."""
    import resource

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, "check", str(folder / "capture.vcd"), "--board", str(folder / "board.toml"),
         "--json", "--no-progress"],
        capture_output=True, text=True, cwd=ROOT, env=_environment(), timeout=600,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    (folder / "answer.json").write_text(done.stdout)
    (folder / "answer.err").write_text(done.stderr)
    try:
        return json.loads(done.stdout), done.returncode, spent
    except json.JSONDecodeError:
        return None, done.returncode, spent


def _environment() -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": f"{ROOT / '.types'}"}


def one(job: tuple[int, int, str, str, str | None, str | None]) -> dict[str, Any]:
    """One case from drawing to verdict, as plain data."""
    seed, index, kind, out, bus, site = job
    start = time.process_time()
    folder = make(seed, index, kind, Path(out), bus, site).folder
    return again(folder, time.process_time() - start)


def again(folder: Path, made: float = 0.0) -> dict[str, Any]:
    """Asks about a case that lies in ``folder`` and judges the answer by the truth beside it."""
    truth = json.loads((folder / "truth.json").read_text())
    expected = [from_plain(e) for e in truth["expected"]]
    answer, code, seconds = ask(folder)
    v: Verdict = judge(answer, code, seconds, expected)
    if truth.get("odd", {}).get("kind") == "protected":  # a strap and an open write line are one net: nobody can tell
        v.innocents = [c for c in v.innocents if not (c.startswith("region ") and c.endswith(" write-lost"))]
    row = {
        "folder": str(folder), "kind": truth["kind"], "bus": truth["bus"], "code": code, "seconds": seconds,
        "made": made, "named": len(v.named), "missed": [expected[k].plain() for k in v.missed],
        "innocents": v.innocents, "first_right": v.first_right, "right": v.right, "brier": v.brier, "top": v.top,
        "failed": v.failed, "mismatches": v.mismatches, "wrong_reads": truth["wrong_reads"],
        "expected": truth["expected"], "notes": {k: w for k, w in truth.items() if k != "expected"},
    }  # fmt: skip
    (folder / "verdict.json").write_text(json.dumps(row, indent=1))
    return row


def accused(row: dict[str, Any]) -> bool:
    return bool(row["innocents"]) or (row["kind"] == "healthy" and row["code"] not in (0, 3))


def report(rows: list[dict[str, Any]]) -> str:
    """The figures by kind."""
    out = []
    for kind in dict.fromkeys(r["kind"] for r in rows):
        mine = [r for r in rows if r["kind"] == kind]
        brier = [b for r in mine for b in r["brier"]]
        line = f"{kind:8} {len(mine)} cards"
        if kind in ("healthy", "unusual"):
            line += f", accused {sum(accused(r) for r in mine)}, exit 1: {sum(r['code'] == 1 for r in mine)}"
            line += f", exit 3: {sum(r['code'] == 3 for r in mine)}"
        else:
            line += f", right first {sum(r['first_right'] for r in mine)}"
            named, missed = sum(r["named"] for r in mine), sum(len(r["missed"]) for r in mine)
            line += f", named {named} of {named + missed}, innocents {sum(len(r['innocents']) for r in mine)}"
            line += f", all right {sum(r['right'] for r in mine)}"
        line += f", Brier {np.mean(brier) if brier else 0:.4f}, slowest {max(r['seconds'] for r in mine):.1f} s"
        out.append(line + f", making {np.mean([r['made'] for r in mine]):.1f} s")
    return "\n".join(out)


def is_wrong(r: dict[str, Any]) -> bool:
    if r["failed"]:
        return True
    if r["kind"] in ("healthy", "unusual"):
        return accused(r)
    return not r["right"] or (r["kind"] == "single" and not r["first_right"])


def wrong_card(r: dict[str, Any]) -> str:
    n = r["notes"]
    odd = f"{n['odd']} {n['spoil']}" if n.get("odd") else ""
    lines = [
        f"{r['folder']} {r['bus']} {n['cycles']} cycles {n['style']} {n['rate_hz'] / 1e6:g} MHz, exit {r['code']},"
        f" wrong reads {r['wrong_reads']} (tool: {r['mismatches']}) {r['failed']} {odd}"
    ]
    for e in r["expected"]:
        f = {k: v for k, v in e["fault"].items() if v not in (-1, None, 0.0)}
        mark = "MISSED" if e in r["missed"] else "ok"
        lines.append(f"   truth {mark} shown {e['shown']} parts {e['parts']} nets {e['nets']} {e['regions']}: {f}")
    lines += [f"   innocents {r['innocents']}"] if r["innocents"] else []
    lines += [f"   answer {t}" for t in r["top"]]
    return "\n".join(lines)


def main() -> int:
    p = argparse.ArgumentParser()
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--count", type=int, default=5, help="cards of each kind")
    p.add_argument("--first", type=int, default=0)
    p.add_argument("--kind", default="all", choices=(*KINDS, "all"))
    p.add_argument("--bus", help="only this bus")
    p.add_argument("--site", help="only cards with a fault there: chip, region, decoder, address, data, bus")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--jobs", type=int, default=1)
    p.add_argument("--again", type=Path, nargs="*", help="folders of cases that were made before: only ask again")
    a = p.parse_args()
    kinds = KINDS if a.kind == "all" else (a.kind,)
    jobs = [(a.seed, k, kind, str(a.out), a.bus, a.site) for kind in kinds for k in range(a.first, a.first + a.count)]
    a.out.mkdir(parents=True, exist_ok=True)
    rows = []
    with ProcessPoolExecutor(a.jobs) as pool:
        for row in pool.map(again, a.again) if a.again else pool.map(one, jobs):
            rows.append(row)
            if is_wrong(row):
                print(wrong_card(row), flush=True)
    (a.out / "results.json").write_text(json.dumps(rows, indent=1))
    print(report(rows))
    (a.out / "report.txt").write_text(report(rows) + "\n\n" + "\n".join(wrong_card(r) for r in rows if is_wrong(r)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
