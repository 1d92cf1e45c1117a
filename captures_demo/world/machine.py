"""What a machine is made of: chips, regions, cards, and how its buses behave."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

__all__ = ["Card", "Chip", "Machine", "Region"]


@dataclass(frozen=True, slots=True)
class Chip:
    """One memory chip: its place on the card, its part number and the data lanes it serves."""

    designator: str
    part: str
    lanes: tuple[int, ...]

    @property
    def mask(self) -> int:
        """Its lanes as bits."""
        return sum(1 << lane for lane in self.lanes)


@dataclass(frozen=True, slots=True)
class Region:
    """The addresses of one select; ``end`` inclusive, size a power of two, start a multiple of it.

    ``card`` is an index into ``Machine.cards``. ``image`` holds a ROM's bytes.
    """

    name: str
    start: int
    end: int
    chips: tuple[Chip, ...]
    kind: str = "ram"
    card: int = 0
    select: str = ""
    image: bytes | None = None

    @property
    def size(self) -> int:
        """Addresses in it."""
        return self.end - self.start + 1


@dataclass(frozen=True, slots=True)
class Card:
    """One board on the bus.

    ``buffer``, ``address_buffer``, ``decoder`` are designators, empty where the
    card has none; decoder pins are (pin, line) pairs. ``follows``: between its own reads the data buffer points to
    the card, so that the card's lines follow the bus; otherwise it is off and
    they keep their charge. ``floats``: "keep", "up" or "down".
    """

    name: str = ""
    buffer: str = ""
    buffer_part: str = "74LS245"
    address_buffer: str = ""
    address_lines: tuple[int, ...] = ()
    decoder: str = ""
    decoder_part: str = "74LS138"
    decoder_inputs: tuple[tuple[str, str], ...] = ()
    decoder_outputs: tuple[tuple[str, str], ...] = ()
    follows: bool = True
    floats: str = "keep"


@dataclass(frozen=True, slots=True)
class Machine:
    """A CPU's bus with its cards. ``bus``: a key of ``buses.BUS_KINDS``.

    ``floats`` is how the CPU side of the data bus behaves undriven;
    ``contention`` "low" (low wins) or "random". Regions are ordered by card.
    """

    name: str
    bus: str
    cards: tuple[Card, ...]
    regions: tuple[Region, ...]
    floats: str = "keep"
    contention: str = "low"
    data_bits: int = 8
    address_bits: int = 16
    clock_hz: float = 1e6
    description: str = ""
    notes: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """ValueError where regions overlap, lie askew, or are not ordered by card."""
        for region in self.regions:
            if region.size & (region.size - 1) or region.start % region.size:
                raise ValueError(f"{region.name} is no power of two long, or does not start at a multiple of its size")
        ordered = sorted(self.regions, key=lambda region: region.start)
        for low, high in pairwise(ordered):
            if low.end >= high.start:
                raise ValueError(f"{low.name} and {high.name} overlap")
        cards = [region.card for region in self.regions]
        if cards != sorted(cards):
            raise ValueError("regions must be ordered by card")

    def region(self, name: str) -> int:
        """Index of a region by name; KeyError if there is none."""
        for index, region in enumerate(self.regions):
            if region.name == name:
                return index
        raise KeyError(name)

    def chip(self, designator: str) -> tuple[int, Chip]:
        """(region index, chip) by designator; KeyError if there is none."""
        for index, region in enumerate(self.regions):
            for chip in region.chips:
                if chip.designator == designator:
                    return index, chip
        raise KeyError(designator)
