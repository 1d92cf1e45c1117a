"""``watch`` on a bus at full speed: ``python -m tests.benchmarks.watching [--mb 10000] [--kills 20] [--rounds 3]``.

First its rate beside ``check``'s, both on the same clean stream through a pipe. Then the trial: a stream of that many
megabytes with 40 wrong reads in bursts through a named pipe, the watch killed (SIGKILL) that many times at random and
started again with ``--resume``. It prints how often each failure was told, whether the answer is that of one watch that
was left alone (``--against check``: of ``check``; then all accesses must fit in ``--room``), and the peaks of memory.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.watching.streams import board_in, header, periods

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "import sys\nfrom busledger.tui.start import main\nsys.exit(main())"]
PERIOD_BYTES = 1_061_000
BURSTS, EACH = 8, 5
KEYS = ("suspects", "parts", "regions", "mismatch_total", "cycles", "cleared", "next_steps", "unexplained", "judged")


def bursts_in(count: int, seed: int) -> dict[int, int]:
    """40 wrong reads in eight bursts of periods that follow one another."""
    draw, found = random.Random(seed), {}
    for place in sorted(draw.sample(range(1, count - 3), BURSTS)):
        found.update({place: 2, place + 1: 3})
    while sum(found.values()) < BURSTS * EACH:
        found[draw.randrange(1, count)] = 5
    return found


def stream(megabytes: int, bursts: dict[int, int]) -> Iterator[bytes]:
    """A capture of about so many megabytes, period by period."""
    yield header()
    yield from periods(megabytes * 10**6 // PERIOD_BYTES, bursts)


def piped(arguments: list[str], megabytes: int) -> tuple[float, float, float]:
    """MB/s, processor seconds and peak MB of one command that reads a clean stream from its standard input."""
    began, sent = 0.0, 0
    process = subprocess.Popen(
        [*COMMAND, *arguments], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    assert process.stdin is not None
    for chunk in stream(megabytes, {}):
        process.stdin.write(chunk)
        sent += len(chunk)
        if not began and sent > 3 << 20:  # it has started, and taken what a pipe does not hold
            began, taken = time.perf_counter(), sent
    process.stdin.close()
    _, _, used = os.wait4(process.pid, 0)
    process.returncode = 0
    took = time.perf_counter() - began
    return (sent - taken) / took / 1e6, used.ru_utime + used.ru_stime, used.ru_maxrss / 1e3


def rates(folder: Path, megabytes: int, rounds: int) -> Table:
    """``watch`` beside ``check``, in turns."""
    table = Table(title=f"{megabytes} MB of clean bus through a pipe, medians of {rounds}")
    for head in ("command", "MB/s", "processor s", "peak MB"):
        table.add_column(head, justify="left" if head == "command" else "right")
    card = str(folder / "card.toml")
    found: dict[str, list[tuple[float, float, float]]] = {"check": [], "watch": []}
    for number in range(rounds):
        found["check"].append(piped(["check", "-", "--board", card, "--quiet"], megabytes))
        out = str(folder / f"rate{number}")
        found["watch"].append(piped(["watch", "-", "--board", card, "--out", out, "--never-drop"], megabytes))
    for name, rows in found.items():
        middle = [statistics.median(column) for column in zip(*rows, strict=True)]
        table.add_row(name, f"{middle[0]:.0f}", f"{middle[1]:.1f}", f"{max(row[2] for row in rows):.0f}")
    return table


def trial(folder: Path, megabytes: int, kills: int, seed: int, against: str, room: str) -> Table:
    """Killed at random, and the same stream once more to one that is not."""
    count = megabytes * 10**6 // PERIOD_BYTES
    bursts = bursts_in(count, seed)
    fifo, out, card = folder / "bus", folder / "night", str(folder / "card.toml")
    os.mkfifo(fifo)
    held = os.open(fifo, os.O_RDWR)
    sent, over = [0], threading.Event()

    def write() -> None:
        with os.fdopen(held, "wb", buffering=0) as pipe:
            for chunk in stream(megabytes, bursts):
                rest = memoryview(chunk)
                while rest:
                    done = pipe.write(rest)
                    rest, sent[0] = rest[done:], sent[0] + done
        over.set()

    threading.Thread(target=write, daemon=True).start()
    draw = random.Random(seed)
    moments = sorted(draw.uniform(0.01, 0.97) * megabytes * 1e6 for _ in range(kills))
    line = [*COMMAND, "watch", str(fifo), "--board", card, "--out", str(out), "--never-drop", "--waiting", "64M"]
    line += ["--room", room]
    line += ["--until", "silent", "--silence", "10s"]
    peaks, done, begun = [], 0, time.perf_counter()
    while True:
        log = (folder / "told.jsonl").open("ab")
        process = subprocess.Popen([*line, *(["--resume"] if done else [])], cwd=ROOT, stdout=log)
        while done < len(moments) and not over.is_set():
            time.sleep(0.01)
            if sent[0] >= moments[done] and (out / "failures.jsonl").exists():
                time.sleep(draw.uniform(0.0, 8.0))
                break
        killed = done < len(moments)
        if killed:
            with contextlib.suppress(ProcessLookupError):
                process.send_signal(signal.SIGKILL)
            done += 1
        _, code, used = os.wait4(process.pid, 0)
        process.returncode = 0
        log.close()
        peaks.append(used.ru_maxrss / 1e3)
        if not killed:
            break
    took = time.perf_counter() - begun
    journal = [json.loads(text) for text in (out / "failures.jsonl").read_text().splitlines()]
    told = [one["n"] for one in journal if one["event"] == "failure"]
    shown = []
    for text in (folder / "told.jsonl").read_text().splitlines():
        with contextlib.suppress(ValueError):
            one = json.loads(text)
            shown += [one["n"]] if one.get("event") == "failure" else []
    result = json.loads((out / "result.json").read_text())
    if against == "check":
        alone = [*COMMAND, "check", "-", "--board", card, "--json"]
    else:
        alone = [*COMMAND, "watch", "-", "--board", card, "--out", str(folder / "alone"), "--never-drop"]
        alone += ["--room", room, "--quiet"]
    begun = time.perf_counter()
    other_one = subprocess.Popen(alone, cwd=ROOT, stdin=subprocess.PIPE, stdout=(folder / "alone.json").open("wb"))
    assert other_one.stdin is not None
    for chunk in stream(megabytes, bursts):
        other_one.stdin.write(chunk)
    other_one.stdin.close()
    _, _, spent = os.wait4(other_one.pid, 0)
    other_one.returncode = 0
    left_alone = time.perf_counter() - begun
    checked = json.loads((folder / ("alone.json" if against == "check" else "alone/result.json")).read_text())
    other = [key for key in KEYS if result[key] != checked[key]]
    wanted = list(range(1, sum(bursts.values()) + 1))  # in a short stream bursts may fall together
    table = Table(title=f"{sent[0] / 1e6:.0f} MB, {count * 9.216e-3:.1f} s of bus, killed {done} times at random")
    table.add_column("what")
    table.add_column("found", justify="right")
    table.add_row("wrong reads sent", str(sum(bursts.values())))
    table.add_row("told once each, in the journal", f"{'yes' if told == wanted else 'NO'} ({len(told)})")
    table.add_row("shown on standard output", f"{len(shown)}, {len(shown) - len(set(shown))} of them twice")
    table.add_row(f"answer that of {against}, not killed", "yes" if not other else f"NO: {', '.join(other)}")
    table.add_row("accesses, and of them weighed", f"{result['watch']['accesses']}, {result['watch']['weighed']}")
    table.add_row("exit status", str(os.waitstatus_to_exitcode(code)))
    table.add_row("peak memory of any process, MB", f"{max(peaks):.0f}")
    table.add_row(f"that of {against}, not killed, MB", f"{spent.ru_maxrss / 1e3:.0f}")
    table.add_row("all of it, starts and verdicts included, s", f"{took:.0f}")
    table.add_row(f"{against}, not killed, s", f"{left_alone:.0f}")
    return table


def main() -> None:
    """Both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mb", type=int, default=10_000)
    parser.add_argument("--rate-mb", type=int, default=400)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=18)
    parser.add_argument("--against", choices=("watch", "check"), default="watch")
    parser.add_argument("--room", default="256M")
    asked = parser.parse_args()
    console = Console()
    with tempfile.TemporaryDirectory(prefix="busledger-watch-") as name:
        folder = Path(name)
        board_in(folder)
        if asked.rounds:
            console.print(rates(folder, asked.rate_mb, asked.rounds))
        console.print(trial(folder, asked.mb, asked.kills, asked.seed, asked.against, asked.room))


if __name__ == "__main__":
    main()
