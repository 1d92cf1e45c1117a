"""Fragments: instructions as bytes with holes, written one a line, and the holes filled.

``label: bytes | mnemonic | clocks | comment``, everything after the bytes may be left out. A byte is two
hexadecimal digits or a hole: ``{name}`` the low byte of a figure, ``{name:h}`` its high byte, ``{name:w}`` both in the
processor's order, ``{name:l}`` four, ``{name:r}`` the distance from the instruction's end as one signed byte,
``{name:d}`` as two. ``{name+1}`` adds. A mnemonic names the same
holes, which are then written as figures.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

__all__ = ["Hole", "OutOfReach", "Row", "fill_row", "parse_fragment", "spoken_row"]

Form = Literal["b", "h", "w", "l", "r", "d"]
Value = Callable[[str], int]

_HOLE = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)(?:([+-]\d+))?(?::([hwlrd]))?\}")
_LABEL = re.compile(r"([A-Za-z_][A-Za-z0-9_]*):\s*(.*)", re.DOTALL)
_REACH = {"r": range(-128, 128), "d": range(-32768, 32768)}
_SIZES = {"w": 2, "d": 2, "l": 4}


class OutOfReach(Exception):  # noqa: N818 - not an error: another layout is tried
    """A relative branch cannot go that far."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A place for a figure: ``name``, what is added to it, and how it is written."""

    name: str
    add: int
    form: Form

    @property
    def size(self) -> int:
        """Bytes."""
        return _SIZES.get(self.form, 1)


@dataclass(frozen=True, slots=True)
class Row:
    """One instruction, or a bare label (no bytes)."""

    label: str
    parts: tuple[int | Hole, ...]
    mnemonic: str
    clocks: int
    comment: str

    @property
    def size(self) -> int:
        """Bytes."""
        return sum(part.size if isinstance(part, Hole) else 1 for part in self.parts)

    @property
    def asks(self) -> frozenset[str]:
        """Names of figures that its bytes need."""
        return frozenset(part.name for part in self.parts if isinstance(part, Hole))


@lru_cache(maxsize=4096)
def parse_fragment(text: str) -> tuple[Row, ...]:
    """The rows of a fragment. ValueError where a line is none."""
    return tuple(_row(line) for line in text.splitlines() if line.strip())


def _row(line: str) -> Row:
    label = ""
    found = _LABEL.fullmatch(line.strip())
    if found:
        label, line = found[1], found[2]
    columns = [column.strip() for column in line.split("|")]
    columns += [""] * (4 - len(columns))
    written, mnemonic, clocks, comment = columns[:4]
    return Row(label, tuple(_part(token) for token in written.split()), mnemonic, int(clocks or 0), comment)


def _part(token: str) -> int | Hole:
    found = _HOLE.fullmatch(token)
    if found:
        return _hole(found)
    if len(token) != 2:
        raise ValueError(f"{token!r} is neither two hexadecimal digits nor a hole")
    return int(token, 16)


def _hole(found: re.Match[str]) -> Hole:
    form: Form = found[3] or "b"  # type: ignore[assignment]
    return Hole(found[1], int(found[2] or 0), form)


def fill_row(row: Row, at: int, value: Value, *, high_first: bool, bits: int = 16) -> bytes:
    """The bytes of a row that lies at ``at``.

    Raises
    ------
    OutOfReach
        a relative branch goes further than its signed byte or bytes can say.
    """
    filled = bytearray()
    for part in row.parts:
        if isinstance(part, int):
            filled.append(part)
            continue
        figure = (value(part.name) + part.add) & ((1 << bits) - 1)
        match part.form:
            case "b":
                filled.append(figure & 0xFF)
            case "h":
                filled.append(figure >> 8 & 0xFF)
            case "w" | "l":
                figure &= (1 << 8 * part.size) - 1
                filled += figure.to_bytes(part.size, "big" if high_first else "little")
            case "r" | "d":
                half = 1 << (bits - 1)
                distance = (figure - (at + row.size) + half) % (2 * half) - half
                if distance not in _REACH[part.form]:
                    raise OutOfReach(part.name)
                filled += distance.to_bytes(part.size, "big" if high_first else "little", signed=True)
    return bytes(filled)


def spoken_row(text: str, value: Value, number: str, words: Sequence[tuple[str, str]] = (), bits: int = 16) -> str:
    """A mnemonic or comment with its holes written as figures; ``words`` are holes for text."""
    for name, said in words:
        text = text.replace("{" + name + "}", said)

    def written(found: re.Match[str]) -> str:
        hole = _hole(found)
        figure = (value(hole.name) + hole.add) & ((1 << bits) - 1)
        if hole.form == "w":
            return _figure(number, f"{figure & 0xFFFF:04X}")
        if hole.form in ("l", "r", "d"):
            return _figure(number, f"{figure:0{(bits + 3) // 4}X}")
        return _figure(number, f"{figure >> 8 & 0xFF if hole.form == 'h' else figure & 0xFF:02X}")

    return _HOLE.sub(written, text)


def _figure(number: str, digits: str) -> str:
    """A figure that nothing marks in front begins with a digit, as Intel's assemblers want it."""
    return number.format("0" + digits if number.startswith("{") and digits[0] > "9" else digits)
