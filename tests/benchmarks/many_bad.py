"""The diagnosis of a long capture of a card with ten bad parts.

Cards of the virtual machine of ``captures_demo``, played without pins: what is timed is the weighing, in processor
seconds, and what it names stands beside it.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from rich.table import Table

from busledger.captures_demo.accuracy import ask, write_board
from busledger.captures_demo.world.cases import Case
from busledger.captures_demo.world.many_cases import draw_many
from busledger.decoder.board import load_board

__all__ = ["long_case", "table"]

SEED, BAD = 86_500, 10
LENGTHS = (10_000, 100_000, 1_000_000)


def long_case(accesses: int) -> Case:
    """The card with about so many accesses of its memory."""
    return draw_many(SEED, BAD, cycles=accesses)


def table(lengths: tuple[int, ...] = LENGTHS) -> Table:
    """One row a length."""
    found = Table(title=f"weighing a card with {BAD} bad parts: processor seconds")
    for head in ("cycles", "wrong reads", "s", "named rightly", "innocents"):
        found.add_column(head, justify="right")
    for length in lengths:
        case = long_case(length)
        with tempfile.TemporaryDirectory() as name:
            board = load_board(write_board(case.machine, Path(name)), data_bits=8, address_bits=16)
        before = time.process_time()
        diagnosis, wrong, _ = ask(case.run, board)
        cost = time.process_time() - before
        true = {fault.chip for fault in case.faults if fault.chip}
        named = {part.component for part in diagnosis.parts if part.bad >= 0.5}
        right, innocents = f"{len(named & true)}/{len(true)}", str(len(named - true))
        found.add_row(f"{len(case.run):,}", f"{wrong:,}", f"{cost:.2f}", right, innocents)
    return found


if __name__ == "__main__":
    from rich.console import Console

    Console().print(table())
