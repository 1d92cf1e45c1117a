"""Names of addresses, from a file with a name and an address a line."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable
from pathlib import Path

from busledger.decoder.errors import UsageError
from busledger.decoder.program.following.instructions import Reading
from busledger.decoder.text import plain

__all__ = ["Symbols", "load_symbols"]

_LARGEST_FILE = 4 << 20
_FARTHEST = 0x400  # bytes behind a name that still belong to it
_NUMBER = re.compile(r"(?:0x|\$|&|>)?([0-9a-f]{1,8})h?", re.IGNORECASE)
_NUMBER_IN_TEXT = re.compile(r"[$>][0-9A-F]+|\b[0-9][0-9A-F]*H\b")


class Symbols:
    """Names by address; where two names share one, the first that the file gives."""

    def __init__(self, names: Iterable[tuple[str, int]]) -> None:
        found: dict[int, str] = {}
        for name, address in names:
            found.setdefault(address, name)
        self._names = found
        self._starts = sorted(found)

    def __len__(self) -> int:
        return len(self._names)

    @property
    def names(self) -> tuple[tuple[int, str], ...]:
        """(address, name), by address."""
        return tuple(sorted(self._names.items()))

    def at(self, address: int) -> str:
        """The name of exactly this address, or ""."""
        return self._names.get(address, "")

    def place(self, address: int) -> str:
        """``FILL`` or ``FILL+3``; "" where no name stands within a kilobyte before the address."""
        before = bisect_right(self._starts, address)
        if before == 0:
            return ""
        start = self._starts[before - 1]
        if address - start >= _FARTHEST:
            return ""
        name = self._names[start]
        return name if start == address else f"{name}+{address - start:X}"

    def named(self, text: str, reading: Reading) -> str:
        """An instruction's text with the name of its target in place of the address."""
        name = "" if reading.target is None else self.at(reading.target)
        numbers = list(_NUMBER_IN_TEXT.finditer(text)) if name else []
        if not numbers:
            return text
        return text[: numbers[-1].start()] + name + text[numbers[-1].end() :]


def load_symbols(path: str | Path) -> Symbols:
    """Names from a file: a name and a hexadecimal address a line, in either order.

    Addresses are written ``0x1234``, ``$1234``, ``>1234``, ``1234H`` or ``1234``; blanks, ``=``, ``:`` or EQU stand
    between them; what follows ``;`` or ``#`` is left out.

    Raises
    ------
    UsageError
        The file cannot be read, or a line is not of that form, with its number.
    """
    try:
        with Path(path).open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise UsageError(f"the symbols cannot be read: {error}", where=plain(str(path))) from error
    if len(data) > _LARGEST_FILE:
        raise UsageError("the file of symbols is too large", where=plain(str(path)), expected="at most 4 MB")
    names = []
    for number, line in enumerate(data.decode("utf-8", "replace").splitlines(), 1):
        entry = _entry(re.split(r"[;#]", line)[0])
        if entry is None:
            raise UsageError(
                f"'{plain(line.strip())[:60]}' does not give a name and an address",
                where=f"{plain(str(path))}, line {number}",
                expected="a name and a hexadecimal address, such as FILL 0100",
            )
        names += entry
    return Symbols(names)


def _entry(line: str) -> list[tuple[str, int]] | None:
    """One name and its address; none for an empty line, None for what cannot be read."""
    words = [word for word in re.split(r"[\s=:,]+", line.strip()) if word and word.casefold() not in ("equ", ".equ")]
    if not words:
        return []
    if len(words) != 2:
        return None
    first, second = words
    for name, number in ((first, second), (second, first)):
        match = _NUMBER.fullmatch(number)
        if match and not name[0].isdigit():
            return [(plain(name), int(match[1], 16))]
    return None
