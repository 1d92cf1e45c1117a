"""The browser's keys, written down once: bindings, the key bar and the help sheet are made from these tables.

A letter goes forward; the same letter with shift goes back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from textual.binding import Binding, BindingType

__all__ = [
    "ANYWHERE",
    "CYCLES",
    "FLIP",
    "LEVELS",
    "NOTES",
    "PICTURE",
    "SHEET",
    "VIEWS",
    "WHERE",
    "WHY",
    "Key",
    "bindings",
    "nothing_words",
]


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
    ("where", "w", "Where"),
    ("why", "y", "Why"),
    ("cycles", "c", "Cycles"),
    ("levels", "l", "Levels"),
    ("selects", "s", "Selects"),
    ("buffers", "b", "Buffers"),
    ("timing", "t", "Timing"),
    ("trend", "r", "Trend"),
    ("notes", "n", "Notes"),
)

ANYWHERE: tuple[Key, ...] = (
    Key((("question_mark", "help"),), "?", "help", "This sheet: every key of every screen"),
    Key((("q", "leave"),), "q", "quit", "Leave the browser"),
    Key((("N", "pin"),), "N", "note", "Pin a note to what is chosen: this cycle, this part, or the board"),
    Key((("ctrl+o", "open_other"),), "^o", "open", "Open another capture of the same board"),
    Key((("ctrl+r", "reload"),), "^r", "reload", "Decode the capture again"),
    Key((("escape", "stop"),), "esc", "stop", "Stop a search, or close what lies on top"),
)

# Works in every view: a filter that is on is told in all of them.
FLIP = Key((("F", "flip_filter"),), "F", "off/on", "Lift the filter, in any view; again: put it back")
_STEP = Key(
    (("comma", "cycle(-1)"), ("full_stop", "cycle(1)")),
    ", .",
    "step",
    "The cycle before, the cycle after, whatever the filter shows",
)

_SEARCHES: tuple[Key, ...] = (
    _pair("m", "mismatch", "mismatch", "Next mismatch; M the one before"),
    _pair("d", "lane", "lane", "Next mismatch on the chosen data lane (or the one that differs here); D before"),
    _pair("p", "part", "part", "Next mismatch on the part that serves the lane here; P before"),
    _pair("a", "address", "address", "Next cycle at this address; A before"),
    Key((("o", "origin"),), "o", "origin", "To the write that this cell's value came from"),
    Key(
        (("x", "program"),),
        "x",
        "program",
        "The program beside the cycles; again: folded, a line an instruction; again: not",
    ),
    Key((("X", "derailed"),), "X", "derailed", "To the read with which the program left its road"),
    Key((("backspace", "back"),), "bksp", "back", "Back to where the last jump started"),
    Key((("g", "go"),), "g", "go to", "Go to a time, an address or a cycle's number"),
    Key((("f", "filter"),), "f", "filter", "Show only some cycles: region, kind, address, time, flag, lane"),
    FLIP,
)

_NUMBERS = Key(
    tuple((str(n), f"suspect({n})") for n in range(1, 10)), "1-9", "suspect", "Why: the suspect of that rank"
)

WHERE: tuple[Key, ...] = (
    Key(
        (("left", "cell(0, -1)"), ("right", "cell(0, 1)"), ("up", "cell(-1, 0)"), ("down", "cell(1, 0)")),
        "←→↑↓",
        "cell",
        "Choose a region's lane; its counts and its chip are told below",
    ),
    Key((("enter", "open_cell"),), "enter", "its cycles", "Show the wrong cycles of the chosen cell"),
    _NUMBERS,
)

WHY: tuple[Key, ...] = (
    Key((("left", "turn(-1)"), ("right", "turn(1)")), "←→", "suspect", "The suspect before, the suspect after"),
    _NUMBERS,
    Key((("up", "piece(-1)"), ("down", "piece(1)")), "↑↓", "evidence", "Choose a piece of evidence or a cycle"),
    Key((("enter", "open_piece"),), "enter", "see it", "Go to the cycle, or to the wrong cycles behind the suspect"),
    Key((("pageup", "scroll(-1)"), ("pagedown", "scroll(1)")), "pgup pgdn", "scroll", "Scroll by a screenful"),
)

PICTURE: tuple[Key, ...] = (
    Key((("up", "line(-1)"), ("down", "line(1)")), "↑↓", "scroll", "Scroll by a line"),
    Key((("pageup", "scroll(-1)"), ("pagedown", "scroll(1)")), "pgup pgdn", "page", "Scroll by a screenful"),
    Key((("home", "top"), ("end", "bottom")), "home end", "ends", "To the beginning, to the end"),
)

NOTES: tuple[Key, ...] = (
    Key((("up", "choose(-1)"), ("down", "choose(1)")), "↑↓", "note", "Choose a note"),
    Key((("enter", "open_note"),), "enter", "its cycle", "Go to the cycle that the note is pinned to"),
    Key((("x", "remove"),), "x", "remove", "Take the chosen note away; the backup keeps it"),
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
        "list",
        "One line of the list; page up and down a screenful; home and end the first and last",
    ),
    _STEP,
    *_SEARCHES,
    Key(
        tuple((str(n), f"choose_lane({n})") for n in range(10)),
        "0-9",
        "choose",
        "Choose data lane D0 to D9; again: none",
    ),
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
    _STEP,
    *_SEARCHES[:2],
    _pair("e", "edge", "edge", "To the next edge of the chosen line; E the one before"),
    Key(
        (("left_square_bracket", "mark(0)"), ("right_square_bracket", "mark(1)")),
        "[ ]",
        "marks",
        "Put the first or second mark in the middle; again: take it away",
    ),
    Key((("0", "centre"),), "0", "centre", "Put the sampling edge back in the middle"),
    Key((("up", "line(-1)"), ("down", "line(1)")), "↑↓", "line", "Choose a line or a group"),
    Key((("shift+up", "carry(-1)"), ("shift+down", "carry(1)")), "shift↑↓", "carry", "Carry the line up or down"),
    Key((("enter", "fold"),), "enter", "fold", "Open or close the chosen group"),
    Key((("j", "join"), ("J", "split")), "j J", "join", "Join the chosen line to the one above as a group; J parts it"),
    Key((("h", "hide"), ("H", "show_all")), "h H", "hide", "Put the chosen line away; H brings all of them back"),
    *_SEARCHES[2:],
)

# The help sheet, in the order in which a person meets the screens.
SHEET: tuple[tuple[str, tuple[Key, ...]], ...] = (
    ("Where it hurts", WHERE),
    ("Why", WHY),
    ("Cycles", CYCLES),
    ("Levels", LEVELS),
    ("Selects, Buffers, Timing, Trend", PICTURE),
    ("Notes", NOTES),
    ("Anywhere", ANYWHERE),
)

# Which tables a view binds, under the word that its bar shows.
_OF_VIEW: dict[str, tuple[Key, ...]] = {
    "where": WHERE,
    "why": WHY,
    "cycles": CYCLES,
    "levels": LEVELS,
    "selects": PICTURE,
    "buffers": PICTURE,
    "timing": PICTURE,
    "trend": PICTURE,
    "notes": NOTES,
}


def nothing_words(view: str, key: str, character: str | None) -> str:
    """What to say of a key that a view has no use for: in which views it does something, if in any."""
    words = {name: word for name, _, word in VIEWS}
    shown = character if character is not None and character.isprintable() and character != " " else key
    there = [
        words[name]
        for name, keys in _OF_VIEW.items()
        if name != view and any(press == key for one in keys for press, _ in one.presses)
    ]
    if not there:
        return f"{shown} does nothing. ? lists the keys."
    listed = there[0] if len(there) == 1 else f"{', '.join(there[:-1])} and {there[-1]}"
    return f"{shown} does nothing in {words[view]}; it works in {listed}."
