"""Every figure that has a target beside it, in one table: what was wanted, what this run measured.

Processor time and ratios within one run, so that other work on the machine slows both sides of each. Figures of time
on the wall (two cores) mean something on a quiet machine only.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rich.table import Table

from busledger.decoder.pipeline import Request, run_check
from tests.benchmarks.long_capture import Traffic, write
from tests.benchmarks.reading import ShapeRates, read_ours
from tests.benchmarks.whole import ROOT, keep_bytecode, started, timed

__all__ = ["Figure", "figures", "targets_table"]

MEDIUM = Traffic(banks=4)  # four banks, their decoder and a driver clipped


@dataclass(frozen=True)
class Figure:
    """``least``: the target is a lower bound; otherwise an upper one."""

    name: str
    measured: float
    target: float
    least: bool
    unit: str = ""

    @property
    def met(self) -> bool:
        """Whether the target is reached."""
        return self.measured >= self.target if self.least else self.measured <= self.target


def _start(rounds: int) -> list[Figure]:
    made = []
    keep_bytecode()
    for name, arguments, target in (("--help", ["--help"], 0.15), ("profiles", ["profiles"], 0.5)):
        costs = [started(arguments, {})[1] for _ in range(rounds)]
        made.append(Figure(f"{name}, processor time", statistics.median(costs), target, False, "s"))
    with tempfile.TemporaryDirectory() as cache:
        first = started(["demo"], {"NUMBA_CACHE_DIR": cache})[1]
        again = [started(["demo"], {"NUMBA_CACHE_DIR": cache})[1] for _ in range(rounds)]
    made.append(Figure("demo after install, kernels compiled, processor time", first, 20, False, "s"))
    made.append(Figure("demo, kernels kept, processor time", statistics.median(again), 0.9, False, "s"))
    return made


def _check(folder: Path, size: int, rounds: int) -> list[Figure]:
    bus_s = write(folder / "run.vcd", size, MEDIUM)
    request = Request(folder / "run.vcd", board=folder / "card.toml")
    works: list[Callable[[], object]] = [lambda: read_ours(folder / "run.vcd"), lambda: run_check(request)]
    read, check = zip(*([timed(work)[1] for work in works] for _ in range(rounds + 1)), strict=True)
    share = statistics.median(a / b for a, b in zip(read[1:], check[1:], strict=True))
    return [
        Figure("check of the medium board beside reading, rate", share, 0.5, True),
        Figure("check of the medium board, × bus", bus_s / statistics.median(check[1:]), 5, True),
        Figure("check on two cores, × one core (wall)", _two_cores(folder, rounds), 1.7, True),
    ]


def _two_cores(folder: Path, rounds: int) -> float:
    """Wall time on one core over that on all, of ``check`` in one process each, without start-up."""
    code = (
        "import os, sys, time\nif sys.argv[2] == '1': os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
        "from pathlib import Path\nfrom busledger.decoder.pipeline import Request, run_check\n"
        "folder = Path(sys.argv[1])\nrequest = Request(folder / 'run.vcd', board=folder / 'card.toml')\n"
        "run_check(request)\nbegin = time.perf_counter()\nrun_check(request)\nprint(time.perf_counter() - begin)"
    )
    ratios = []
    for _ in range(rounds):
        took = [
            float(subprocess.check_output([sys.executable, "-c", code, str(folder), cores], cwd=ROOT, text=True))
            for cores in ("1", "all")
        ]
        ratios.append(took[0] / took[1])
    return statistics.median(ratios)


def figures(folder: Path, shapes: list[ShapeRates], size: int, rounds: int) -> list[Figure]:
    """All of them; ``shapes`` as ``reading.shape_rates`` found them."""
    slowest, against = min(shapes, key=lambda row: row.to_vcdvcd), min(shapes, key=lambda row: row.to_pywellen)
    return [
        *_start(rounds),
        Figure(f"reading, × vcdvcd, least: {slowest.shape.name}", slowest.to_vcdvcd, 80, True),
        Figure(f"reading, × pywellen, least: {against.shape.name}", against.to_pywellen, 3, True),
        *_check(folder, size, rounds),
    ]


def targets_table(found: list[Figure]) -> Table:
    """One row a figure."""
    load = os.getloadavg()[0]
    table = Table(title=f"Figures beside targets ({os.cpu_count()} cores, load {load:.1f})")
    for head in ("figure", "measured", "target", ""):
        table.add_column(head, justify="left" if head == "figure" else "right")
    for figure in found:
        digits = 2 if figure.measured < 10 else 1
        table.add_row(
            figure.name,
            f"{figure.measured:.{digits}f} {figure.unit}".rstrip(),
            f"{'≥' if figure.least else '≤'} {figure.target:g} {figure.unit}".rstrip(),
            "met" if figure.met else "short",
        )
    return table
