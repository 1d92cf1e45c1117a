"""A chip's package from above, with the pins to clip marked: SVG that takes its colours from the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from markupsafe import escape

from busledger.decoder.planning import ClipPoint
from busledger.decoder.report.phrases import safe

__all__ = ["package_svg"]

_STEP, _TOP = 15.0, 22.0
_BODY, _SIDE = 70.0, 62.0  # width of the body; room for names at either side
_NAME_LIMIT = 9


def package_svg(designator: str, part: str, pins: int, clips: Mapping[int, tuple[str, ClipPoint]]) -> str:
    """A dual in-line package: pin 1 at the upper left beside the notch, counted down and up again.

    ``clips``: pin → the line that it carries and the place; a pin that the board file does not prove has an open ring.
    Supply pins beside a marked one are crossed out.
    """
    half = pins // 2
    width, height = 2 * _SIDE + _BODY, _TOP + half * _STEP + 10
    avoid = {pin for _, (_, point) in clips.items() for pin in _beside(point)}
    parts = [
        f'<svg role="img" aria-label="{escape(_said(designator, part, clips))}" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" font-size="10" font-family="sans-serif">',
        f'<text x="{width / 2:g}" y="12" text-anchor="middle" font-weight="bold" fill="var(--ink)">'
        f"{escape(safe(designator))} {escape(safe(part))}</text>",
        f'<rect x="{_SIDE:g}" y="{_TOP - 4:g}" width="{_BODY:g}" height="{half * _STEP + 6:g}" rx="3" '
        'fill="var(--panel)" stroke="var(--rule)"/>',
        f'<path d="M{width / 2 - 7:g} {_TOP - 4:g}a7 7 0 0 0 14 0" fill="var(--paper)" stroke="var(--rule)"/>',
    ]
    for pin in range(1, pins + 1):
        parts.append(_pin(pin, half, clips.get(pin), pin in avoid))
    return "".join(parts) + "</svg>"


def _said(designator: str, part: str, clips: Mapping[int, tuple[str, ClipPoint]]) -> str:
    listed = ", ".join(f"pin {pin} {line}" for pin, (line, _) in sorted(clips.items()))
    return f"{safe(designator)} {safe(part)}: clip {safe(listed)}"


def _beside(point: ClipPoint) -> Sequence[int]:
    """The supply pins that the point warns of, by number."""
    words = point.beware.split()
    return [int(after) for before, after in pairwise(words) if before == "pin" and after.isdigit()]


def _pin(pin: int, half: int, clip: tuple[str, ClipPoint] | None, avoid: bool) -> str:
    left = pin <= half
    y = _TOP + ((pin if left else 2 * half + 1 - pin) - 0.5) * _STEP
    edge = _SIDE if left else _SIDE + _BODY
    way = -1 if left else 1
    anchor, inner = ("end", "start") if left else ("start", "end")
    number = (
        f'<text x="{edge - way * 4:g}" y="{y + 3.5:g}" text-anchor="{inner}" fill="var(--faint)" font-size="8.5">'
        f"{pin}</text>"
    )
    if clip is None:
        sign = f"m0 -3l{way * 6:g} 6m0 -6l{-way * 6:g} 6" if avoid else f"h{way * 5:g}"
        colour = "wrong" if avoid else "rule"
        return number + f'<path d="M{edge + way * 2 * avoid:g} {y:g}{sign}" fill="none" stroke="var(--{colour})"/>'
    line, point = clip
    shown = safe(line)
    shown = shown if len(shown) <= _NAME_LIMIT else shown[: _NAME_LIMIT - 1] + "…"
    fill = "var(--ink)" if point.sure else "var(--paper)"
    return (
        number + f'<circle cx="{edge + way * 6:g}" cy="{y:g}" r="4.5" fill="{fill}" stroke="var(--ink)"/>'
        f'<text x="{edge + way * 14:g}" y="{y + 3.5:g}" text-anchor="{anchor}" font-weight="bold" fill="var(--ink)">'
        f"{escape(shown)}</text>"
    )
