"""Numbers and places in the sentences of rivals."""

from __future__ import annotations

from busledger.decoder.board import Region
from busledger.decoder.durations import moment
from busledger.decoder.text import plain

__all__ = ["beside_an_answer", "counted", "look_at", "moment", "named", "span_of", "stated"]


def counted(number: int, one: str, many: str = "") -> str:
    """``40 000 cycles``, ``1 read``: thousands set apart by a space."""
    return f"{number:,}".replace(",", " ") + f" {one if number == 1 else many or one + 's'}"


def span_of(addresses: tuple[int, int], digits: int = 4) -> str:
    """``9000-903F``, or the one address."""
    start, end = addresses
    return f"{start:0{digits}X}" if start == end else f"{start:0{digits}X}-{end:0{digits}X}"


def named(region: Region) -> str:
    """A region as a sentence may name it."""
    return plain(region.name, 60)


def stated(name: str, addresses: tuple[int, int], kind: str, *more: str) -> tuple[str, ...]:
    """The lines of a ``[[region]]`` table for the board file."""
    start, end = addresses
    return (
        "[[region]]",
        f'name = "{name}"',
        f"start = 0x{start:04X}",
        f"end = 0x{end:04X}",
        f'kind = "{kind}"',
        *more,
    )


_UNTIL_THEN = "; nothing is said of the card on it until then"


def look_at(line: str) -> str:
    """The next step for a clip that is off."""
    return f"Look at the clip on {line}, put it back, and capture again{_UNTIL_THEN}."


def beside_an_answer(step: str) -> str:
    """The same as a warning beside an answer that says something of the card all the same."""
    return step.replace(_UNTIL_THEN, "")
