"""The shape of each table of a board file: which keys, which kinds of value. Meaning is checked later.

Every table is checked on its own, so that one mistake does not hide another.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from busledger.decoder.board.lanes import parse_lanes
from busledger.decoder.wiring import canonical

__all__ = [
    "BoardTable",
    "BufferTable",
    "ChipTable",
    "DecoderTable",
    "DirectionTable",
    "EnableTable",
    "LatchTable",
    "LineLevelTable",
    "RegionTable",
    "RegulatorTable",
    "TestedTable",
    "is_line",
]

_LINE = re.compile(r"[A-Za-z0-9_+./~!*#\[\]()-]+")
_PLAIN = re.compile(r"[A-Z][A-Z0-9_]*[A-Z0-9]|[A-Z]")
HIGHEST_ADDRESS = 0xFFFF_FFFF


def is_line(text: str) -> bool:
    """Whether ``text`` can be the name of a line at all."""
    return len(text) <= 64 and _LINE.fullmatch(text) is not None


def line_name(text: str) -> str:
    """A line as the program writes it: upper case, without the trade's marks (``/MREQ``, ``mreq_n`` are MREQ)."""
    return text if _PLAIN.fullmatch(text) else (canonical(text) or [text])[0]


def _line(text: str) -> str:
    if not text.strip():
        raise ValueError("an empty line name")
    if not is_line(text):
        raise ValueError(f'"{text}", which cannot be a line name (letters, digits, _, no spaces)')
    return line_name(text)


def _name(text: str) -> str:
    if not text.strip():
        raise ValueError("an empty name")
    return text


def _lanes(value: Any) -> tuple[int, ...]:
    if isinstance(value, (str, list, tuple)):
        return parse_lanes(value)
    raise ValueError(f"{value!r} names no lanes")


Line = Annotated[str, AfterValidator(_line)]
Name = Annotated[str, AfterValidator(_name)]
Lanes = Annotated[tuple[int, ...], BeforeValidator(_lanes)]
Address = Annotated[int, Field(ge=0, le=HIGHEST_ADDRESS, strict=True)]
Level = Annotated[int, Field(ge=0, le=1, strict=True)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class BoardTable(_Table):
    """``[board]``"""

    name: Name
    bus: Name
    description: str = ""


class ChipTable(_Table):
    """One entry of a region's ``chips``."""

    designator: Name
    part: Name | None = None
    lanes: Lanes
    grade: Name | None = None
    row: Annotated[int, Field(strict=True)] | None = None
    column: Annotated[int, Field(strict=True)] | None = None
    line: Line | None = None
    line_in: Line | None = None
    parity: Literal["odd", "even"] | None = None


class RegionTable(_Table):
    """``[[region]]``; ``chips`` are checked one by one."""

    name: Name
    start: Address
    end: Address
    kind: Literal["ram", "rom", "io"]
    space: Literal["memory", "io", "program"] = "memory"
    select: Line | None = None
    chips: tuple[Any, ...] = ()
    image: Name | None = None
    image_offset: Annotated[int, Field(ge=0, strict=True)] | None = None
    image_fill: Annotated[int, Field(ge=0, le=255, strict=True)] | None = None
    when: Any = None
    mirror_of: Name | None = None
    shared: Annotated[bool, Field(strict=True)] = False
    write_protect: Any = False


class LineLevelTable(_Table):
    """``when`` or ``write_protect`` of a region: a clipped line, and the level at which it is so."""

    line: Line
    level: Level


class LatchTable(_Table):
    """``when`` of a region: what was last written to an address; ``value`` in the bits of ``mask``."""

    latch: Address
    space: Literal["memory", "io", "program"] = "memory"
    mask: Address
    value: Address


class TestedTable(_Table):
    """``[[tested]]``: what is known of a part from the bench."""

    designator: Name
    result: Literal["good", "bad", "replaced"]
    how: str = ""


class DecoderTable(_Table):
    """``[[decoder]]``, its pins checked one by one.

    With ``table`` or ``image`` it is a PROM whose pins are what ``inputs`` and ``outputs`` name.
    """

    designator: Name
    part: Name
    inputs: dict[str, Any]
    outputs: dict[str, Any]
    table: tuple[Annotated[int, Field(ge=0, strict=True)], ...] | None = None
    image: Name | None = None
    image_offset: Annotated[int, Field(ge=0, strict=True)] | None = None
    open_collector: bool = False


class RegulatorTable(_Table):
    """``[[regulator]]``: ``output`` in V where the part does not say it; ``feeds`` designators or region names."""

    designator: Name
    part: Name
    input: float
    output: float | None = None
    feeds: tuple[Name, ...] = ()


class DirectionTable(_Table):
    """``direction`` of a buffer: the level of ``line`` at which it drives toward the CPU."""

    line: Line
    to_cpu: Level


class EnableTable(_Table):
    """``enable`` of a buffer: the level of ``line`` at which it is on."""

    line: Line
    active: Level


class BufferTable(_Table):
    """``[[buffer]]``: of data ``lanes`` or of ``lines``; ``direction`` and ``enable`` are checked apart."""

    designator: Name
    part: Name
    lanes: Lanes | None = None
    lines: Annotated[tuple[Line, ...], Field(min_length=1)] | None = None
    serves: tuple[Name, ...] | None = None
    direction: Any = None
    enable: Any = None
    far_side: dict[str, Line] = Field(default_factory=dict)
