"""What a bus profile may say: one frozen model a TOML table.

``profile.py`` documents the format for people who write one; this module is the
machine's side of it.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "AddressSource",
    "BehaviourEntry",
    "ClockEntry",
    "DataSource",
    "Grade",
    "LaneEntry",
    "LatchEntry",
    "Limit",
    "LineEntry",
    "Piece",
    "ProfileFile",
    "Reference",
    "RuleEntry",
    "StrobeEntry",
    "Window",
]

Reference = float | str  # nanoseconds, or the symbol of a limit that each grade gives
Edge = Literal["begin", "end"]
Point = Literal["begin", "middle", "end"]
Space = Literal["memory", "io", "program"]
RuleKind = Literal[
    "read",
    "write",
    "opcode-fetch",
    "io-read",
    "io-write",
    "int-ack",
    "refresh",
    "idle",
    "halt",
    "dma-read",
    "dma-write",
    "skip",
    "stretch",
    "reject",
]
Measure = Literal[
    "",
    "cycle",
    "strobe-width",
    "data-setup",
    "data-hold",
    "address-setup",
    "address-hold",
    "access",
    "write-data-setup",
    "write-data-to-end",
    "write-data-hold",
    "write-data-delay",
    "address-delay",
]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LineEntry(_Table):
    """One line, or a range of them ("A0-A15"). ``default`` is what an unwired line is
    taken for: nothing (unknown), asserted or not. ``fallback`` names the line (or range) that
    stands in when this one is not wired. ``marked``: an active-low line has the trade's mark in front of people,
    unless its name says what a high level means (READY) or holds a mark itself (NRDS)."""

    name: str
    role: Literal["clock", "strobe", "control", "status", "address", "data", "wait", "grant"] = "control"
    active: Literal["high", "low"] = "high"
    need: Literal["required", "optional"] = "optional"
    default: Literal["unknown", "asserted", "not asserted"] = "unknown"
    aliases: tuple[str, ...] = ()
    fallback: str | None = None
    meaning: str = ""
    marked: bool = True


class Window(_Table):
    """Around an edge a line must not move from ``setup`` before to ``hold`` after it; its
    level is read at least ``clear`` before it. "strobe" as ``hold``: to the strobe's other end."""

    setup: Reference = 0.0
    hold: Reference = 0.0
    clear: float = Field(default=0.0, ge=0)


class StrobeEntry(_Table):
    """A cycle is a span in which ``when`` holds. ``sample`` is the edge the cycle counts from."""

    name: str
    when: str
    sample: Edge = "end"
    width_min: Reference | None = None
    begin: Window = Window()
    end: Window = Window()
    meaning: str = ""


class LatchEntry(_Table):
    """Levels of all lines kept at an edge of ``when``, for the cycles after it."""

    name: str
    when: str
    edge: Edge = "end"
    setup: Reference = 0.0
    hold: Reference = 0.0
    meaning: str = ""


class Piece(_Table):
    """Bits of an address or of data: ``bits`` from the lines ``lines``, in the same order.

    Read at a point of the strobe (``at``) or from a latch. ``steady``: the lines must not move
    inside the strobe. ``invert``: the bit is 1 while the line is *not* asserted.
    """

    bits: str
    lines: str
    at: Point | None = None
    latch: str | None = None
    steady: bool | None = None
    invert: bool = False


class AddressSource(_Table):
    """Where the bits of an address come from; a rule names it."""

    name: str
    pieces: tuple[Piece, ...]


class DataSource(_Table):
    """Where the bits of the data come from; a rule names it."""

    name: str
    pieces: tuple[Piece, ...]


class LaneEntry(_Table):
    """Byte lane ``lane`` (0 = D0-D7) takes part while ``when`` holds."""

    lane: int = Field(ge=0, le=3)
    when: str = ""


class RuleEntry(_Table):
    """What a span of ``strobe`` is when ``when`` holds; the first rule that fits is taken.

    ``skip`` makes no cycle, ``stretch`` none but marks the next one as waited, ``reject`` counts
    the span as not understood. ``address_is``/``address_mask`` narrow the rule to an address.
    """

    kind: RuleKind
    strobe: str
    when: str = ""
    address: str | None = None
    data: str | None = None
    address_is: int | None = None
    address_mask: int | None = None
    space: Space | None = None
    compare: bool | None = None
    wait: str | None = None
    lanes: tuple[LaneEntry, ...] = ()
    kept: Literal["previous", "begin"] | None = None
    meaning: str = ""


class Limit(_Table):
    """One figure of a data sheet, in nanoseconds. A doubtful one is shown, never enforced."""

    symbol: str
    meaning: str = ""
    measure: Measure = ""
    strobe: str | None = None
    min: float | None = None
    max: float | None = None
    doubtful: bool = False
    source: str = ""


class Grade(_Table):
    """The figures of one speed grade; ``source`` holds for every limit without its own."""

    name: str
    source: str
    limits: tuple[Limit, ...]


class ClockEntry(_Table):
    """The line whose edges never stop; silence longer than ``silent_periods`` periods and longer
    than ``stretch_max_ns`` means that samples are missing."""

    line: str | None = None
    silent_periods: float = 10.0
    stretch_max_ns: float = 0.0
    silent_cycles: float = 64.0
    silent_min_ns: float = 20_000.0
    judged: bool = True


class BehaviourEntry(_Table):
    """Lines by what they do, for proposing a wiring from unnamed channels.

    ``direction`` is asserted in a read, of cycles cut by the clock or by ``frame``; or ``read`` and ``write`` are
    strobes, those of memory that is written and read first. ``latch`` pulses before each cycle, ``request`` and
    ``io_request`` cover cycles, ``fetch`` marks opcode reads, ``refresh`` comes between cycles, ``valid`` is missing in
    reads that mean nothing, ``quadrature`` is a second clock, ``lanes`` are the strobes of single bytes.
    """

    direction: str | None = None
    frame: str | None = None
    read: str | tuple[str, ...] = ()
    write: str | tuple[str, ...] = ()
    latch: str | None = None
    request: str | None = None
    io_request: str | None = None
    fetch: str | None = None
    refresh: str | None = None
    valid: str | None = None
    quadrature: str | None = None
    lanes: tuple[str, ...] = ()


class PortsEntry(_Table):
    """What tells an access to a port from memory by the program alone, where none of ``lines`` is clipped: the first
    byte of the instructions that read and write a port whose number is their second byte, and stands on A0-A7 and on
    A8-A15."""

    lines: tuple[str, ...]
    reads: tuple[int, ...]
    writes: tuple[int, ...]


class ProfileFile(_Table):
    """The whole file."""

    name: str
    title: str
    family: Literal["clocked", "strobed", "backplane", "chip"]
    source: str
    checked: str = ""
    notes: tuple[str, ...] = ()
    never_compared: tuple[str, ...] = ()
    pins: tuple[str, ...] = ()
    address_bits: int = Field(ge=1, le=32)
    data_bits: Literal[8, 16, 32]
    even_byte: Literal["low", "high"] = "low"
    kept: Literal["previous", "begin"] = "previous"
    clock: ClockEntry = ClockEntry()
    behaviour: BehaviourEntry | None = None
    ports: PortsEntry | None = None
    line: tuple[LineEntry, ...]
    strobe: tuple[StrobeEntry, ...]
    latch: tuple[LatchEntry, ...] = ()
    address: tuple[AddressSource, ...]
    data: tuple[DataSource, ...]
    rule: tuple[RuleEntry, ...]
    grade: tuple[Grade, ...] = ()
