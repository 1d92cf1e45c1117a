"""What is said of a list on the command line: the order of its figures, the ranges that were tested."""

from __future__ import annotations

import re
from collections.abc import Sequence

from busledger.decoder.errors import UsageError
from busledger.decoder.errors_list.columns import FIELDS, SKIP
from busledger.decoder.text import plain

__all__ = ["parse_order", "parse_tested"]

_RANGE = re.compile(
    r"\s*(?:0x|\$)?([0-9A-Fa-f]{1,8})H?\s*(?:-|\.\.)\s*(?:0x|\$)?([0-9A-Fa-f]{1,8})H?\s*", re.IGNORECASE
)
_MOST_FIGURES = 12


def parse_order(text: str) -> tuple[str, ...]:
    """``address,wrote,read`` in any order, ``skip`` for a figure that is none of them.

    Raises
    ------
    UsageError
        an unknown word, or a field that is missing or given twice.
    """
    words = tuple(word.strip().lower() for word in text.split(","))
    expected = f"each of {', '.join(FIELDS)} once, and '{SKIP}' for every other figure before the last of them"
    for word in words:
        if word not in (*FIELDS, SKIP):
            raise UsageError(f"--order holds {plain(word)!r}", expected=expected)
    for field in FIELDS:
        if words.count(field) != 1:
            raise UsageError(f"--order names {field} {words.count(field)} times", expected=expected)
    if len(words) > _MOST_FIGURES:
        raise UsageError(f"--order names {len(words)} figures", expected=f"at most {_MOST_FIGURES}")
    return words


def parse_tested(texts: Sequence[str]) -> tuple[tuple[int, int], ...]:
    """Ranges from ``4000-4FFF`` texts, hexadecimal, both ends included; those that touch become one, ascending.

    Raises
    ------
    UsageError
        a range that cannot be read, or that ends before it starts.
    """
    found = []
    for text in texts:
        match = _RANGE.fullmatch(text)
        if match is None:
            raise UsageError(
                f"cannot read {plain(text)!r} after --tested",
                expected="START-END in hexadecimal, both included, such as 4000-4FFF",
            )
        start, end = int(match[1], 16), int(match[2], 16)
        if end < start:
            raise UsageError(f"the range after --tested ends before it starts: {start:04X}-{end:04X}")
        found.append((start, end))
    joined: list[tuple[int, int]] = []
    for start, end in sorted(found):
        if joined and start <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return tuple(joined)
