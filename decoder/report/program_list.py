"""A list of cycles folded: one line an instruction, its bytes and what it read and wrote behind it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busledger.decoder.report.terminal import printed

__all__ = ["folded_text"]

_SIGNS = {"read": "r", "write": "w", "io-read": "in", "io-write": "out", "int-ack": "ack"}
_BYTES_WIDTH = 14
_TEXT_WIDTH = 22


def folded_text(page: Sequence[Sequence[str]], names: Sequence[str], *, rows: int, width: int, colour: bool) -> str:
    """At most ``rows`` lines; cycles that belong to no instruction keep a line each.

    ``page`` has the columns ``names``: the contract's, then the program's. A read that differs from what was written
    is shown with what was expected; an instruction that was inferred has a ``~`` before it.
    """
    lines = _grouped([dict(zip(names, row, strict=True)) for row in page])
    shown = lines[:rows]
    index = max((len(line[0]["index"]) for line in shown), default=0)
    index = max(index, len("index"))
    made = [Text(_head(index), style="dim")]
    for group in shown:
        style = "bold red" if any(_wrong(row) for row in group) else ""
        made.append(Text(_line(group, index)[:width], style=style))
    return printed(made, width=width, colour=colour)


def _grouped(rows: Sequence[dict[str, str]]) -> list[list[dict[str, str]]]:
    groups: list[list[dict[str, str]]] = []
    last: list[dict[str, str]] = []  # of an instruction: what belongs to none may come between its cycles
    for row in rows:
        if row["of"] and last and last[0]["of"] == row["of"]:
            last.append(row)
            continue
        groups.append([row])
        last = groups[-1] if row["of"] else last
    return groups


def _head(index: int) -> str:
    names = f"{'time s':<14}  {'addr':<6}  {'bytes':<{_BYTES_WIDTH}}  {'instruction':<{_TEXT_WIDTH}}"
    return f"{'index'.rjust(index)}  {names}"


def _line(group: Sequence[dict[str, str]], index: int) -> str:
    first = group[0]
    bytes_ = " ".join(row["data"] for row in group if row["part"] in ("opcode", "operand"))
    if first["part"] == "opcode":
        text = first["instruction"] or "(not whole)"
        mark = "~" if first["followed"] == "inferred" else " "
    else:
        text, mark = f"({first['kind']})", " "
        bytes_ = first["data"]
    what = [_access(row) for row in group if row["part"] == "data"]
    place = f"  {first['routine']}" if first.get("routine") else ""
    head = f"{first['index'].rjust(index)}  {first['time_s']:<14}  {first['address']:<6} {mark}{bytes_:<{_BYTES_WIDTH}}"
    return f"{head}  {text:<{_TEXT_WIDTH}}  {'  '.join(what)}{place}".rstrip()


def _access(row: dict[str, str]) -> str:
    sign = _SIGNS.get(row["kind"], row["kind"])
    text = f"{sign} {row['address']}={row['data']}"
    return f"{text} (not {row['expected']})" if _wrong(row) else text


def _wrong(row: dict[str, str]) -> bool:
    return any(digit not in "0" for digit in row["mismatch"])
