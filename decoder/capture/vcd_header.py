"""The header of a value change dump: signals, their codes, the time unit."""

from __future__ import annotations

import re
import signal
import threading
from dataclasses import dataclass, replace
from typing import Any

from busledger.decoder.capture.columns import Header, Note, Signal
from busledger.decoder.capture.vcd_scan import Scan, VarText
from busledger.decoder.errors import CaptureError
from busledger.decoder.text import plain

__all__ = ["Variable", "VcdHeader", "read_declarations"]

# 18.2.3.7: the number is 1, 10 or 100, the unit one of these.
_UNIT_FS = {b"s": 10**15, b"ms": 10**12, b"us": 10**9, b"ns": 10**6, b"ps": 10**3, b"fs": 1}
_NOT_LEVELS = frozenset({b"real", b"realtime", b"event", b"string"})
_RANGE = re.compile(r"^(?P<name>.+?)\[(?P<msb>-?\d{1,9})(?::(?P<lsb>-?\d{1,9}))?\]$")


@dataclass(frozen=True, slots=True)
class Variable:
    """One identifier code: ``size`` bits, and which signals show each.

    ``signals`` holds one tuple a name; its item i is the index in
    ``header.signals`` of bit i, counted from the right-most digit.
    """

    code: bytes
    size: int
    ignored: bool
    signals: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class VcdHeader:
    """What the header declares; ``body_at`` is the byte offset of what follows."""

    header: Header
    variables: tuple[Variable, ...]
    notes: tuple[Note, ...]
    body_at: int


def import_vcdvcd() -> Any:
    """The vcdvcd module; its import sets SIGPIPE to kill the process, which is put back."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "SIGPIPE"):
        import vcdvcd

        return vcdvcd
    before = signal.getsignal(signal.SIGPIPE)
    try:
        import vcdvcd
    finally:
        if before is not None:
            signal.signal(signal.SIGPIPE, before)
    return vcdvcd


def read_declarations(scan: Scan) -> VcdHeader:
    """Signals and codes of a finished ``Scan``; raises CaptureError on a contradiction.

    A code declared again under the same name in another scope is the same net and one signal.
    """
    notes: list[Note] = []
    tick_fs = _tick(scan, notes)
    if not scan.variables:
        raise scan.defect("no variable is declared", scan.body_at or 0, expected="at least one $var")
    declared = _through_vcdvcd(scan.variables)
    signals: list[Signal] = []
    shown: dict[bytes, list[tuple[int, ...]]] = {}
    first: dict[bytes, VarText] = {}
    same: dict[tuple[bytes, str], int] = {}
    skipped = 0
    for text, (name, kind, size) in zip(scan.variables, declared, strict=True):
        if text.code in first and first[text.code].size != text.size:
            raise scan.defect(
                f"the code {plain(text.code.decode('latin-1'))!r} is declared with {first[text.code].size} "
                f"and with {text.size} bits",
                text.at,
            )
        first.setdefault(text.code, text)
        names = shown.setdefault(text.code, [])
        if kind.encode("latin-1") in _NOT_LEVELS:
            skipped += 1
            continue
        scope = b".".join(text.scope).decode("utf-8", "replace")
        before = same.setdefault((text.code, name), len(signals))
        if before < len(signals):  # the same net, dumped again where a module below shows it under the same name
            for index in range(before, before + size):
                signals[index] = replace(signals[index], also=(*signals[index].also, scope))
            continue
        made = _bits_of(name, size, scope, notes)
        names.append(tuple(range(len(signals), len(signals) + len(made))))
        signals.extend(made)
    if skipped:
        notes.append(
            Note("skipped-variables", f"{skipped} variables hold no logic levels (real, event) and are skipped")
        )
    variables = tuple(Variable(code, first[code].size, not names, tuple(names)) for code, names in shown.items())
    return VcdHeader(Header(tuple(signals), tick_fs), variables, tuple(notes), scan.body_at or 0)


def _tick(scan: Scan, notes: list[Note]) -> int:
    if scan.timescale is None:
        notes.append(Note("no-timescale", "the header gives no $timescale: 1 ns is assumed"))
        return 10**6
    match = re.fullmatch(rb"(\d{1,9})\s*(s|ms|us|ns|ps|fs)", scan.timescale)
    if match is None or int(match[1]) == 0:
        shown = plain(scan.timescale.decode("latin-1"), 40)
        raise scan.defect(
            f"the time unit {shown!r} is not legal",
            scan.timescale_at,
            expected="1, 10 or 100 of s, ms, us, ns, ps, fs (IEEE 1364-2005 18.2.3.7)",
        )
    if int(match[1]) not in (1, 10, 100):
        shown = scan.timescale.decode("latin-1")
        notes.append(Note("odd-timescale", f"the time unit {shown} is not 1, 10 or 100 of a unit; taken as it stands"))
    return int(match[1]) * _UNIT_FS[match[2]]


def _through_vcdvcd(variables: list[VarText]) -> list[tuple[str, str, int]]:
    """(name, type, size) of each variable as vcdvcd reads the normalised declarations.

    vcdvcd looks for ``$scope`` and the like anywhere in a line, keeps one size a
    code and one code a name. So every declaration goes in alone in its scope,
    under a code of its own, and a name that holds a ``$`` under a stand-in.
    """
    lines = []
    for index, text in enumerate(variables):
        plain_name = b"$" not in text.reference
        name = text.reference.decode("utf-8", "replace") if plain_name else f"name{index}"
        kind = re.sub(rb"[^\w]", b"_", text.kind).decode("ascii", "replace")
        lines.append(f"$var {kind} {text.size} v{index} {name} $end")
    text_in = "\n".join([*lines, "$enddefinitions $end", ""])
    read = import_vcdvcd().VCDVCD(vcd_string=text_in, only_sigs=True)
    found = []
    for index, text in enumerate(variables):
        entry = read.data.get(f"v{index}")
        if entry is None or int(entry.size) != text.size:
            raise CaptureError(
                f"the declaration of {plain(text.reference.decode('latin-1'))!r} cannot be read",
                where=f"byte {text.at}",
            )
        name = entry.references[0] if b"$" not in text.reference else text.reference.decode("utf-8", "replace")
        found.append((name, str(entry.var_type), int(entry.size)))
    return found


def _bits_of(name: str, size: int, scope: str, notes: list[Note]) -> list[Signal]:
    """One signal a bit, right-most digit first; ``[0:7]`` has its left-most digit at index 0."""
    match = _RANGE.match(name)
    if match is None:
        if size == 1:
            return [Signal(name, scope, name, None)]
        return [Signal(f"{name}[{i}]", scope, name, i) for i in range(size)]
    base, msb = match["name"], int(match["msb"])
    lsb = int(match["lsb"]) if match["lsb"] is not None else msb
    if match["lsb"] is not None and abs(msb - lsb) + 1 != size:
        text = f"{plain(name)} is declared with {size} bits; its bits are counted from {lsb}"
        notes.append(Note("odd-range", text))
    step = 1 if msb >= lsb else -1
    if match["lsb"] is None and size > 1:
        return [Signal(f"{name}[{i}]", scope, name, i) for i in range(size)]
    return [Signal(f"{base}[{lsb + step * i}]", scope, base, lsb + step * i) for i in range(size)]
