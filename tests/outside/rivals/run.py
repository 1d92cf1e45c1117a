"""Make cases, ask the program about each, and print how it did.

python -m tests.outside.rivals.run --seed 7000 --count 5 --kinds all --out DIR --jobs 2 --commands check,timing
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import json
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from .cases import KINDS, make, write
from .score import Verdict, judge, judge_command, table

LIMIT_S = 120
"""Processor seconds that one call may take."""


class TooLong(BaseException):
    """The program did not come back in time. (No Exception: the program shall not catch it.)"""


@contextlib.contextmanager
def _alarm(seconds: int) -> Iterator[None]:
    def ring(_signal: int, _frame: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def call(target: str, words: list[str]) -> tuple[int | None, str, str]:
    """Run the program in this process: exit status, standard output, standard error."""
    module, _, name = target.partition(":")
    main: Callable[[], Any] = getattr(importlib.import_module(module), name)
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)
    err = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True)
    before = sys.argv
    status: int | None
    sys.argv = ["busledger", *words]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), _alarm(LIMIT_S):
            try:
                answer = main()
                status = int(answer or 0)
            except SystemExit as stop:
                status = stop.code if isinstance(stop.code, int) else 0 if stop.code is None else 2
    except TooLong:
        status = None
        err.write(f"no answer in {LIMIT_S} s\n")
    except Exception:
        status = None
        err.write(traceback.format_exc(limit=-4))
    finally:
        sys.argv = before
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8", "replace"))  # type: ignore[attr-defined]
    return status, texts[0], texts[1]


def _words(folder: Path, truth: dict[str, Any], command: str, grade: bool) -> list[str] | None:
    """The command line of one command for one case; None: it does not apply."""
    capture, board = str(folder / "capture.vcd"), folder / "board.toml"
    known = ["--board", str(board)] if board.exists() else ["--profile", str(truth["profile"])]
    table_name = {"selects": "[[decoder]]", "buffers": "[[buffer]]"}.get(command)
    if table_name and not (board.exists() and table_name in board.read_text(encoding="utf-8")):
        return None
    if command == "timing" and grade:
        known += ["--grade", str(truth["machine"]["grade"])]
    return [command, capture, *known]


def one(seed: int, kind: str, out: str, target: str, commands: list[str], text: bool, grade: bool) -> dict[str, Any]:
    """Make a case and ask; everything that the parent needs, as plain values."""
    began = time.perf_counter()
    case = make(seed, kind)
    folder = write(case, Path(out) / f"{kind}-{seed}")
    record: dict[str, Any] = {"kind": kind, "seed": seed, "folder": str(folder), "made_s": time.perf_counter() - began}
    record["truth"] = case.truth
    answers: dict[str, Any] = {}
    for command in commands:
        words = _words(folder, case.truth, command, grade)
        if words is None:
            continue
        start = time.process_time()
        status, shown, complaint = call(target, [*words, "--json", "--no-progress"])
        spent = time.process_time() - start
        try:
            result = json.loads(shown) if shown.strip() else None
        except json.JSONDecodeError:
            result = None
        line = ""
        if command == "check" and text:
            _, plain, _ = call(target, [*words, "--no-progress"])
            line = next((row for row in plain.splitlines() if row.strip()), "")
        answers[command] = {
            "status": status, "result": result, "line": line, "error": complaint[-1500:],
            "seconds": spent,
        }  # fmt: skip
        (folder / f"{command}.json").write_text(shown, encoding="utf-8")
    record["answers"] = answers
    return record


def verdicts_of(records: list[dict[str, Any]]) -> tuple[list[Verdict], dict[str, list[tuple[str, str]]]]:
    """Scores of all records: of `check`, and of the other commands."""
    checks: list[Verdict] = []
    others: dict[str, list[tuple[str, str]]] = {}
    for record in records:
        for command, answer in record["answers"].items():
            if command == "check":
                checks.append(judge(record["truth"], answer["result"], answer["status"], answer["line"]))
            else:
                outcome = judge_command(record["truth"], command, answer["status"])
                others.setdefault(command, []).append((record["kind"], outcome))
    return checks, others


def _kinds(text: str) -> list[str]:
    """Kinds by name; `all`, or prefixes such as `bare`."""
    if text == "all":
        return list(KINDS)
    chosen: list[str] = []
    for word in text.split(","):
        found = [kind for kind in KINDS if kind == word] or [kind for kind in KINDS if kind.startswith(word)]
        if not found:
            raise SystemExit(f"no kind {word}; there are: {', '.join(KINDS)}")
        chosen += found
    return list(dict.fromkeys(chosen))


def _arguments(words: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests.outside.rivals.run", description=__doc__)
    parser.add_argument("--seed", type=int, default=7000)
    parser.add_argument("--count", type=int, default=3, help="cases of each kind")
    parser.add_argument("--kinds", default="all", help="all, or names and prefixes with commas")
    parser.add_argument("--out", default="rivals_out")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--commands", default="check", help="check,timing,buffers,selects,probes")
    parser.add_argument("--call", default="busledger.tui.start:main", help="module:function of the program")
    parser.add_argument("--text", action="store_true", help="also run check without --json and note the first line")
    parser.add_argument("--grade", action="store_true", help="tell timing the processor's speed grade")
    parser.add_argument("--split", action="store_true", help="a row for each variant of a kind")
    parser.add_argument("--keep", action="store_true", help="keep the folders of right answers too")
    parser.add_argument("--report", action="store_true", help="score what DIR/results.jsonl holds of an earlier run")
    parser.add_argument("--only-make", action="store_true", help="write the cases and stop")
    return parser.parse_args(words)


def main(words: list[str] | None = None) -> int:
    """The command line."""
    args = _arguments(words)
    kinds = _kinds(args.kinds)
    jobs = [(args.seed + i, kind) for kind in kinds for i in range(args.count)]
    if args.report:
        with (Path(args.out) / "results.jsonl").open(encoding="utf-8") as log:
            return report([json.loads(line) for line in log], args)
    commands = [] if args.only_make else args.commands.split(",")
    records: list[dict[str, Any]] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        waiting = {
            pool.submit(one, seed, kind, args.out, args.call, commands, args.text, args.grade): (kind, seed)
            for seed, kind in jobs
        }
        for done in as_completed(waiting):
            kind, seed = waiting[done]
            try:
                record = done.result()
                records.append(record)
                with (Path(args.out) / "results.jsonl").open("a", encoding="utf-8") as log:
                    log.write(json.dumps(record) + "\n")
            except Exception as error:
                print(f"{kind}-{seed}: {type(error).__name__}: {error}", file=sys.stderr)
    order = {kind: place for place, kind in enumerate(kinds)}
    records.sort(key=lambda r: (order[r["kind"]], r["seed"]))
    if args.only_make:
        print(f"{len(records)} cases in {args.out}, {sum(r['made_s'] for r in records):.1f} s")
        return 0
    return report(records, args)


def _last(text: str) -> str:
    """The last line of a complaint, shortened."""
    rows = text.strip().splitlines()
    return rows[-1][:160] if rows else ""


def report(records: list[dict[str, Any]], args: argparse.Namespace) -> int:
    """Print the table and what went wrong; drop the folders of right answers."""
    checks, others = verdicts_of(records)
    by_case = {(v.kind, v.seed): v for v in checks}
    print(table(checks, others, args.split))
    wrong = 0
    for record in records:
        lines = []
        verdict = by_case.get((record["kind"], record["seed"]))
        if verdict and not verdict.right:
            lines.append(f"  check: {'; '.join(verdict.why)}  [{verdict.said}]")
            if verdict.broken:
                lines.append("    " + _last(record["answers"]["check"]["error"]))
        for command, answer in record["answers"].items():
            outcome = judge_command(record["truth"], command, answer["status"])
            if command != "check" and outcome != "ok":
                lines.append(f"  {command}: {outcome} (exit {answer['status']}) {_last(answer['error'])}")
        if lines:
            wrong += 1
            truth = record["truth"]
            machine = truth["machine"]
            print(
                f"{record['folder']}  {truth['variant']} {machine['bus']} {machine['rate_mhz']:g} MHz {truth['where']}"
            )
            print("\n".join(lines))
        elif not args.keep and not args.report:
            shutil.rmtree(record["folder"], ignore_errors=True)
    spent = [a["seconds"] for r in records for a in r["answers"].values()]
    for record in records:
        for command, answer in record["answers"].items():
            if answer["seconds"] > 10:
                print(f"slow: {record['kind']}-{record['seed']} {command} {answer['seconds']:.1f} s of processor time")
    made = sum(r["made_s"] for r in records)
    print(
        f"{len(records)} cases, {wrong} with something wrong; "
        f"made in {made:.1f} s, answers {sum(spent):.1f} s of processor time"
    )
    return 0 if not wrong else 1


if __name__ == "__main__":
    raise SystemExit(main())
