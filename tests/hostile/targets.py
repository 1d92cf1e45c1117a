"""What must hold of every reader of files, whatever the bytes: an answer or one BusledgerError, and the same one again.

Used by the properties in ``tests/properties/test_fuzz_*`` and by the coverage-guided ``fuzz_inputs``.
"""

from __future__ import annotations

import datetime
import io
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from busledger.decoder.board import load_board
from busledger.decoder.bus import profile_from_text
from busledger.decoder.capture import Capture, open_capture
from busledger.decoder.errors import BusledgerError
from busledger.decoder.text import plain
from busledger.decoder.wiring import load_wiring
from tests.capture.vcd_texts import rows_of
from tests.reference import csv_twin, vcd_twin

__all__ = ["TARGETS", "board", "capture", "csv", "profile", "spoilt", "to_toml", "vcd", "wiring"]

VCD_HEAD = (
    b"$timescale 1 ns $end $var wire 1 ! a $end $var wire 9 %% b $end $var real 64 r c $end $enddefinitions $end\n"
)
CSV_HEAD = b"time_us,A0,data[7:0]\n"


def _calm(error: BusledgerError) -> None:
    text = str(error)
    assert error.what and len(text) < 100_000
    assert plain(text.replace("\n", " "), len(text)) == text.replace("\n", " ")


def _read(data: bytes, piece: int) -> tuple[str, Capture | None, list[str]]:
    """(what went wrong, rows, code words of the notes) of one reading in pieces."""
    try:
        with open_capture("-", stdin=io.BytesIO(data), rate_hz=1e6) as file:
            file.piece_bytes = piece
            block = file.read(range(len(file.header.signals)))
            return "", block, [note.code for note in file.notes]
    except BusledgerError as error:
        _calm(error)
        return error.what, None, []


def capture(data: bytes) -> Capture | None:
    """Rising times, no bit known and unknown at once, and the same answer in pieces of any size.

    What was read, where nothing had to be told of a file cut short.
    """
    wrong, block, notes = _read(data, 1 << 16)
    again, pieces, told = _read(data, 1 + len(data) % 37)
    assert wrong == again, (wrong, again)
    assert notes == told, (notes, told)
    if block is None or pieces is None:
        return None
    assert bool((np.diff(block.time) > 0).all())
    assert not bool((block.levels & block.unknown).any())
    assert np.array_equal(block.time, pieces.time) and block.gaps == pieces.gaps
    assert np.array_equal(block.levels, pieces.levels) and np.array_equal(block.unknown, pieces.unknown)
    return None if {"truncated", "early-end"} & set(notes) else block


def vcd(data: bytes) -> None:
    """A body after a good header, or the whole file where it begins with ``$``; the slow twin must agree."""
    whole = data if data.startswith(b"$") else VCD_HEAD + data
    block = capture(whole)
    if block is not None:
        sizes, lines, body = vcd_twin.read_header(whole.decode("latin-1"))
        twin = vcd_twin.read_body(body, sizes, lines)
        assert rows_of(block, len(lines)) == twin.rows
        assert [(gap.start, gap.end) for gap in block.gaps] == twin.gaps


def csv(data: bytes) -> None:
    """Samples under a good head line, where the slow twin must agree, or the whole file after ``time``."""
    if data.startswith(b"time"):
        capture(data)
    elif (block := capture(CSV_HEAD + data)) is not None and b"\r" not in data.replace(b"\r\n", b""):
        with open_capture("-", stdin=io.BytesIO(CSV_HEAD + data)) as file:  # the twin is told the base that was taken
            base = {"hexadecimal": 16, "binary": 2, "decimal": 10}[file.notes[0].text.rsplit(maxsplit=1)[1]]
        rows = csv_twin.read_csv((CSV_HEAD + data).decode("latin-1"), ",", "us", 1, [None, 8], [16, base])
        assert rows_of(block, 9) == rows, rows


def _from_file(load: Callable[[Path], object], data: bytes) -> None:
    with tempfile.TemporaryDirectory(prefix="busledger-fuzz-") as folder:
        path = Path(folder) / "given.toml"
        path.write_bytes(data)
        try:
            load(path)
        except BusledgerError as error:
            _calm(error)


def board(data: bytes) -> None:
    """A board file."""
    _from_file(load_board, data)


def wiring(data: bytes) -> None:
    """A wiring file."""
    _from_file(load_wiring, data)


def profile(data: bytes) -> None:
    """The text of a bus profile."""
    try:
        profile_from_text(data.decode("utf-8", "replace"), "given.toml")
    except BusledgerError as error:
        _calm(error)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "vcd": vcd,
    "csv": csv,
    "board": board,
    "wiring": wiring,
    "profile": profile,
}

WILD: tuple[Any, ...] = (
    0, 1, -1, 7, 255, 2**16, 2**31, 2**63, -(2**63), 10**400, 0.5, -0.0, 1e308, float("nan"), float("inf"), True, False,
    "", "D0", "D0-D7", "D7-D0", "D0-D99999999", "A0", "2114", "74LS245", "ram", "rom", "io", "z80", "../../x",
    "/etc/passwd", "\x1b[2J", "[red]x", "<script>", "\u202ex", "a" * 5000, "x\x00y", "not A0", "(" * 200,
    "A0 and not A0", "é",
    [], [[]], {}, [{}], ["D0", "D0"], ["D0", 1], {"line": "RD"}, {"line": "RD", "active": 2}, {"A": "A"},
    datetime.date(2000, 1, 1), datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC),
)  # fmt: skip


def spoilt(tree: Any, picks: Sequence[int]) -> Any:
    """``tree`` with a few values replaced, taken out, doubled or moved; ``picks`` decides which and by what."""
    rest = list(picks)

    def pick(count: int) -> int:
        return rest.pop() % count if rest else 0

    while len(rest) >= 3:
        at, key = _any_place(tree, pick)
        if at is None:
            break
        what = pick(4)
        if what == 0:
            del at[key]
        elif what == 1 and isinstance(at, list):
            at.append(at[key])
        elif what == 2:
            at[key] = {"deeper": at[key]} if pick(2) else [at[key], at[key]]
        else:
            at[key] = WILD[pick(len(WILD))]
    return tree


def _any_place(tree: Any, pick: Callable[[int], int]) -> tuple[Any, Any]:
    """A container somewhere in ``tree`` and one of its keys."""
    here, found = tree, (None, None)
    while isinstance(here, (dict, list)) and here:
        keys = list(here) if isinstance(here, dict) else range(len(here))
        key = list(keys)[pick(len(keys))]
        found = here, key
        here = here[key]
        if pick(4) == 3:
            break
    return found


def to_toml(value: Any) -> str:
    """``value`` in one line of TOML (inline tables), whatever it holds."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(c if " " <= c <= "~" and c not in '"\\' else f"\\U{ord(c):08x}" for c in value) + '"'
    if isinstance(value, dict):
        return "{" + ", ".join(f"{to_toml(str(k))} = {to_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(to_toml, value)) + "]"
    if isinstance(value, datetime.date):
        return value.isoformat()
    return repr(value)


def document(tree: dict[str, Any]) -> bytes:
    """A whole TOML file."""
    return "".join(f"{to_toml(k)} = {to_toml(v)}\n" for k, v in tree.items()).encode()
