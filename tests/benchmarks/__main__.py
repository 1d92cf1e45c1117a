"""All benchmarks in one command: ``python -m tests.benchmarks [--quick] [--huge]``.

--quick   small captures, few rounds (minutes)
--targets only the figures that have a target, beside it
--huge    peak memory on 10 GB as well

The browser's keys: ``python -m tests.benchmarks.browser``. Growth alone: ``python -m tests.benchmarks.growth``.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from rich.console import Console

from tests.benchmarks import boards, growth, many_bad, reading, targets, whole


def main() -> None:
    """Runs everything and prints one table after the other."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--targets", action="store_true")
    parser.add_argument("--huge", action="store_true")
    asked = parser.parse_args()
    rounds, size = (3, 40 * 10**6) if asked.quick else (5, 200 * 10**6)
    sizes = [10**8, 10**9, *([10**10] if asked.huge else [])]
    console = Console()
    with tempfile.TemporaryDirectory(prefix="busledger-bench-") as name:
        folder = Path(name)
        shapes = reading.shape_rates(folder, size // 5, 10**6, rounds)
        console.print(reading.shapes_table(shapes))
        console.print(targets.targets_table(targets.figures(folder, shapes, size, rounds)))
        if asked.targets:
            return
        console.print(whole.start_table(rounds, compile_too=True))
        console.print(whole.commands_table(folder, size, rounds))
        console.print(growth.table(growth.QUICK if asked.quick else growth.FULL))
        console.print(boards.table(folder, rounds))
        console.print(many_bad.table(many_bad.LENGTHS[:2] if asked.quick else many_bad.LENGTHS))
        console.print(reading.compare(folder, size, 10**7, rounds))
        console.print(whole.memory_table(folder, sizes[:1] if asked.quick else sizes))


if __name__ == "__main__":
    main()
