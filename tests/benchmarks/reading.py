"""How fast captures are read, beside two other readers and a bare scan for line ends, in one run.

    python -m tests.benchmarks.reading --size 200MB
    python -m tests.benchmarks.reading --shapes --size 40MB --rounds 3
    python -m tests.benchmarks.reading --memory 2GB

Two generated captures (28 scalar lines of bus-like traffic): one change a line,
and all changes of a time on one line. Each reader runs in turn, round after
round, so that a busy machine slows all of them; the table holds medians. The
whole file is read from the page cache. vcdvcd is timed on the first few
megabytes (``--slice``), because it takes minutes for the whole.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.benchmarks.bus_traffic import write_capture
from tests.benchmarks.dump_shapes import SHAPES, Shape, write_shape

_UNITS = {"KB": 10**3, "MB": 10**6, "GB": 10**9}


def _bytes(text: str) -> int:
    match = re.fullmatch(r"(\d+)\s*([KMG]B)", text.upper())
    if match is None:
        raise argparse.ArgumentTypeError("a size such as 200MB or 2GB")
    return int(match[1]) * _UNITS[match[2]]


def read_ours(path: Path) -> int:
    """Rows of all signals, block by block."""
    from busledger.decoder.capture import open_capture

    with open_capture(path) as capture:
        return sum(len(block) for block in capture.blocks(range(len(capture.header.signals))))


def read_vcdvcd(path: Path) -> int:
    """Changes, as vcdvcd stores them."""
    from busledger.decoder.capture.vcd_header import import_vcdvcd

    read = import_vcdvcd().VCDVCD(str(path))
    return sum(len(entry.tv) for entry in read.data.values())


def read_pywellen(path: Path) -> int:
    """Loads every signal; the body is parsed at the first access."""
    import pywellen

    waveform = pywellen.Waveform(str(path), multi_threaded=True)
    return sum(1 for var in waveform.all_vars() if var.signal is not None)


def count_lines(path: Path) -> int:
    """Line ends only: what a reader that looks at each byte once cannot beat by much."""
    count = 0
    buffer = bytearray(1 << 22)
    with path.open("rb", buffering=0) as stream:
        while got := stream.readinto(buffer):
            count += buffer.count(b"\n", 0, got)
    return count


def _rate(read: Callable[[Path], int], path: Path) -> float:
    """Megabytes a second of one pass."""
    begin = time.perf_counter()
    read(path)
    return path.stat().st_size / 1e6 / (time.perf_counter() - begin)


def compare(folder: Path, size: int, small: int, rounds: int) -> Table:
    """The table of medians, one row a reader and capture."""
    table = Table(title=f"Reading {size // 10**6} MB, {os.cpu_count()} cores, medians of {rounds} rounds")
    for column in ("capture", "reader", "MB/s", "ours is × faster", "on"):
        table.add_column(column, justify="left" if column in ("capture", "reader", "on") else "right")
    for label, per_line in (("one change a line", True), ("many changes a line", False)):
        whole, part = folder / "whole.vcd", folder / "part.vcd"
        write_capture(whole, size, per_line=per_line)
        write_capture(part, min(size, small), per_line=per_line)
        readers: dict[str, tuple[Callable[[Path], int], Path]] = {
            "busledger": (read_ours, whole),
            "pywellen": (read_pywellen, whole),
            "vcdvcd": (read_vcdvcd, part),
            "line ends only": (count_lines, whole),
        }
        read_ours(part)  # compiles the kernels, or loads them from the cache
        rates: dict[str, list[float]] = {name: [] for name in readers}
        for _ in range(rounds):
            for name, (read, path) in readers.items():
                rates[name].append(_rate(read, path))
        ours = rates["busledger"]
        for name, (_, path) in readers.items():
            ratio = statistics.median(a / b for a, b in zip(ours, rates[name], strict=True))
            shown = f"{path.stat().st_size / 1e6:.0f} MB"
            table.add_row(label, name, f"{statistics.median(rates[name]):.1f}", f"{ratio:.1f}", shown)
        table.add_section()
    return table


def _processor_s(read: Callable[[Path], int], path: Path) -> float:
    """Processor seconds a megabyte of one pass, all threads."""
    begin = time.process_time()
    read(path)
    return (time.process_time() - begin) / (path.stat().st_size / 1e6)


@dataclass(frozen=True)
class ShapeRates:
    """Of one shape of dump: MB a processor second, and how many times as much as the two other readers."""

    shape: Shape
    rate: float
    to_pywellen: float
    to_vcdvcd: float


def shape_rates(folder: Path, size: int, small: int, rounds: int) -> list[ShapeRates]:
    """Every shape; processor time, medians of rounds in which each reader runs in turn."""
    whole, part, found = folder / "whole.vcd", folder / "part.vcd", []
    for shape in SHAPES:
        write_shape(whole, size, shape)
        write_shape(part, min(size, small), shape)
        costs: dict[str, list[float]] = {"ours": [], "pywellen": [], "vcdvcd": []}
        for round_ in range(rounds + 1):
            ours, theirs = _processor_s(read_ours, whole), _processor_s(read_pywellen, whole)
            if round_:  # the first one compiles the kernels, or loads them
                costs["ours"].append(ours)
                costs["pywellen"].append(theirs / ours)
                costs["vcdvcd"].append(_processor_s(read_vcdvcd, part) / ours)
        median = {name: statistics.median(values) for name, values in costs.items()}
        found.append(ShapeRates(shape, 1 / median["ours"], median["pywellen"], median["vcdvcd"]))
    return found


def shapes_table(rates: list[ShapeRates]) -> Table:
    """One row a shape."""
    table = Table(title="Reading by shape of dump (processor time; wanted: 3 × pywellen, 80 × vcdvcd)")
    for column in ("channels", "MB/s", "× pywellen", "× vcdvcd"):
        table.add_column(column, justify="left" if column == "channels" else "right")
    for row in rates:
        table.add_row(row.shape.name, f"{row.rate:.0f}", f"{row.to_pywellen:.1f}", f"{row.to_vcdvcd:.0f}")
    return table


def peak_memory(folder: Path, size: int) -> str:
    """Peak resident memory of a process of its own that reads a capture of ``size`` bytes."""
    path = folder / "long.vcd"
    write_capture(path, size, per_line=True)
    code = (
        "import resource, sys; from pathlib import Path; from tests.benchmarks.reading import read_ours\n"
        "rows = read_ours(Path(sys.argv[1]))\n"
        "print(rows, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    begin = time.perf_counter()
    run = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True)
    took = time.perf_counter() - begin
    rows, kilobytes = (int(word) for word in run.stdout.split())
    actual = path.stat().st_size
    return (
        f"{actual / 1e6:.0f} MB, {rows} rows: peak {kilobytes / 1000:.0f} MB resident, "
        f"{actual / 1e6 / took:.0f} MB/s with start-up"
    )


def main() -> None:
    """Runs what the command line asks for and prints it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", type=_bytes, default=None, help="capture to compare readers on (200MB)")
    parser.add_argument("--slice", type=_bytes, default=10**7, help="part that vcdvcd is timed on (10MB)")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--memory", type=_bytes, default=None, help="capture to measure peak memory on (2GB)")
    parser.add_argument("--shapes", action="store_true", help="dumps of 28 to 200 channels, scalars and vectors")
    asked = parser.parse_args()
    console = Console()
    with tempfile.TemporaryDirectory() as folder:
        if asked.shapes:
            rates = shape_rates(Path(folder), asked.size or 40 * 10**6, asked.slice // 5, asked.rounds)
            console.print(shapes_table(rates))
        elif asked.size or not asked.memory:
            console.print(compare(Path(folder), asked.size or 200 * 10**6, asked.slice, asked.rounds))
        if asked.memory:
            console.print(peak_memory(Path(folder), asked.memory))


if __name__ == "__main__":
    main()
