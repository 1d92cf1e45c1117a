"""The program end to end on a generated 1 MHz bus: rates, memory, start-up.

Every figure is a ratio or a median of rounds in one run, so that a busy machine slows all of them. Processor time
stands beside the time on the wall: on a machine with other work only the former says what the program costs.
"""

from __future__ import annotations

import compileall
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from rich.table import Table

from busledger.decoder.pipeline import Request, open_run, run_buffers, run_check, run_selects, run_timing
from busledger.tui.commands.main import main as command
from tests.benchmarks.long_capture import Traffic, chunks, write
from tests.benchmarks.reading import read_ours

__all__ = ["ROOT", "commands_table", "keep_bytecode", "memory_table", "start_table", "started", "timed"]

ROOT = Path(__file__).parents[2]


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds on the wall, and of processor time over all threads."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def _decode(request: Request) -> None:
    run = open_run(request)
    try:
        for _ in run.blocks():
            pass
    finally:
        run.file.close()


def _works(folder: Path) -> dict[str, Callable[[], object]]:
    capture, board = folder / "run.vcd", folder / "card.toml"
    request = Request(capture, board=board)
    table = ["cycles", str(capture), "--board", str(board), "--csv", str(folder / "out.csv"), "--quiet"]
    return {
        "reading alone": lambda: read_ours(capture),
        "decoding alone": lambda: _decode(request),
        "check": lambda: run_check(request),
        "selects": lambda: run_selects(request),
        "buffers": lambda: run_buffers(request),
        "timing": lambda: run_timing(request),
        "cycles --csv": lambda: command(table),
    }


def commands_table(folder: Path, size: int, rounds: int) -> Table:
    """Each command beside reading alone and beside the bus itself."""
    bus_s = write(folder / "run.vcd", size)
    megabytes = (folder / "run.vcd").stat().st_size / 1e6
    works = _works(folder)
    walls: dict[str, list[float]] = {name: [] for name in works}
    costs: dict[str, list[float]] = {name: [] for name in works}
    for round_ in range(rounds + 1):
        for name, work in works.items():
            wall, cost = timed(work)
            if round_:  # the first one loads the kernels
                walls[name].append(wall)
                costs[name].append(cost)
    table = Table(title=f"{megabytes:.0f} MB, {bus_s:.2f} s of a 1 MHz bus, 28 lines; medians of {rounds}")
    for head in (
        "command",
        "MB/s",
        "share of the reading rate",
        "× faster than the bus",
        "processor s",
        "the same, × bus",
    ):
        table.add_column(head, justify="left" if head == "command" else "right")
    reading = walls["reading alone"]
    for name in works:
        wall, cost = statistics.median(walls[name]), statistics.median(costs[name])
        share = statistics.median(a / b for a, b in zip(reading, walls[name], strict=True))
        table.add_row(
            name, f"{megabytes / wall:.0f}", f"{share:.2f}", f"{bus_s / wall:.2f}", f"{cost:.2f}", f"{bus_s / cost:.2f}"
        )
    return table


def memory_table(folder: Path, sizes: list[int]) -> Table:
    """Peak resident memory of ``check`` on captures piped in, never on a disk."""
    (folder / "card.toml").write_text(_board(), encoding="utf-8")
    code = (
        "import resource, sys\nfrom busledger.tui.commands.main import main\n"
        "status = main(['check', '-', '--board', sys.argv[1], '--quiet'])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1000, status)"
    )
    table = Table(title="check - (piped in): peak memory")
    for head in ("MB of capture", "peak MB", "s", "MB/s with start-up"):
        table.add_column(head, justify="right")
    for size in sizes:
        begin, sent = time.perf_counter(), 0
        with subprocess.Popen(
            [sys.executable, "-c", code, str(folder / "card.toml")],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        ) as process:
            assert process.stdin is not None and process.stdout is not None
            for chunk in chunks(Traffic(), size):
                sent += process.stdin.write(chunk)
            process.stdin.close()
            peak = process.stdout.read().decode().split("\n")[-2].split()[0]
        took = time.perf_counter() - begin
        table.add_row(f"{sent / 1e6:.0f}", peak, f"{took:.1f}", f"{sent / 1e6 / took:.0f}")
    return table


def _board() -> str:
    from tests.benchmarks.long_capture import board_text

    return board_text(Traffic())


def start_table(rounds: int, *, compile_too: bool) -> Table:
    """Start-up of --help, of a check of a tiny capture, and the first run with every kernel to compile."""
    capture = ROOT / "captures_demo" / "loom"
    check = ["check", str(capture / "capture.vcd.xz"), "--board", str(capture / "board.toml"), "--quiet"]
    keep_bytecode()
    table = Table(title=f"Start, medians of {rounds}")
    for head in ("what", "s", "processor s"):
        table.add_column(head, justify="left" if head == "what" else "right")
    for name, arguments in (("python -c pass", None), ("--help", ["--help"]), ("check of a bundled capture", check)):
        walls, costs = zip(*(started(arguments, {}) for _ in range(rounds)), strict=True)
        table.add_row(name, f"{statistics.median(walls):.2f}", f"{statistics.median(costs):.2f}")
    if compile_too:
        with tempfile.TemporaryDirectory() as cache:
            wall, cost = started(check, {"NUMBA_CACHE_DIR": cache})
        table.add_row("the same, kernels compiled first", f"{wall:.1f}", f"{cost:.1f}")
    return table


def keep_bytecode() -> None:
    """Python's bytecode of all our modules, which pip makes at install."""
    for package in ("bus_profiles", "captures_demo", "decoder", "tui"):
        compileall.compile_dir(ROOT / package, quiet=2)


def started(arguments: list[str] | None, environment: dict[str, str]) -> tuple[float, float]:
    """Wall and processor seconds of one process of the command; None: of Python alone.

    Python keeps what it makes of our sources, as it does of what pip installs: see ``keep_bytecode``.
    """
    code = "pass" if arguments is None else "import sys\nfrom busledger.tui.start import main\nsys.exit(main())"
    wall, before = time.perf_counter(), os.times()
    subprocess.run(
        [sys.executable, "-c", code, *(arguments or [])],
        env={**{k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}, **environment},
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return time.perf_counter() - wall, spent
