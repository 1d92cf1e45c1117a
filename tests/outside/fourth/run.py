"""Draws cases, runs `busledger check` on each, and scores: `python -m tests.outside.fourth.run --kind many --out DIR`.

Folders of cases that go right are removed again; those that go wrong keep the answer beside the truth.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.outside.fourth.judge import Score, judge
from tests.outside.fourth.kinds import KINDS, draw_case

COMMAND = [sys.executable, "-c", "import sys; from busledger.tui.start import main; sys.exit(main())"]


def ask(folder: Path, profile: str, *, nameless: bool) -> tuple[int, str, str]:
    """Runs the command on a folder: (exit status, standard output, standard error)."""
    how = ["--profile", profile] if nameless else ["--board", str(folder / "board.toml")]
    done = subprocess.run(
        [*COMMAND, "check", str(folder / "capture.vcd"), *how, "--json", "--no-progress"],
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def one(kind: str, seed: int, out: Path, keep: bool) -> tuple[Score, str]:
    """One case: drawn, asked, scored; gives the score and a line to print."""
    folder = out / f"{kind}-{seed:04d}"
    case = draw_case(kind, seed)
    case.write(folder)
    truth = case.truth()
    status, answer, error = ask(folder, case.board.bus, nameless=case.board.without_board)
    result = json.loads(answer) if answer.strip().startswith("{") else None
    score = judge(truth, result, status)
    counts = ""
    if result is not None:
        names = {row.name for row in case.board.rows}
        mine = [r for r in result["regions"] if r["name"] in names]
        seen = sum(r["reads_compared"] for r in mine), sum(r["mismatches"] for r in mine)
        counts = f" compared {seen[0]}/{truth['reads_compared']} wrong {seen[1]}/{truth['mismatch_total']}"
    line = f"{folder.name} {case.board.bus} status {status}{counts}"
    line += f" {case.note}" if case.note else ""
    line += "".join(
        f" [{f.component or f.rows} {f.kind} {f.scope} {f.mode} {h}]"
        for f, h in zip(case.faults, case.hurts or [0] * 9, strict=False)
    )
    (folder / "answer.json").write_text(answer or "null")
    (folder / "error.txt").write_text(error)
    if score.wrong:
        line = "WRONG " + line + " :: " + "; ".join(score.wrong)
        (folder / "verdict.txt").write_text(line + "\n")
    elif not keep:
        shutil.rmtree(folder)
    return score, line


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--kind", choices=(*KINDS, "all"), default="all")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", action="store_true", help="keep the folders of right answers too")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for kind in KINDS if args.kind == "all" else (args.kind,):
        scores: list[Score] = []
        with ThreadPoolExecutor(args.jobs) as pool:
            jobs = [
                pool.submit(one, kind, seed, args.out, args.keep) for seed in range(args.seed, args.seed + args.count)
            ]
            for job in jobs:
                score, line = job.result()
                scores.append(score)
                print(line, flush=True)
        n = len(scores)
        print(
            f"== {kind}: {n} cases; right in all {sum(not s.wrong for s in scores)};"
            f" first {sum(s.first for s in scores)};"
            f" named {sum(s.named for s in scores)}; fault named right {sum(s.kind_right for s in scores)};"
            f" innocents {sum(len(s.innocents) for s in scores)}; faint {sum(s.faint for s in scores)}",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
