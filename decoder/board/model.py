"""What is on the card, as the other floors see it: frozen, checked, no files behind it.

Levels are voltages of a line as wired: 0 = low, 1 = high. Addresses are bus
addresses (bytes); ``end`` is inclusive. Lanes are data bit numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from busledger.decoder.board.part_types import BufferPart, DecoderPart, MemoryPart

__all__ = [
    "Board",
    "Buffer",
    "Chip",
    "Decoder",
    "LatchValue",
    "LineLevel",
    "Region",
    "RegionKind",
    "Regulator",
    "Space",
    "TestResult",
    "Tested",
]

TestResult = Literal["good", "bad", "replaced"]
RegionKind = Literal["ram", "rom", "io"]
Space = Literal["memory", "io", "program"]


@dataclass(frozen=True, slots=True)
class LineLevel:
    """A line, and the level at which it means what the field says (``to_cpu``, ``active``, ``when``)."""

    line: str
    level: int


@dataclass(frozen=True, slots=True)
class LatchValue:
    """What was last written to the address ``latch`` of ``space`` has ``value`` in the bits of ``mask``."""

    latch: int
    space: Space
    mask: int
    value: int


@dataclass(frozen=True, slots=True)
class Tested:
    """What is known of a part from the bench; ``how`` it was found, in the reader's words, may be empty."""

    designator: str
    result: TestResult
    how: str = ""


@dataclass(frozen=True, slots=True)
class Chip:
    """One memory chip. ``grade`` names one of ``part.grades``; row and column are its place on the card."""

    designator: str
    part: MemoryPart | None
    lanes: tuple[int, ...]
    grade: str | None = None
    row: int | None = None
    column: int | None = None

    @property
    def access_ns(self) -> float | None:
        """Access time of the chip's grade, ns; None if the board file does not say which grade it is."""
        if self.part is None or self.grade is None:
            return None
        found = self.part.grade(self.grade)
        return found.access_ns if found else None


@dataclass(frozen=True, slots=True)
class Region:
    """The addresses one select answers for; ``image`` holds a ROM's bytes from ``start`` on, one byte a bus address
    that the region owns.

    ``when``: it answers only then; regions that share a range each have such a condition. ``mirror_of`` names the
    region whose cells it repeats. ``shared``: another master changes it, so it is listed and not compared.
    ``write_protect``: writes are not expected to take, always or while a line has a level.
    """

    name: str
    start: int
    end: int
    kind: RegionKind = "ram"
    space: Space = "memory"
    select: str | None = None
    chips: tuple[Chip, ...] = ()
    image: bytes | None = None
    inferred: bool = False
    when: LineLevel | LatchValue | None = None
    mirror_of: str | None = None
    shared: bool = False
    write_protect: LineLevel | bool = False

    @property
    def size(self) -> int:
        """How many bus addresses it spans."""
        return self.end - self.start + 1

    @property
    def lanes(self) -> tuple[int, ...]:
        """The lanes its chips carry, ascending; empty where the board file names no chips."""
        return tuple(sorted({bit for chip in self.chips for bit in chip.lanes}))


@dataclass(frozen=True, slots=True)
class Decoder:
    """A decoder, gate package or PROM. ``inputs`` and ``outputs``: pin → line; ``tied``: input pin → fixed level.

    Pins are the part's own names. A pin in neither is not described: an enable
    may be taken as ``part.enables`` says, any other input is unknown.
    """

    designator: str
    part: DecoderPart
    inputs: Mapping[str, str]
    outputs: Mapping[str, str]
    tied: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Buffer:
    """A bus driver: of data ``lanes``, or of address or control ``lines``; never both.

    ``direction.level`` is the level at which it drives toward the CPU,
    ``enable.level`` the level at which it is on. ``far_side``: lane (``D0``) or
    line → the line clipped on the card side.
    """

    designator: str
    part: BufferPart
    lanes: tuple[int, ...] = ()
    lines: tuple[str, ...] = ()
    serves: tuple[str, ...] = ()
    direction: LineLevel | None = None
    enable: LineLevel | None = None
    far_side: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Regulator:
    """A voltage regulator of the card: ``input`` and ``output`` V; ``feeds`` designators, all of that rail if empty."""

    designator: str
    part: str
    input: float
    output: float
    feeds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ParityChip:
    """A chip for the ninth bit of a region: on the card and on its supply, but on no lane of the bus.

    ``byte``: whose bit it is, 0 = D0-D7; None = one bit for all lanes of the region (a byte, on a bus of eight).
    """

    region: str
    chip: Chip
    byte: int | None = None

    @property
    def lanes(self) -> tuple[int, ...]:
        """The lanes of its byte; empty where it is all of the region's."""
        return () if self.byte is None else tuple(range(8 * self.byte, 8 * self.byte + 8))


@dataclass(frozen=True, slots=True)
class NinthBit:
    """The line that shows what a parity chip gives (``read``) and the one that it is given (``written``; the same where
    both ways share one). ``odd``: the ones of byte and ninth bit are odd in number; None where that is not said.
    ``lanes``: those of its byte; empty = all of the region's."""

    region: str
    designator: str
    read: str
    written: str
    odd: bool | None = None
    lanes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Board:
    """Everything the board file says; ``path`` empty where there was no file.

    ``parity``: chips for a ninth bit, which no lane of the bus shows: drawn and fed;
    ``ninth_bits``: those of them whose lines are named, and can be judged where these are clipped.
    """

    path: str
    name: str
    bus: str
    regions: tuple[Region, ...]
    description: str = ""
    wiring: Mapping[str, str] = field(default_factory=dict)
    decoders: tuple[Decoder, ...] = ()
    buffers: tuple[Buffer, ...] = ()
    regulators: tuple[Regulator, ...] = ()
    parity: tuple[ParityChip, ...] = ()
    ninth_bits: tuple[NinthBit, ...] = ()
    tested: tuple[Tested, ...] = ()
    _index: Mapping[str, int] = field(default_factory=dict, init=False, repr=False, compare=False)
    _made: Mapping[str, tuple[Decoder, str]] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_index", {r.name: i for i, r in enumerate(self.regions)})
        made: dict[str, tuple[Decoder, str]] = {}
        for decoder in self.decoders:
            for pin, line in decoder.outputs.items():
                made.setdefault(line, (decoder, pin))
        object.__setattr__(self, "_made", made)

    @classmethod
    def from_regions(cls, name: str, regions: Iterable[Region], bus: str = "") -> Board:
        """A board of regions alone: stated on the command line, or inferred from the traffic."""
        return cls(path="", name=name, bus=bus, regions=tuple(regions))

    def region_index(self, name: str) -> int:
        """The index of a region, as in the cycles' ``region`` column; KeyError if there is none."""
        return self._index[name]

    def lines(self) -> tuple[str, ...]:
        """Every line the board file names, each once: selects and conditions of regions, decoder pins, buffer lines,
        far sides, wiring."""
        named: dict[str, None] = {}
        for region in self.regions:
            if region.select:
                named[region.select] = None
            for condition in (region.when, region.write_protect):
                if isinstance(condition, LineLevel):
                    named[condition.line] = None
        for decoder in self.decoders:
            named.update(dict.fromkeys((*decoder.inputs.values(), *decoder.outputs.values())))
        for buffer in self.buffers:
            named.update(dict.fromkeys((*buffer.lines, *buffer.far_side.values())))
            named.update(dict.fromkeys(ll.line for ll in (buffer.direction, buffer.enable) if ll))
        named.update(dict.fromkeys(line for one in self.ninth_bits for line in (one.read, one.written)))
        named.update(dict.fromkeys(self.wiring))
        return tuple(named)

    def active_low(self) -> tuple[str, ...]:
        """The lines that the card makes and that act when low: selects, outputs of decoders, enables of buffers."""
        made = [line for decoder in self.decoders for line in decoder.outputs.values()]
        made += [region.select for region in self.regions if region.select]
        enables = [b.enable.line for b in self.buffers if b.enable is not None and b.enable.level == 0]
        return tuple(dict.fromkeys([*(line for line in made if self.select_level(line) == 0), *enables]))

    def select_source(self, region: Region) -> tuple[Decoder, str] | None:
        """The decoder and its output pin that make a region's select; None if the board file does not say."""
        return self._made.get(region.select) if region.select is not None else None

    def select_level(self, line: str) -> int:
        """The level at which a select line selects: as its decoder's table has it, else low (common practice)."""
        if line not in self._made:
            return 0
        decoder, pin = self._made[line]
        word = decoder.part.lookup >> decoder.part.outputs.index(pin)
        return 0 if 2 * int((word & 1).sum()) >= word.size else 1
