"""A board file as a drawing to keep or print: the card's parts in their places, and the memory map."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from markupsafe import escape

from busledger.decoder.board import Board, Region
from busledger.decoder.marks import Marks
from busledger.decoder.report.card import CardPart, card_rows
from busledger.decoder.report.palette import LIGHT
from busledger.decoder.report.phrases import safe

__all__ = ["board_svg"]

_MARGIN, _LABEL, _GAP = 16.0, 96.0, 8.0
_BOX, _TALL = 104.0, 52.0
_MAP_BAR, _MAP_LEAST, _MAP_SPACE = 150.0, 18.0, 220.0
_ACROSS = 8  # boxes side by side; more go below
_TEXT_LIMIT = 17


def board_svg(board: Board, *, address_bits: int) -> str:
    """SVG text, complete with a title and its own colours; every text from the file is escaped and cut to its box."""
    body: list[str] = []
    y = _MARGIN + 20
    title = f"{safe(board.name)}, {safe(board.bus)} bus" if board.bus else safe(board.name)
    body.append(_text(_MARGIN, y, title, size=16, weight="bold", limit=90))
    y += 18
    for row in card_rows(board):
        bands = [row.parts[k : k + _ACROSS] for k in range(0, len(row.parts), _ACROSS)] or [()]
        for number, band in enumerate(bands):
            if number == 0:
                body.append(_text(_MARGIN, y + 16, row.label))
                body.append(_text(_MARGIN, y + 30, row.detail, colour="faint"))
            for k, part in enumerate(band):
                body.append(_box(part, _MARGIN + _LABEL + k * (_BOX + _GAP), y))
            y += _TALL + _GAP
    y += 12
    body.append(_text(_MARGIN, y, "Memory map", size=13, weight="bold"))
    for space in dict.fromkeys(region.space for region in board.regions):
        shown = [region for region in board.regions if region.space == space]
        y += 14
        if space != "memory":
            body.append(_text(_MARGIN, y + 8, f"{space} space", colour="faint"))
            y += 14
        for piece, tall in _map(shown, space, address_bits, y, Marks(board.active_low())):
            body.append(piece)
            y += tall
    width = 2 * _MARGIN + _LABEL + _ACROSS * (_BOX + _GAP)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {y + _MARGIN:g}" width="{width:g}" '
        f'height="{y + _MARGIN:g}" font-family="sans-serif" font-size="11" role="img"><title>{escape(title)}</title>'
        f'<rect width="100%" height="100%" fill="{LIGHT["paper"]}"/>'
    )
    return head + "".join(body) + "</svg>\n"


def _text(
    x: float, y: float, text: str, *, size: int = 11, weight: str = "normal", colour: str = "ink", limit: int = 0
) -> str:
    most = limit or _TEXT_LIMIT
    shown = text if len(text) <= most else text[: most - 1] + "…"
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size}" font-weight="{weight}" fill="{LIGHT[colour]}">'
        f"{escape(shown)}</text>"
    )


def _box(part: CardPart | None, x: float, y: float) -> str:
    """A package seen from above, its notch at the left; an empty place is dashed."""
    dashed = ' stroke-dasharray="4 3"' if part is None else ""
    frame = (
        f'<rect x="{x:g}" y="{y:g}" width="{_BOX:g}" height="{_TALL - 8:g}" rx="3" fill="{LIGHT["panel"]}" '
        f'stroke="{LIGHT["rule"]}"{dashed}/>'
    )
    if part is None:
        return frame
    notch = f'<path d="M{x:g} {y + 16:g} a6 6 0 0 1 0 12" fill="none" stroke="{LIGHT["rule"]}"/>'
    return (
        frame
        + notch
        + _text(x + 10, y + 13, part.name, weight="bold", limit=14)
        + _text(x + 10, y + 26, part.part, limit=15)
        + _text(x + 10, y + 39, part.serves, colour="faint", limit=16)
    )


def _map(
    regions: Sequence[Region], space: str, address_bits: int, y: float, marks: Marks
) -> Iterator[tuple[str, float]]:
    """(drawing, height) of each region and gap, from the lowest address down the page."""
    whole = 1 << address_bits if space != "io" else max(256, *(region.end + 1 for region in regions))
    digits = max(4, -(-(whole - 1).bit_length() // 4))
    spans: list[tuple[int, int, Region | None]] = []
    at = 0
    for region in sorted(regions, key=lambda one: one.start):
        if region.start > at:
            spans.append((at, region.start - 1, None))
        spans.append((region.start, region.end, region))
        at = max(at, region.end + 1)
    if at < whole:
        spans.append((at, whole - 1, None))
    for start, end, here in spans:
        tall = max(_MAP_LEAST, min(60.0, _MAP_SPACE * (end - start + 1) / whole))
        fill = LIGHT["paper"] if here is None else LIGHT["good-panel" if here.kind == "ram" else "maybe-panel"]
        dashed = ' stroke-dasharray="4 3"' if here is None else ""
        about = "nothing" if here is None else f"{safe(here.name)} ({here.kind})"
        if here is not None and here.select:
            about += f", select {marks.name(here.select)}"
        if here is not None and here.chips:
            about += f": {safe(', '.join(chip.designator for chip in here.chips))}"
        yield (
            f'<rect x="{_MARGIN:g}" y="{y:g}" width="{_MAP_BAR:g}" height="{tall:g}" fill="{fill}" '
            f'stroke="{LIGHT["rule"]}"{dashed}/>'
            + _text(_MARGIN + 6, y + 13, f"{start:0{digits}X}-{end:0{digits}X}", limit=24)
            + _text(_MARGIN + _MAP_BAR + 10, y + 13, about, colour="faint" if here is None else "ink", limit=110),
            tall,
        )
        y += tall
