"""Outputs that hang on themselves: a decoder is a table of its inputs, and a circle has no table."""

from __future__ import annotations

from busledger.decoder.board.draft import Draft
from busledger.decoder.text import plain

__all__ = ["check_circles"]


def check_circles(draft: Draft) -> None:
    """Add a mistake for each circle of decoders, at the table whose output closes it; each circle once."""
    feeds = _feeds(draft)
    done: set[str] = set()
    for line in feeds:
        path: list[str] = []
        _follow(draft, feeds, line, path, done)


def _feeds(draft: Draft) -> dict[str, tuple[str, str, str, tuple[str, ...]]]:
    """Line → (table, designator, pin, the lines that the pin's section takes in), for every line an output makes."""
    feeds: dict[str, tuple[str, str, str, tuple[str, ...]]] = {}
    for table, decoder in draft.decoders:
        for pin, line in decoder.outputs.items():
            taken = tuple(decoder.inputs[i] for i in decoder.part.section_of(pin).inputs if i in decoder.inputs)
            feeds.setdefault(line, (table, decoder.designator, pin, taken))
    return feeds


def _follow(
    draft: Draft, feeds: dict[str, tuple[str, str, str, tuple[str, ...]]], line: str, path: list[str], done: set[str]
) -> None:
    """Depth first from ``line`` to what makes it; ``path`` are the lines on the way here."""
    if line in path:
        circle = path[path.index(line) :]
        table, _, pin, _ = feeds[line]
        way = " from ".join(f"{plain(one)} ({plain(feeds[one][1])} {feeds[one][2]})" for one in circle)
        found = f"{way} from {plain(line)}: the output hangs on itself"
        draft.mistakes.add(table, f"outputs.{pin}", found, "decoders in a row from the bus's lines to the selects")
        return
    if line in done or line not in feeds:
        return
    path.append(line)
    for source in feeds[line][3]:
        _follow(draft, feeds, source, path, done)
    path.pop()
    done.add(line)
