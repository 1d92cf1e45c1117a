"""A list of cycles folded: one line an instruction, its bytes and what it read and wrote behind it."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busledger.decoder.report.terminal import printed

__all__ = ["folded_text"]

_SIGNS = {"read": "r", "write": "w", "io-read": "in", "io-write": "out", "int-ack": "ack"}
_HEAD = ("index", "time s", "addr", "bytes", "instruction", "reads and writes")


def folded_text(page: Sequence[Sequence[str]], names: Sequence[str], *, rows: int, width: int, colour: bool) -> str:
    """At most ``rows`` lines; cycles that belong to no instruction keep a line each.

    ``page`` has the columns ``names``: the contract's, then the program's. A read that differs from what was written
    is shown with what was expected; an instruction that was inferred has a ``~`` before it.
    """
    groups = _grouped([dict(zip(names, row, strict=True)) for row in page])[:rows]
    cells = [_HEAD, *(_cells(group) for group in groups)]
    # As wide as what stands there, so that a narrow terminal has room for what was read and written.
    sizes = [max(len(row[k]) for row in cells) for k in range(len(_HEAD))]
    made = []
    for number, row in enumerate(cells):
        style = "dim" if number == 0 else "bold red" if any(_wrong(one) for one in groups[number - 1]) else ""
        index, *rest = (cell.ljust(size) for cell, size in zip(row, sizes, strict=True))
        made.append(Text("  ".join([index.strip().rjust(sizes[0]), *rest]).rstrip()[:width], style=style))
    return printed(made, width=width, colour=colour)


def _grouped(rows: Sequence[dict[str, str]]) -> list[list[dict[str, str]]]:
    groups: list[list[dict[str, str]]] = []
    of: dict[str, list[dict[str, str]]] = {}  # what belongs to none, or to the next one, may come between its cycles
    for row in rows:
        if row["of"] in of:
            of[row["of"]].append(row)
            continue
        groups.append([row])
        if row["of"]:
            of[row["of"]] = groups[-1]
    return groups


def _cells(group: Sequence[dict[str, str]]) -> tuple[str, ...]:
    first = group[0]
    bytes_ = " ".join(row["data"] for row in group if row["part"] in ("opcode", "operand"))
    if first["part"] == "opcode":
        text = first["instruction"] or "(not whole)"
        mark = "~" if first["followed"] == "inferred" else ""
    else:
        text, mark = f"({first['part'] or first['kind']})", ""
        bytes_ = first["data"]
    what = [_access(row) for row in group if row["part"] == "data"]
    if first.get("routine"):
        what.append(f"in {first['routine']}")
    return first["index"], first["time_s"], first["address"], bytes_, mark + text, "  ".join(what)


def _access(row: dict[str, str]) -> str:
    sign = _SIGNS.get(row["kind"], row["kind"])
    text = f"{sign} {row['address']}={row['data']}"
    return f"{text} (not {row['expected']})" if _wrong(row) else text


def _wrong(row: dict[str, str]) -> bool:
    return any(digit not in "0" for digit in row["mismatch"])
