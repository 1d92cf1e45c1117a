"""Makes cases, runs the program on each, prints the score and the wrong ones.

python -m tests.outside.cards.run --seed 9000 --count 50 --kind many --out DIR --jobs 2
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import inspect
import io
import json
import multiprocessing
import resource
import shlex
import shutil
import subprocess
import sys
import time
import traceback
from pathlib import Path
from typing import Any

from .case import KINDS, make, write
from .score import Verdict, judge, table

DEFAULT_CALL = "busledger.tui.start:main"
Task = tuple[int, str, str, str, str, str | None, int | None]


def by_call(call: str, argv: list[str]) -> str:
    """What the program prints, called inside this process: function(argv), or function() with sys.argv set."""
    module, _, name = call.partition(":")
    function = getattr(importlib.import_module(module), name)
    store = io.BytesIO()
    text = io.TextIOWrapper(store, encoding="utf-8", write_through=True)
    kept = sys.argv
    sys.argv = ["busledger", *argv]
    try:
        with contextlib.redirect_stdout(text):
            if inspect.signature(function).parameters:
                function(argv)
            else:
                function()
    except SystemExit:
        pass
    finally:
        sys.argv = kept
    text.flush()
    return store.getvalue().decode()


def by_command(command: str, argv: list[str]) -> str:
    """What a command prints; {} in it stands for the arguments."""
    words = shlex.split(command)
    words = [w for word in words for w in (argv if word == "{}" else [word])] if "{}" in words else words + argv
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return done.stdout if done.stdout.strip() else done.stderr


def spent() -> float:
    """Processor seconds of this process and its children."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def one(task: Task) -> tuple[Verdict, str, float, float]:
    """One case: made, run, judged. Gives the verdict, its folder, and the processor seconds of making and running."""
    seed, kind, out, call, command, bus, cycles = task
    folder = Path(out) / f"{kind}-{seed}"
    began = spent()
    case = make(seed, kind, bus=bus, cycles=cycles)
    path = write(case, folder)
    made = spent() - began
    argv = ["check", str(path), "--board", str(folder / "board.toml"), "--json", "--no-progress"]
    began = spent()
    result: Any = None
    try:
        text = by_command(command, argv) if command else by_call(call, argv)
        (folder / "result.txt").write_text(text)
        result = json.loads(text)
    except Exception:
        (folder / "error.txt").write_text(traceback.format_exc())
    used = spent() - began
    if isinstance(result, dict):
        (folder / "result.json").write_text(json.dumps(result, indent=1))
    return judge(case.truth, result if isinstance(result, dict) else None), str(folder), made, used


def main(argv: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests.outside.cards.run", description=__doc__)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--kind", default="all", help=f"all, or some of {', '.join(KINDS)} with commas between")
    parser.add_argument("--out", required=True)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--call", default=DEFAULT_CALL, help="module:function to call in this process")
    parser.add_argument("--command", default="", help="a command to run instead; {} stands for the arguments")
    parser.add_argument("--bus", default=None, help="only this bus")
    parser.add_argument("--cycles", type=int, default=None, help="this many cycles in every case")
    parser.add_argument("--keep-all", action="store_true", help="keep the folders of the right ones too")
    args = parser.parse_args(argv)
    kinds = list(KINDS) if args.kind == "all" else args.kind.split(",")
    seeds = range(args.seed, args.seed + args.count)
    tasks: list[Task] = [
        (seed, kinds[n % len(kinds)], args.out, args.call, args.command, args.bus, args.cycles)
        for n, seed in enumerate(seeds)
    ]
    verdicts: list[Verdict] = []
    slow: list[tuple[float, str]] = []
    wrong: list[tuple[Verdict, str]] = []
    making: list[float] = []
    with multiprocessing.get_context("spawn").Pool(max(1, args.jobs)) as pool:
        for number, (verdict, folder, made, used) in enumerate(pool.imap(one, tasks)):
            verdicts.append(verdict)
            making.append(made)
            if number >= args.jobs or len(tasks) <= args.jobs:
                slow.append((used, folder))
            if not verdict.good:
                wrong.append((verdict, folder))
            elif not args.keep_all:
                shutil.rmtree(folder, ignore_errors=True)
    print(table(verdicts))
    if slow:
        print(f"slowest case (the first of each worker left out): {max(slow)[0]:.1f} processor s, {max(slow)[1]}")
    print(f"making a case: {sum(making) / len(making):.2f} processor s on average, {max(making):.2f} at most")
    for verdict, folder in wrong:
        print(f"\n{folder}")
        print(f"    said: {verdict.said or 'nothing'}")
        if verdict.first is False:
            print(f"    true: {verdict.what}, seen in {verdict.fails} reads")
        for text in verdict.missed:
            print(f"    missed: {text}")
        for text in verdict.innocent:
            print(f"    innocent: {text}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
