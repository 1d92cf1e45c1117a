"""Outputs that hang on themselves: a decoder is a table of its inputs, and a circle has no table."""

from __future__ import annotations

from collections.abc import Iterator

from busledger.decoder.board.draft import Draft
from busledger.decoder.text import plain

__all__ = ["check_circles"]


def check_circles(draft: Draft) -> None:
    """Add a mistake for each circle of decoders, at the table whose output closes it; each circle once."""
    feeds = _feeds(draft)
    done: set[str] = set()
    for line in feeds:
        _follow(draft, feeds, line, done)


def _feeds(draft: Draft) -> dict[str, tuple[str, str, str, tuple[str, ...]]]:
    """Line → (table, designator, pin, the lines that the pin's section takes in), for every line an output makes."""
    feeds: dict[str, tuple[str, str, str, tuple[str, ...]]] = {}
    for table, decoder in draft.decoders:
        for pin, line in decoder.outputs.items():
            taken = tuple(decoder.inputs[i] for i in decoder.part.section_of(pin).inputs if i in decoder.inputs)
            feeds.setdefault(line, (table, decoder.designator, pin, taken))
    return feeds


def _follow(draft: Draft, feeds: dict[str, tuple[str, str, str, tuple[str, ...]]], start: str, done: set[str]) -> None:
    """Depth first from ``start`` to what makes it; without recursion, since a file may chain thousands of parts."""
    path: dict[str, Iterator[str]] = {}  # the lines on the way here, each with those it still has to be followed to
    line: str | None = start
    while line is not None or path:
        if line is None:
            last = next(reversed(path))
            line = next(path[last], None)
            if line is None:
                del path[last]
                done.add(last)
            continue
        if line in path:
            _add_circle(draft, feeds, line, list(path))
        elif line not in done and line in feeds:
            path[line] = iter(feeds[line][3])
        line = None


def _add_circle(
    draft: Draft, feeds: dict[str, tuple[str, str, str, tuple[str, ...]]], line: str, path: list[str]
) -> None:
    table, _, pin, _ = feeds[line]
    circle = path[path.index(line) :]
    way = " from ".join(f"{plain(one)} ({plain(feeds[one][1])} {feeds[one][2]})" for one in circle)
    found = f"{way} from {plain(line)}: the output hangs on itself"
    draft.mistakes.add(table, f"outputs.{pin}", found, "decoders in a row from the bus's lines to the selects")
