"""The browser's keys, written down once: bindings, the key bar and the help sheet are made from these tables.

A letter goes forward; the same letter with shift goes back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from textual.binding import Binding, BindingType

__all__ = ["ANYWHERE", "CYCLES", "LEVELS", "SHEET", "VIEWS", "Key", "bindings"]


@dataclass(frozen=True, slots=True)
class Key:
    """``presses``: (key, action) pairs; ``shown`` and ``word`` for the key bar; ``sentence`` for the help sheet."""

    presses: tuple[tuple[str, str], ...]
    shown: str
    word: str
    sentence: str


def bindings(keys: Iterable[Key]) -> list[BindingType]:
    """Textual's bindings for a table; shown nowhere but in our own key bar."""
    return [
        Binding(press, action, key.word, show=False, priority=press in ("tab",))
        for key in keys
        for press, action in key.presses
    ]


def _pair(letter: str, action: str, word: str, sentence: str) -> Key:
    return Key(
        ((letter, f"{action}(1)"), (letter.upper(), f"{action}(-1)")), f"{letter} {letter.upper()}", word, sentence
    )


# Screen name, key, word.
VIEWS: tuple[tuple[str, str, str], ...] = (
    ("cycles", "c", "Cycles"),
    ("levels", "l", "Levels"),
)

ANYWHERE: tuple[Key, ...] = (
    Key((("question_mark", "help"),), "?", "help", "This sheet: every key of every screen"),
    Key((("q", "leave"),), "q", "quit", "Leave the browser"),
    Key((("ctrl+o", "open_other"),), "^o", "open", "Open another capture of the same board"),
    Key((("ctrl+r", "reload"),), "^r", "reload", "Decode the capture again"),
    Key((("escape", "stop"),), "esc", "stop", "Stop a search, or close what lies on top"),
)

_SEARCHES: tuple[Key, ...] = (
    _pair("m", "mismatch", "mismatch", "Next mismatch; M the one before"),
    _pair("d", "lane", "lane", "Next mismatch on the chosen data lane (or the one that differs here); D before"),
    _pair("p", "part", "part", "Next mismatch on the part that serves the lane here; P before"),
    _pair("a", "address", "address", "Next cycle at this address; A before"),
    Key((("o", "origin"),), "o", "origin", "To the write that this cell's value came from"),
    Key((("backspace", "back"),), "⌫", "back", "Back to where the last jump started"),
    Key((("g", "go"),), "g", "go to", "Go to a time, an address or a cycle's number"),
)

CYCLES: tuple[Key, ...] = (
    Key(
        (
            ("up", "step(-1)"),
            ("down", "step(1)"),
            ("pageup", "page(-1)"),
            ("pagedown", "page(1)"),
            ("home", "end(False)"),
            ("end", "end(True)"),
        ),
        "↑↓",
        "step",
        "One cycle; page up and down a screenful; home and end the first and last",
    ),
    *_SEARCHES,
    Key(
        tuple((str(n), f"choose_lane({n})") for n in range(10)),
        "0-9",
        "choose",
        "Choose data lane D0 to D9; again: none",
    ),
    Key((("f", "filter"),), "f", "filter", "Show only some cycles: region, kind, address, time, flag, lane"),
    Key((("F", "unfilter"),), "F", "all", "Show all cycles again"),
)

LEVELS: tuple[Key, ...] = (
    Key(
        (
            ("left", "pan(-1)"),
            ("right", "pan(1)"),
            ("shift+left", "pan(-0.1)"),
            ("shift+right", "pan(0.1)"),
        ),
        "←→",
        "pan",
        "Move in time; with shift a tenth as far",
    ),
    Key(
        (("plus", "zoom(True)"), ("equals_sign", "zoom(True)"), ("minus", "zoom(False)")),
        "+ -",
        "zoom",
        "Closer, wider",
    ),
    _pair("e", "edge", "edge", "To the next edge of the chosen line; E the one before"),
    Key(
        (("left_square_bracket", "mark(0)"), ("right_square_bracket", "mark(1)")),
        "[ ]",
        "marks",
        "Put the first or second mark in the middle; again: take it away",
    ),
    Key((("comma", "step(-1)"), ("full_stop", "step(1)")), ", .", "step", "The cycle before, the cycle after"),
    Key((("0", "centre"),), "0", "centre", "Put the sampling edge back in the middle"),
    Key((("up", "line(-1)"), ("down", "line(1)")), "↑↓", "line", "Choose a line or a group"),
    Key((("shift+up", "carry(-1)"), ("shift+down", "carry(1)")), "⇧↑⇧↓", "carry", "Carry the chosen line up or down"),
    Key((("enter", "fold"),), "⏎", "fold", "Open or close the chosen group"),
    Key((("j", "join"), ("J", "split")), "j J", "join", "Join the chosen line to the one above as a group; J parts it"),
    Key((("h", "hide"), ("H", "show_all")), "h H", "hide", "Put the chosen line away; H brings all of them back"),
    *_SEARCHES,
)

# The help sheet, in the order in which a person meets the screens.
SHEET: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("Cycles", CYCLES),
    ("Levels", LEVELS),
    ("Anywhere", ANYWHERE),
)
