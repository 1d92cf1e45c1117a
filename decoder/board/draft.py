"""A board file half read: its raw tables, what could be built of them, and the mistakes so far."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busledger.decoder.board.mistakes import Mistakes
from busledger.decoder.board.model import Buffer, Chip, Decoder, NinthBit, ParityChip, Region, Regulator, Tested
from busledger.decoder.board.schema import line_name
from busledger.decoder.text import plain

if TYPE_CHECKING:
    from busledger.decoder.board.images import ImageRequest, RomImage

__all__ = ["Draft", "strings_in", "titled"]


@dataclass(slots=True)
class Draft:
    """``raw`` is what TOML held; the lists pair each built thing with its table's title."""

    raw: Mapping[str, Any]
    folder: Path
    allow_outside: bool
    mistakes: Mistakes
    regions: list[tuple[str, Region]] = field(default_factory=list)
    chips: list[tuple[str, Chip]] = field(default_factory=list)
    decoders: list[tuple[str, Decoder]] = field(default_factory=list)
    buffers: list[tuple[str, Buffer]] = field(default_factory=list)
    parity: list[tuple[str, ParityChip]] = field(default_factory=list)
    ninth_bits: list[NinthBit] = field(default_factory=list)
    regulators: list[Regulator] = field(default_factory=list)
    images: dict[str, tuple[ImageRequest, RomImage]] = field(default_factory=dict)  # by the region's table
    tested: list[tuple[str, Tested]] = field(default_factory=list)
    incomplete: set[str] = field(default_factory=set)  # regions of which a chip could not be read
    conditional: set[str] = field(default_factory=set)  # regions whose condition could not be read

    def tables(self, kind: str) -> Iterator[tuple[str, Any]]:
        """Every ``[[kind]]`` table with its title, such as ``[[region]] number 2 "bank1"``."""
        rows = self.raw.get(kind, [])
        if not isinstance(rows, list):
            self.mistakes.add(f"[[{kind}]]", "", f"found [{kind}]", f"[[{kind}]], in double brackets")
            return
        for number, row in enumerate(rows, 1):
            yield titled(f"[[{kind}]]", number, row), row

    def region_names(self) -> set[str]:
        """Names of all regions the file has, also of those that could not be built."""
        rows = self.raw.get("region", [])
        named = (row.get("name") for row in rows if isinstance(row, Mapping)) if isinstance(rows, list) else ()
        return {name for name in named if isinstance(name, str)}

    def used_lines(self) -> set[str]:
        """Lines that anything but a decoder's output names, also in tables that could not be built."""
        wired = self.raw.get("wiring")
        used = {line_name(line) for line in wired} if isinstance(wired, Mapping) else set()
        for kind in ("region", "decoder", "buffer"):
            rows = self.raw.get(kind, [])
            for row in rows if isinstance(rows, list) else ():
                if isinstance(row, Mapping):
                    used.update(line_name(text) for text in strings_in([row.get(key) for key in _USES[kind]]))
        return used


_USES = {
    "region": ("select", "when", "write_protect"),
    "decoder": ("inputs",),
    "buffer": ("lines", "direction", "enable", "far_side"),
}


def strings_in(value: Any) -> Iterator[str]:
    """Every text inside nested tables and lists; keys are no texts."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for one in value.values():
            yield from strings_in(one)
    elif isinstance(value, list):
        for one in value:
            yield from strings_in(one)


def titled(table: str, number: int, row: Any) -> str:
    """``table number N "name"`` as the reader finds it in the file."""
    name = (row.get("name") or row.get("designator")) if isinstance(row, Mapping) else None
    shown = f' "{plain(name, 40)}"' if isinstance(name, str) and name else ""
    return f"{table} number {number}{shown}"
