"""The figures of one line: hexadecimal words with whatever stands between them, and the word before each."""

from __future__ import annotations

import re
from typing import NamedTuple

__all__ = ["Figure", "figures_of"]

_RUN = re.compile(r"[0-9A-Za-z]+")
_NUMBER = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,8})[hH]?")
_DECIMAL = re.compile(r"[0-9]{1,10}")
_GLUED = re.compile(r"[WwRr]")  # 4123W55R51
# Words of messages that happen to be hexadecimal: left out where a line has more than three figures with them.
_WORDS = frozenset(("A", "BE", "BAD", "ADD", "AD", "DEAD", "FED", "FADE", "FADED", "FACE", "ED", "DEAF", "BED"))
_NEEDED = 3


class Figure(NamedTuple):
    """A number, how many digits it was printed with, the word before it (upper-case, or empty)."""

    value: int
    digits: int
    label: str
    letters: bool


def figures_of(line: str, *, decimal: bool = False) -> list[Figure]:
    """Every figure of a line, from the left."""
    found: list[tuple[Figure, str]] = []
    label = ""
    for run in _RUN.finditer(line):
        text = run[0]
        pieces = [text] if decimal else _pieces(text)
        if not pieces:
            label = text.upper()
            continue
        if len(pieces) > 1 or len(pieces[0]) < len(text):
            label = ""
        at = 0
        for piece in pieces:
            match = (_DECIMAL if decimal else _NUMBER).fullmatch(piece)
            if match is None:
                label = piece.upper()
                continue
            at = text.find(piece, at)
            before = text[at - 1].upper() if at and text[at - 1] in "WwRr" else label
            digits = match[0] if decimal else match[1]
            letters = not digits.isdigit()
            found.append((Figure(int(digits, 10 if decimal else 16), len(digits), before, letters), piece.upper()))
            label = ""
            at += len(piece)
    return _without_words(found)


def _pieces(text: str) -> list[str]:
    """The figures inside one run of letters and digits; none where it is a word."""
    if _NUMBER.fullmatch(text):
        return [text]
    parts = [part for part in _GLUED.split(text) if part]
    glued = len(text) > 2 and parts and all(len(part) >= 2 and _NUMBER.fullmatch(part) for part in parts)
    return parts if glued and any(any(c.isdigit() for c in part) for part in parts) else []


def _without_words(found: list[tuple[Figure, str]]) -> list[Figure]:
    """A word such as BE goes where enough figures stay; what follows is labelled by what stood before it."""
    if len(found) <= _NEEDED:
        return [figure for figure, _ in found]
    kept: list[Figure] = []
    spare = len(found) - _NEEDED
    carried = ""
    for figure, text in found:
        if spare and text in _WORDS:
            spare -= 1
            carried = figure.label or text
            continue
        kept.append(figure._replace(label=figure.label or carried))
        carried = ""
    return kept
