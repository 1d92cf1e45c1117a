"""The browser's colours. Every one also has a shape or a word beside it on screen.

Hues follow Okabe and Ito, "Color Universal Design" (2008), lightened for a dark
ground so that each pair keeps the contrast that WCAG 2.2 asks of text (4.5 : 1);
the tests compute it.
"""

from __future__ import annotations

from functools import lru_cache

from rich.style import Style

__all__ = [
    "ACCENT",
    "COLOURS",
    "DIM",
    "GOOD",
    "GROUND",
    "HEAT",
    "KEY",
    "PAIRS",
    "PANEL",
    "SELECTED",
    "TEXT",
    "WINDOW",
    "WRONG",
    "style",
]

GROUND = "#11151a"
PANEL = "#1c242c"
SELECTED = "#20425d"
WINDOW = "#33393f"
TEXT = "#ece9e2"
DIM = "#a9b4bf"
ACCENT = "#6cc0f0"
GOOD = "#4fd0a4"
WRONG = "#ff9a6b"
CAUTION = "#f2e35e"
FIRST_MARK = "#e9a6cf"
KEY = "#f0c36a"

# Background and text of a heat-map cell, from nothing wrong to everything wrong:
# one hue growing darker to lighter, which no kind of colour blindness confuses.
HEAT: tuple[tuple[str, str], ...] = (
    ("#1c242c", "#a9b4bf"),
    ("#4a2f20", "#ece9e2"),
    ("#7d4422", "#ffffff"),
    ("#e08a4e", "#11151a"),
    ("#ffc59e", "#11151a"),
)

COLOURS = {
    "text": TEXT,
    "dim": DIM,
    "accent": ACCENT,
    "good": GOOD,
    "wrong": WRONG,
    "caution": CAUTION,
    "mark": FIRST_MARK,
    "key": KEY,
}

# Every (text, ground) pair that occurs on screen.
PAIRS: tuple[tuple[str, str], ...] = (
    *((colour, ground) for colour in COLOURS.values() for ground in (GROUND, PANEL, SELECTED, WINDOW)),
    *((text, ground) for ground, text in HEAT),
    (GROUND, KEY),
    (GROUND, ACCENT),
    (GROUND, WRONG),
)


@lru_cache(maxsize=256)
def style(colour: str = "text", *, on: str = GROUND, bold: bool = False, reverse: bool = False) -> Style:
    """A rich style of the palette: ``colour`` by its name in ``COLOURS``, ``on`` a ground."""
    return Style(color=COLOURS[colour], bgcolor=on, bold=bold, reverse=reverse)
