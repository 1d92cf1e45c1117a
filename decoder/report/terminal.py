"""Text on its way to a terminal: wrapped by cells, styled by rich, reduced to ASCII where that is all there is."""

from __future__ import annotations

import io
from collections.abc import Sequence

from rich.cells import cell_len, chop_cells
from rich.console import Console
from rich.text import Text

from busledger.decoder.report.numbers import NO_BREAK

__all__ = ["printed", "to_ascii", "wrap"]

_LIKE = dict(zip("·–—×µ█─│┌┐└┘✗✓†", ".--xu#-|++++!+*", strict=True))
_ASCII = str.maketrans(_LIKE | {"…": "...", "→": "->", "≥": ">=", "≤": "<=", "±": "+/-", "\u202f": " "})


def to_ascii(text: str) -> str:
    """``text`` without any character above 127: our own marks get a like one, the rest is escaped."""
    return text.translate(_ASCII).encode("ascii", "backslashreplace").decode()


def printed(lines: Sequence[Text], *, width: int, colour: bool) -> str:
    """Lines that are short enough, as a terminal shows them; never markup, no trailing blanks."""
    console = Console(
        file=io.StringIO(),
        width=width + 1,
        force_terminal=colour,
        color_system="standard" if colour else None,
        no_color=not colour,
        highlight=False,
        markup=False,
        emoji=False,
    )
    with console.capture() as capture:
        for line in lines:
            console.print(line, no_wrap=True, overflow="ignore", crop=False)
    text = capture.get().replace(NO_BREAK, " ")
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"


def wrap(text: str, width: int) -> list[str]:
    """Lines of at most ``width`` terminal cells, broken at spaces, or inside a word that is too long."""
    lines = [""]
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if cell_len(longer) <= width:
            lines[-1] = longer
            continue
        pieces = chop_cells(word, width) or [""]
        lines += pieces
    return lines if lines[0] or len(lines) == 1 else lines[1:]
