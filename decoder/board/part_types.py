"""What the program knows of a part: all data, no behaviour tied to a name.

The models read the parts library's TOML directly: frozen, unknown keys
refused. Levels are voltages at the pin: 0 = low, 1 = high. Delays are
nanoseconds. A figure marked ``doubtful`` must not be used as a hard limit.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from busledger.decoder.board.truth import expand_rows, join_sections

__all__ = [
    "BufferGroup",
    "BufferPart",
    "DecoderPart",
    "Delay",
    "DirectionPin",
    "EnablePin",
    "Grade",
    "LatchPin",
    "MemoryPart",
    "Part",
    "Section",
    "bare_pin",
]

Level = Annotated[int, Field(ge=0, le=1)]
PROBE_LIMIT_V = 5.5  # common practice: what a 5 V tolerant analyser input stands


def _words(value: Any) -> Any:
    return tuple(value.split()) if isinstance(value, str) else value


Words = Annotated[tuple[str, ...], BeforeValidator(_words)]


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", ignored_types=(cached_property,))


def bare_pin(signal: str) -> str:
    """A pin's name without the trade's active-low marks."""
    return signal.strip().strip("/*#~!").upper()


class Grade(_Data):
    """One speed grade: ``name`` as a board file writes it (``450ns``); ``markings``, suffixes that mean it (``-3``)."""

    name: str
    access_ns: float
    markings: Words = ()
    source: str
    doubtful: bool = False


class EnablePin(_Data):
    """A pin and the level at which it enables or selects."""

    pin: str
    active: Level


class DirectionPin(_Data):
    """The level of ``pin`` at which a two-way part drives from side a to side b."""

    pin: str
    a_to_b: Level


class LatchPin(_Data):
    """``transparent``: follows while ``pin`` is at ``level``; ``edge``: takes data when ``pin`` goes to ``level``."""

    pin: str
    style: Literal["transparent", "edge"]
    level: Level


class Delay(_Data):
    """Propagation, ns. ``path`` says from where to where; ``levels`` the gate levels the sheet distinguishes."""

    path: Literal["data", "select", "enable", "latch", "access", "write-pulse", "disable"]
    levels: int | None = None
    tplh_typ: float | None = None
    tplh_max: float | None = None
    tphl_typ: float | None = None
    tphl_max: float | None = None
    minimum: float | None = None
    source: str
    doubtful: bool = False


class Part(_Data):
    """What every part has. ``pinout`` names the pins in order from pin 1; empty where it is not known.

    ``rails`` gives the volts on supply pins; ``pin_aliases`` other names of pins.
    """

    name: str
    title: str
    aliases: Words = ()
    source: str
    pinout: Words = ()
    pinout_source: str = ""
    pin_aliases: dict[str, str] = Field(default_factory=dict)
    rails: dict[int, float] = Field(default_factory=dict)
    delays: tuple[Delay, ...] = ()
    notes: tuple[str, ...] = ()

    def __hash__(self) -> int:
        return hash(self.name)

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.name!r})"

    def pin(self, signal: str) -> int | None:
        """The pin number that carries ``signal``; None if the pin-out is not known or has no such signal."""
        name = self.pin_name(signal)
        return self.pinout.index(name) + 1 if name in self.pinout else None

    def pin_name(self, signal: str) -> str | None:
        """The library's own name of ``signal``, whatever active-low mark or alias it is written with."""
        bare = bare_pin(signal)
        known = self.signals
        for candidate in (signal, bare, self.pin_aliases.get(signal, ""), self.pin_aliases.get(bare, "")):
            if candidate in known:
                return candidate
        return None

    @cached_property
    def signals(self) -> frozenset[str]:
        """Every signal name the part has."""
        return frozenset(self.pinout)

    @property
    def dangerous_pins(self) -> dict[int, float]:
        """Pins whose rail is beyond what a 5 V analyser input stands: number → volts."""
        return {pin: volts for pin, volts in self.rails.items() if volts < 0 or volts > PROBE_LIMIT_V}


class MemoryPart(Part):
    """RAM or ROM: ``words`` × ``width`` bits. ``strobes`` are the row and column pins of a multiplexed part."""

    kind: Literal["ram", "rom", "dram"]
    words: int = Field(gt=0)
    width: int = Field(gt=0)
    address_bits: int = Field(gt=0)
    pins: int
    multiplexed_bits: int | None = None
    separate_io: bool = False
    selects: tuple[EnablePin, ...] = ()
    output_enables: tuple[EnablePin, ...] = ()
    write: EnablePin | None = None
    refresh: str = ""
    grade_list: tuple[Grade, ...] = Field(alias="grade")

    @model_validator(mode="after")
    def _consistent(self) -> MemoryPart:
        if self.words != 1 << self.address_bits:
            raise ValueError(f"{self.name}: {self.words} words do not fit {self.address_bits} address bits")
        if self.pinout and len(self.pinout) != self.pins:
            raise ValueError(f"{self.name}: pin-out names {len(self.pinout)} of {self.pins} pins")
        return self

    @property
    def grades(self) -> dict[str, float]:
        """Grade name → access time from address, ns."""
        return {g.name: g.access_ns for g in self.grade_list}

    def grade(self, name: str) -> Grade | None:
        """The grade written as ``450ns``, ``450`` or by a marking such as ``-3``; None if there is none."""
        wanted = name.strip().lower().removesuffix("ns").strip()
        for grade in self.grade_list:
            if wanted == grade.name.lower().removesuffix("ns") or name.strip().upper() in grade.markings:
                return grade
        return None


class Section(_Data):
    """One independent half or gate of a part: its truth table as the data sheet prints it.

    ``rows`` are texts ``"L X H | H L"``: H, L or X for each input, then H or L for each output.
    ``contents`` stands for them in a PROM: one value an input index, as in ``lookup``.
    """

    inputs: Words
    outputs: Words
    rows: tuple[str, ...] = ()
    contents: tuple[int, ...] = ()

    @cached_property
    def lookup(self) -> NDArray[np.uint32]:
        """uint32, shape (2**len(inputs),): index bit k = level of input k, value bit j = level of output j."""
        if self.contents:
            return np.asarray(self.contents, np.uint32)
        return expand_rows(len(self.inputs), len(self.outputs), self.rows)


class DecoderPart(Part):
    """Combinational logic: a decoder, plain gates, or a PROM whose contents the board file gives.

    ``enables`` names the pins that must be at that level for the part to
    select at all: what an enable that the board file leaves out is tied to.
    An open-collector output's H means released.
    """

    kind: Literal["decoder", "gate", "prom"]
    open_collector: bool = False
    sections: tuple[Section, ...] = Field(default=(), alias="section")
    repeat: Words = ()
    enables: dict[str, Level] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _repeat(cls, raw: Any) -> Any:
        """``repeat = "1 2"`` writes one section once for every prefix: A becomes 1A, 2A."""
        if not isinstance(raw, dict) or not raw.get("repeat"):
            return raw
        made = []
        for prefix in _words(raw["repeat"]):
            for one in raw["section"]:
                named = {k: tuple(prefix + pin for pin in _words(one[k])) for k in ("inputs", "outputs")}
                made.append({**one, **named})
        return {**raw, "section": made}

    @cached_property
    def inputs(self) -> tuple[str, ...]:
        """Input pins; pin k is bit k of an index into ``lookup``."""
        return tuple(dict.fromkeys(pin for s in self.sections for pin in s.inputs))

    @cached_property
    def outputs(self) -> tuple[str, ...]:
        """Output pins; pin j is bit j of a value of ``lookup``."""
        return tuple(pin for s in self.sections for pin in s.outputs)

    @cached_property
    def halves(self) -> tuple[str, ...]:
        """What stands before the pin names of each of its like halves or gates (``1``, ``2``); empty if it has none."""
        marked = [(section, section.outputs[0][0]) for section in self.sections if section.outputs[0][0].isdigit()]
        if len(marked) < 2 or len(marked) < len(self.sections):
            return ()
        bare = [tuple(pin.removeprefix(mark) for pin in (*one.inputs, *one.outputs)) for one, mark in marked]
        alike = len(set(bare)) == 1 and all((one.lookup == marked[0][0].lookup).all() for one, _ in marked)
        return tuple(mark for _, mark in marked) if alike else ()

    @cached_property
    def signals(self) -> frozenset[str]:
        """Every signal name the part has."""
        return frozenset(self.pinout) | set(self.inputs) | set(self.outputs)

    @cached_property
    def lookup(self) -> NDArray[np.uint32]:
        """uint32, shape (2**len(inputs),), read-only: index bit k = level of input k, value bit j = output j."""
        table = join_sections(self.inputs, [(s.inputs, len(s.outputs), s.lookup) for s in self.sections])
        table.flags.writeable = False
        return table

    def section_of(self, output: str) -> Section:
        """The section that drives ``output``; KeyError if none does."""
        for section in self.sections:
            if output in section.outputs:
                return section
        raise KeyError(output)


class BufferGroup(_Data):
    """Channels that pass from ``inputs[k]`` to ``outputs[k]`` while every one of ``enables`` is active."""

    name: str
    inputs: Words
    outputs: Words
    enables: tuple[EnablePin, ...] = ()

    @model_validator(mode="after")
    def _pairs(self) -> BufferGroup:
        if len(self.inputs) != len(self.outputs):
            raise ValueError(f"group {self.name}: {len(self.inputs)} inputs, {len(self.outputs)} outputs")
        return self


class BufferPart(Part):
    """A bus driver, transceiver or latch.

    A two-way part has the groups ``a-to-b`` and ``b-to-a``; where one pin turns it,
    ``direction`` says how; parts with separate driver and receiver enables have
    none (both may be on, or both off). Side b is the bus side where the sheet
    distinguishes one.
    """

    kind: Literal["one-way", "two-way", "latch"]
    inverting: bool
    open_collector: bool = False
    groups: tuple[BufferGroup, ...] = Field(alias="group")
    direction: DirectionPin | None = None
    latch: LatchPin | None = None

    @cached_property
    def signals(self) -> frozenset[str]:
        """Every signal name the part has."""
        named = set(self.pinout)
        for group in self.groups:
            named |= {*group.inputs, *group.outputs, *(e.pin for e in group.enables)}
        return frozenset(named)

    @property
    def channels(self) -> int:
        """How many lines pass through the part."""
        if self.kind == "two-way":
            return len(self.groups[0].inputs)
        return sum(len(g.inputs) for g in self.groups)
