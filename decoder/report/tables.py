"""Plain tables and paragraphs for the commands that list what is known."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

from busledger.decoder.report.terminal import printed, wrap
from busledger.decoder.text import plain

__all__ = ["paragraphs", "table_text"]

_GAP = 2
_LEAST_LAST = 16  # a last column narrower than this goes onto lines of its own
_LIMIT = 2000


def table_text(heads: Sequence[str], rows: Sequence[Sequence[str]], *, width: int, colour: bool) -> str:
    """Columns as wide as their texts, the last one wrapped into what is left of the terminal."""
    shown = [[plain(cell, _LIMIT) for cell in row] for row in rows]
    sizes = [max(cell_len(row[k]) for row in [list(heads), *shown]) for k in range(len(heads) - 1)]
    left = sum(sizes) + _GAP * len(sizes)
    widest = max(cell_len(row[-1]) for row in [list(heads), *shown])
    beside = width - left >= min(widest, _LEAST_LAST)
    room = width - left if beside else width - 4
    lines = [Text(_row(heads, sizes)[:width], style="dim")]
    for row in shown:
        parts = wrap(row[-1], room)
        first = _row(row[:-1], sizes)
        if beside:
            lines.append(Text(_row([*row[:-1], parts[0]], sizes)))
            lines += [Text(" " * left + part) for part in parts[1:]]
        else:
            lines += [Text(part) for part in wrap(" ".join(first.split()), width)]
            lines += [Text("    " + part) for part in parts if part]
    return printed(lines, width=width, colour=colour)


def _row(cells: Sequence[str], sizes: Sequence[int]) -> str:
    padded = [cell + " " * (size - cell_len(cell) + _GAP) for cell, size in zip(cells, sizes, strict=False)]
    return "".join(padded) + "".join(cells[len(sizes) :])


def paragraphs(texts: Sequence[str], *, width: int, colour: bool, title: bool = False) -> str:
    """Each text wrapped on its own; with ``title`` the first one is set off."""
    lines = []
    for number, text in enumerate(texts):
        style = "bold" if title and number == 0 else ""
        lines += [Text(part, style=style) for part in wrap(plain(text, _LIMIT), width)]
    return printed(lines, width=width, colour=colour)
