"""Reading board files of many regions: processor seconds beside those of the TOML reader alone, which are the floor."""

from __future__ import annotations

import statistics
import time
import tomllib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from rich.table import Table

from busledger.decoder.board import load_board
from busledger.decoder.errors import BoardError

__all__ = ["board_of_regions", "table"]

SIZES = (1_000, 4_000, 16_384)
_EXTRA: dict[str, Callable[[int], str]] = {
    "no chips": lambda n: "",
    "two chips each": lambda n: (
        f'chips = [{{ designator = "U{2 * n}", part = "2114", lanes = "D0-D3" }}, '
        f'{{ designator = "U{2 * n + 1}", part = "2114", lanes = "D4-D7" }}]\n'
    ),
    "a select each": lambda n: f'select = "CS{n}"\n',
    "64 banks a range": lambda n: f"when = {{ latch = 0x10, mask = 0xFF, value = {n % 64} }}\n",
    "each overlaps the next": lambda n: "",
}
_STEP = {"64 banks a range": lambda n: n // 64 * 16, "each overlaps the next": lambda n: n * 8}


def board_of_regions(count: int, kind: str) -> str:
    """The text of a board file of ``count`` regions of 16 bytes; ``kind`` is a row of the table."""
    start = _STEP.get(kind, lambda n: n * 16)
    rows = [
        f'[[region]]\nname = "r{n}"\nstart = {start(n)}\nend = {start(n) + 15}\nkind = "ram"\n{_EXTRA[kind](n)}'
        for n in range(count)
    ]
    return '[board]\nname = "planetarium"\nbus = "68000"\n' + "".join(rows)


def _load(path: Path) -> None:
    with suppress(BoardError):  # regions that overlap are refused, each in a line
        load_board(path, data_bits=8, address_bits=23)


def _seconds(work: Callable[[], object], rounds: int) -> float:
    costs = []
    for _ in range(rounds):
        before = time.process_time()
        work()
        costs.append(time.process_time() - before)
    return statistics.median(costs)


def table(folder: Path, rounds: int) -> Table:
    """One row a kind of board; linear where the figures grow as the counts do."""
    found = Table(title=f"board files: processor seconds, medians of {rounds}")
    found.add_column("regions of 16 bytes")
    for count in SIZES:
        found.add_column(str(count), justify="right")
    found.add_column(f"TOML alone, {SIZES[-1]}", justify="right")
    path = folder / "many.toml"
    for kind in _EXTRA:
        cells, text = [], ""
        for count in SIZES:
            text = board_of_regions(count, kind)
            path.write_text(text, encoding="utf-8")
            cells.append(f"{_seconds(lambda: _load(path), rounds):.2f}")
        cells.append(f"{_seconds(lambda read=text: tomllib.loads(read), rounds):.2f}")
        found.add_row(kind, *cells)
    return found
