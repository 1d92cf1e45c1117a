"""A board file as a picture for the terminal: the card's parts in their places, and the memory map."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.cells import cell_len
from rich.text import Text

from busledger.decoder.board import Board, Region
from busledger.decoder.findings import CheckResult
from busledger.decoder.marks import Marks
from busledger.decoder.report.card import STATE_SIGNS, STATE_STYLES, STATE_WORDS, CardPart, CardRow, card_rows
from busledger.decoder.report.phrases import safe
from busledger.decoder.report.terminal import printed, wrap

__all__ = ["board_text"]

_LEAST_BOX = 7
_LABEL_LIMIT = 12
_BAR = 16


def board_text(board: Board, *, address_bits: int, result: CheckResult | None = None, width: int, colour: bool) -> str:
    """The card drawn with a box a part, then the regions in the order of their addresses, gaps included.

    With a ``result``, each part says whether it is suspect or cleared.
    """
    title = f"{safe(board.name)}, {safe(board.bus)} bus" if board.bus else safe(board.name)
    lines = [Text(part, style="bold") for part in wrap(title, width)]
    lines += [Text(part) for part in wrap(safe(board.description), width) if part]
    rows = card_rows(board, result)
    labels = [cell_len(text) for row in rows for text in (row.label, row.detail)]
    indent = min(max(labels, default=0), _LABEL_LIMIT) + 1
    for row in rows:
        lines.append(Text())
        lines += _drawn(row, indent, width, judged=result is not None)
    lines += [Text(), Text("Memory map", style="bold")]
    for space in dict.fromkeys(region.space for region in board.regions):
        here = [r for r in board.regions if r.space == space]
        lines += _map(here, space, address_bits, width, Marks(board.active_low()))
    return printed(lines, width=width, colour=colour)


def _drawn(row: CardRow, indent: int, width: int, *, judged: bool) -> Iterator[Text]:
    """One row of boxes, its label beside it; boxes that do not fit go below."""
    label = [piece for text in (row.label, row.detail) if text for piece in wrap(text, indent - 1)]
    if not row.parts:
        yield from (Text(part) for part in wrap(f"{row.label} {row.detail}: no chips named", width))
        return
    boxes = [_box(part, judged) for part in row.parts]
    room = max(width - indent, 1)
    for band in _bands([cell_len(box[0]) for box in boxes], room):
        shown = [(boxes[k], row.parts[k]) for k in band]
        for number in range(max(len(box) for box, _ in shown)):
            text = Text((label.pop(0) if label else "").ljust(indent))
            for box, part in shown:
                text.append(box[number] if number < len(box) else " " * cell_len(box[0]))
                text.stylize(STATE_STYLES[part.state] if part else "", len(text.plain) - len(box[0]))
                text.append(" ")
            yield text


def _bands(sizes: Sequence[int], room: int) -> Iterator[list[int]]:
    band: list[int] = []
    used = 0
    for number, size in enumerate(sizes):
        if band and used + size > room:
            yield band
            band, used = [], 0
        band.append(number)
        used += size + 1
    yield band


def _box(part: CardPart | None, judged: bool) -> list[str]:
    inside = ["(empty)"] if part is None else [text for text in (part.part, part.serves) if text]
    if part is not None and judged:
        inside.append(f"{STATE_SIGNS[part.state]} {STATE_WORDS[part.state]} {part.probability}".strip())
    name = "" if part is None else part.name
    size = (
        max(_LEAST_BOX, cell_len(name) + 2, *map(cell_len, inside)) if inside else max(_LEAST_BOX, cell_len(name) + 2)
    )
    top = f"┌ {name} " + "─" * (size - cell_len(name)) + "┐"
    middle = [f"│ {text}{' ' * (size - cell_len(text))} │" for text in inside]
    return [top, *middle, "└" + "─" * (size + 2) + "┘"]


def _map(regions: Sequence[Region], space: str, address_bits: int, width: int, marks: Marks) -> Iterator[Text]:
    """Lines from the lowest address up; the bar is the share of the whole space, at least one mark."""
    whole = 1 << address_bits if space != "io" else max(256, *(region.end + 1 for region in regions))
    digits = max(4, -(-(whole - 1).bit_length() // 4))
    if space != "memory":
        yield Text(f"{space} space")
    at = 0
    for region in [*sorted(regions, key=lambda r: r.start), None]:
        start = region.start if region is not None else whole
        if start > at:
            yield from _map_line(at, start - 1, "-", "", digits, whole, width)
        if region is not None:
            chips = ", ".join(chip.designator for chip in region.chips)
            select = f", select {marks.name(region.select)}" if region.select else ""
            about = f"{safe(region.name)} ({region.kind}{select})" + (f": {safe(chips)}" if chips else "")
            yield from _map_line(region.start, region.end, "#", about, digits, whole, width)
            at = max(at, region.end + 1)


def _map_line(start: int, end: int, mark: str, about: str, digits: int, whole: int, width: int) -> Iterator[Text]:
    bar = mark * max(1, round(_BAR * (end - start + 1) / whole))
    head = f"{start:0{digits}X}-{end:0{digits}X} {_size(end - start + 1):>5} "
    if width >= 60:
        head += f"{bar:<{_BAR}} "
    for number, part in enumerate(wrap(about or "nothing", max(8, width - len(head)))):
        yield Text((head if number == 0 else " " * len(head)) + part, style="" if about else "dim")


def _size(addresses: int) -> str:
    for unit, size in (("M", 1 << 20), ("K", 1 << 10)):
        if addresses >= size and addresses % size == 0:
            return f"{addresses // size}{unit}"
    return str(addresses)
