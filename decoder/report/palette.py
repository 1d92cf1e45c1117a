"""The page's colours, in one place: on paper and on a dark screen, each pair with the contrast WCAG 2.2 asks.

Red and green never carry a meaning alone: every mark has a word beside it. The
pairs below are all that the page uses; the tests compute each one's contrast.
"""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["DARK", "GRAPHIC_PAIRS", "LIGHT", "TEXT_PAIRS", "css_variables"]

LIGHT: Mapping[str, str] = {
    "paper": "#fbfaf6",
    "panel": "#f0ede4",
    "ink": "#1e1d1a",
    "faint": "#5a574f",
    "rule": "#8a867b",
    "wrong": "#9c2a12",
    "wrong-panel": "#fbe4dc",
    "maybe": "#7a5200",
    "maybe-panel": "#fbeecb",
    "good": "#1d5f43",
    "good-panel": "#dff0e5",
    "heat-0": "#f0ede4",
    "heat-1": "#f7d9a8",
    "heat-2": "#eda866",
    "heat-3": "#b4481f",
    "heat-4": "#6e1d0c",
    "on-heat-0": "#5a574f",
    "on-heat-1": "#1e1d1a",
    "on-heat-2": "#1e1d1a",
    "on-heat-3": "#ffffff",
    "on-heat-4": "#ffffff",
}

DARK: Mapping[str, str] = {
    "paper": "#16181b",
    "panel": "#22262b",
    "ink": "#ebe8e1",
    "faint": "#b0b4b8",
    "rule": "#767c83",
    "wrong": "#ff9f80",
    "wrong-panel": "#4a1f14",
    "maybe": "#f0c768",
    "maybe-panel": "#443207",
    "good": "#7fd3a8",
    "good-panel": "#15382a",
    "heat-0": "#22262b",
    "heat-1": "#4f3316",
    "heat-2": "#8a4a1c",
    "heat-3": "#e58a4f",
    "heat-4": "#ffd0b0",
    "on-heat-0": "#b0b4b8",
    "on-heat-1": "#ebe8e1",
    "on-heat-2": "#ffffff",
    "on-heat-3": "#16181b",
    "on-heat-4": "#16181b",
}

# (text, what it stands on): at least 4.5 : 1, WCAG 2.2 success criterion 1.4.3.
TEXT_PAIRS: tuple[tuple[str, str], ...] = (
    ("ink", "paper"),
    ("ink", "panel"),
    ("ink", "wrong-panel"),
    ("ink", "maybe-panel"),
    ("ink", "good-panel"),
    ("faint", "paper"),
    ("faint", "panel"),
    ("wrong", "paper"),
    ("wrong", "wrong-panel"),
    ("maybe", "paper"),
    ("maybe", "maybe-panel"),
    ("good", "paper"),
    ("good", "good-panel"),
    *((f"on-heat-{k}", f"heat-{k}") for k in range(5)),
)
# (line or mark, what it stands on): at least 3 : 1, success criterion 1.4.11.
GRAPHIC_PAIRS: tuple[tuple[str, str], ...] = (
    ("rule", "paper"),
    ("rule", "panel"),
    ("wrong", "panel"),
    ("good", "panel"),
    ("maybe", "panel"),
)


def css_variables(colours: Mapping[str, str]) -> str:
    """``--paper: #fbfaf6; …`` for a style sheet."""
    return " ".join(f"--{name}: {colour};" for name, colour in colours.items())
