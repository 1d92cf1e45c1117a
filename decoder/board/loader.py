"""Reads a board file: every mistake in it comes back at once, nothing in it is obeyed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from busledger.decoder.board.build import build_buffers, build_decoders, build_regions, build_tested
from busledger.decoder.board.build_regulators import build_regulators
from busledger.decoder.board.draft import Draft
from busledger.decoder.board.mistakes import Mistakes, nearest
from busledger.decoder.board.model import Board
from busledger.decoder.board.rules import check_draft
from busledger.decoder.board.schema import BoardTable, is_line
from busledger.decoder.errors import BoardError
from busledger.decoder.text import plain
from busledger.decoder.toml_text import read_toml_bytes, toml_tables

__all__ = ["bus_of_board", "load_board"]

MOST_REGIONS = 16_384
"""Selects of four bytes in 64 KB; the cycles' ``region`` column, int16, ends at twice as many."""
_TABLES = ("board", "wiring", "region", "decoder", "buffer", "regulator", "tested")


def load_board(
    path: str | Path,
    *,
    data_bits: int | None = None,
    address_bits: int | None = None,
    lines: Collection[str] | None = None,
    driven: Collection[str] = (),
    allow_outside: bool = False,
) -> Board:
    """The card that the board file at ``path`` describes.

    Parameters
    ----------
    data_bits, address_bits, lines
        What the bus profile says, where the caller knows it: the width of the two
        buses, and the names of the profile's lines. More mistakes are found then.
    driven
        Of those, the lines that the bus's master drives.
    allow_outside
        Let ``image`` name a file outside the board file's folder.

    Raises
    ------
    BoardError
        The file cannot be read, is not TOML, or breaks the contract. Its text has
        one line for each mistake: file, table, key, what was found, what was
        expected.
    """
    file = Path(path)
    raw = _parse(file)
    _tables.cache_clear()
    mistakes = Mistakes(str(path))
    for key in raw:
        if key not in _TABLES:
            expected = "[board], [wiring], [[region]], [[decoder]], [[buffer]], [[regulator]] or [[tested]]"
            mistakes.add("", plain(key), "no such table", expected + nearest(key, _TABLES))
    head = mistakes.check("[board]", BoardTable, raw["board"]) if "board" in raw else None
    if "board" not in raw:
        mistakes.add("[board]", "", "the table is missing", "[board] with name and bus")
    rows = raw.get("region")
    if isinstance(rows, list) and len(rows) > MOST_REGIONS:
        mistakes.add("[[region]]", "", f"{len(rows)} regions", f"at most {MOST_REGIONS}")
        mistakes.stop()
    wiring = _wiring(raw.get("wiring", {}), mistakes)
    draft = Draft(raw, file.parent, allow_outside, mistakes)
    build_regions(draft)
    build_decoders(draft)
    build_buffers(draft)
    build_regulators(draft)
    build_tested(draft)
    check_draft(draft, data_bits=data_bits, address_bits=address_bits, lines=lines, driven=driven)
    mistakes.stop()
    assert head is not None
    return Board(
        path=str(path),
        name=head.name,
        bus=head.bus,
        description=head.description,
        wiring=wiring,
        regions=tuple(region for _, region in draft.regions),
        decoders=tuple(decoder for _, decoder in draft.decoders),
        buffers=tuple(buffer for _, buffer in draft.buffers),
        regulators=tuple(draft.regulators),
        parity=tuple(one for _, one in draft.parity),
        ninth_bits=tuple(draft.ninth_bits),
        tested=tuple(one for _, one in draft.tested),
    )


def bus_of_board(path: str | Path) -> str:
    """The bus that a board file names, so that the file can be read knowing how wide that bus is.

    Raises
    ------
    BoardError
        The file cannot be read, or it names no bus: then with every mistake in it.
    """
    raw = _parse(Path(path))
    mistakes = Mistakes(str(path))
    head = mistakes.check("[board]", BoardTable, raw["board"]) if "board" in raw else None
    return head.bus if head is not None else load_board(path).bus


@lru_cache(maxsize=1)
def _tables(text: str) -> dict[str, Any]:
    """The tables, which nobody changes: a file is read for its bus first, then for all of it."""
    return toml_tables(text)


def _parse(file: Path) -> dict[str, Any]:
    """The tables of a TOML file; BoardError for whatever keeps it from being one."""
    where = plain(str(file))
    try:
        if file.is_dir():
            raise BoardError("this is a folder", where=where, expected="a board file (TOML)")
        data = read_toml_bytes(file)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BoardError(
            f"the board file cannot be read: {reason}", where=where, expected="a readable TOML file"
        ) from error
    if not data.strip():
        raise BoardError("the board file is empty", where=where, expected="[board], and a [[region]] for each select")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BoardError("the board file is not text", where=f"{where}, line {line}", expected="UTF-8") from error
    try:
        return _tables(text)
    except tomllib.TOMLDecodeError as error:
        what, line = _toml_error(str(error), text)
        raise BoardError(
            f"this is not TOML: {what}",
            where=f"{where}, line {line}",
            expected="key = value lines under [tables]",
        ) from error


def _toml_error(message: str, text: str) -> tuple[str, int]:
    """What the TOML reader said, and the line; a file that ends too early is wrong in its last line."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(found[1]) if found else text.count("\n") + 1
    return plain(re.sub(r"\s*\(at [^)]*\)$", "", message)), line


def _wiring(raw: Any, mistakes: Mistakes) -> dict[str, str]:
    """The ``[wiring]`` table as given: line → channel name."""
    if not isinstance(raw, Mapping):
        mistakes.add("[wiring]", "", "found no table", 'line = "channel name" pairs')
        return {}
    wiring: dict[str, str] = {}
    for line, channel in raw.items():
        if not is_line(line):
            mistakes.add(
                "[wiring]", plain(line) or '""', "this cannot be a line's name", "a line such as A0, MREQ, CS3"
            )
        elif not isinstance(channel, str) or not channel:
            mistakes.add("[wiring]", line, f"found {plain(repr(channel), 60)}", "the name of a channel, in quotes")
        else:
            wiring[line] = channel
    return wiring
