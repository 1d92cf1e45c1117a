"""What a card is made of: chips, regions, selects, a data driver, address drivers, and the faults in them."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Chip:
    """One memory chip of a region: `lanes` are the data bits it holds."""

    designator: str
    part: str
    lanes: tuple[int, ...]

    @property
    def mask(self) -> int:
        """The byte's bits that this chip stores."""
        return sum(1 << lane for lane in self.lanes)


@dataclass
class Region:
    """Addresses that one chip select answers for."""

    name: str
    start: int
    size: int
    kind: str
    chips: list[Chip]
    select: str | None = None
    image: bytes | None = None  # what the chips hold (roms)
    told: bytes | None = None  # what the board file says they hold
    buffered: bool = False

    @property
    def end(self) -> int:
        """Last address, included."""
        return self.start + self.size - 1


@dataclass
class Decoder:
    """A decoder by its board-file words."""

    designator: str
    part: str
    inputs: dict[str, str]
    outputs: dict[str, str]


@dataclass
class Card:
    """A machine's memory as it was built."""

    name: str
    bus: str
    regions: list[Region]
    decoder: Decoder | None = None
    buffer: str | None = None  # designator of the data driver
    buffer_direction: tuple[str, int] = ("RD", 0)
    address_buffer: tuple[str, tuple[int, ...]] | None = None  # designator and the lines it carries
    pulled_up: bool = False  # resistors on the processor's data bus
    card_high: bool = True  # undriven inputs of the data driver read high; else they keep their level
    clocks: dict[str, str] = field(default_factory=dict)

    def region(self, name: str) -> Region:
        """The region of that name."""
        return next(one for one in self.regions if one.name == name)

    def rams(self) -> list[Region]:
        """The writable ones."""
        return [one for one in self.regions if one.kind == "ram"]

    def at(self, address: int) -> Region | None:
        """Who answers there."""
        for one in self.regions:
            if one.start <= address <= one.end:
                return one
        return None


@dataclass
class Fault:
    """One broken thing. `mode` is the physics, `fault` the contract's word for it."""

    component: str | None
    fault: str
    scope: str
    mode: str
    regions: tuple[str, ...]
    lanes: tuple[int, ...] = ()
    lines: tuple[int, ...] = ()
    level: int = 0
    cell: int | None = None  # offset in the region
    other: int | None = None  # offset of a second cell, or what a mode needs
    aggressor: str | None = None  # the other region of a select fault
    age_ns: float = 0.0
    rate: float = 1.0
    bursty: bool = False
    seed: int = 0

    @property
    def mask(self) -> int:
        """Its data bits."""
        return sum(1 << lane for lane in self.lanes)

    @property
    def intermittent(self) -> bool:
        """Whether it comes and goes."""
        return self.rate < 1.0


@dataclass
class Cycle:
    """One bus cycle as it went over the wires."""

    kind: str  # fetch read write in out idle intack dma-read dma-write
    address: int
    data: int  # as the receiver took it
    before: int = 0  # what stood on the data lines before anything drove them
    eventual: int = 0  # what stood there later, where a slow chip came after the edge
    waits: int = 0
    driven: int = 0xFF  # lanes that somebody drove
    rows: tuple[str, ...] = ()  # regions whose select came
