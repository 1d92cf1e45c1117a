"""What a set of clipped lines would show of each fault: its signature.

Two faults with the same signature look the same in such a capture. What is
known is the hardware's side alone (which lanes, regions, address lines and far
sides can be seen); how often the program asks is not.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import assert_never

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import Profile, bit_numbers, line_names
from busledger.decoder.diagnosis import KINDS, Kind, Looks, PossibleFault

__all__ = ["Bench", "Sight", "Signature"]

Signature = frozenset[Hashable]
NOTHING: Signature = frozenset()


@dataclass(frozen=True)
class Bench:
    """The board on its bus, with the names of the lines that could be clipped.

    ``data`` and ``address`` give the line that carries each bit; ``cell_bits``
    the address bits inside each region; ``fixed`` for each region the bits
    outside it, with their level: a cycle belongs to a region for sure where all
    of these are clipped, or its select.
    """

    board: Board
    profile: Profile
    data: Mapping[int, str]
    address: Mapping[int, str]
    cell_bits: tuple[tuple[int, ...], ...]
    fixed: tuple[Mapping[int, int], ...]
    lanes: tuple[int, ...]
    far: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, board: Board, profile: Profile) -> Bench:
        """Read the tables of a board and its bus."""
        data = _carriers(profile, data=True)
        address = _carriers(profile, data=False)
        bits, fixed = [], []
        for region in board.regions:
            inside, outside = _split(region, profile.address_bits)
            bits.append(tuple(b for b in inside if b in address))
            fixed.append({b: level for b, level in outside.items() if b in address})
        every = (1 << profile.data_bits) - 1
        lanes = tuple(sum(1 << b for b in region.lanes) or every for region in board.regions)
        far: dict[str, tuple[str, ...]] = {}
        for buffer in board.buffers:
            for line in buffer.far_side.values():
                far[line] = (*far.get(line, ()), buffer.designator)
        return cls(board, profile, data, address, tuple(bits), tuple(fixed), lanes, far)

    def lines(self) -> tuple[str, ...]:
        """Every line that can tell something of a fault: data, address, selects, far sides."""
        needed = {b for bits in self.cell_bits for b in bits} | {b for f in self.fixed for b in f}
        named = [line for _, line in sorted(self.data.items())]
        named += [line for bit, line in sorted(self.address.items()) if bit in needed]
        named += [r.select for r in self.board.regions if r.select]
        named += list(self.far)
        return tuple(dict.fromkeys(named))


def _carriers(profile: Profile, *, data: bool) -> dict[int, str]:
    """Bit → the line to clip for it: its own pin, or where that is multiplexed the line that carries it."""
    found: dict[int, str] = {}
    for source in profile.datas if data else profile.addresses:
        for piece in source.pieces:
            for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True):
                found.setdefault(bit, name)
    return found


def _split(region: Region, address_bits: int) -> tuple[list[int], dict[int, int]]:
    """Address bits that vary inside the region, and those that do not with their level."""
    differ = region.start ^ region.end
    width = differ.bit_length()
    return list(range(width)), {b: region.start >> b & 1 for b in range(width, address_bits)}


class Sight:
    """What one set of lines can show; with passes joined, the union of their lines."""

    def __init__(self, bench: Bench, lines: Iterable[str]) -> None:
        self.bench = bench
        self.lines = frozenset(lines)
        self.lanes = sum(1 << bit for bit, line in bench.data.items() if line in self.lines)
        clipped = {bit for bit, line in bench.address.items() if line in self.lines}
        regions = bench.board.regions
        selects = [region.select for region in regions]
        self.by_address = tuple(set(bench.fixed[r]) <= clipped for r in range(len(regions)))
        self.by_select = tuple(s is not None and s in self.lines and selects.count(s) == 1 for s in selects)
        self.located = tuple(a or b for a, b in zip(self.by_address, self.by_select, strict=True))
        self.comparable = tuple(
            self.located[r] and set(bench.cell_bits[r]) <= clipped and regions[r].kind != "io"
            for r in range(len(regions))
        )
        self.whole = tuple(bench.lanes[r] & ~self.lanes == 0 for r in range(len(regions)))

    def signature(self, fault: PossibleFault) -> Signature:
        """What the capture would show of ``fault`` that a healthy board does not; empty = nothing."""
        kind = KINDS.get(fault.fault)  # none for "nothing wrong"
        if kind is None:
            return NOTHING
        found: set[Hashable] = set()
        for r in fault.regions:
            seen = fault.lanes & self.lanes & self.bench.lanes[r]
            if seen and self.comparable[r] and kind.looks is not Looks.NOTHING:
                found.add((r, seen, self._look(kind, fault, r)))
        found |= self._constant(kind, fault)
        found |= self._selects(kind, fault)
        if found:
            found |= self._far(fault)
        return frozenset(found)

    def _look(self, kind: Kind, fault: PossibleFault, r: int) -> Hashable:
        """How its reads look; faults of one look are alike until every lane of the region is seen."""
        match kind.looks:
            case Looks.LOW | Looks.HIGH:
                return kind.looks
            case Looks.JOINED:
                return kind.looks if fault.lanes & ~self.lanes == 0 else "sometimes wrong"
            case Looks.ALIAS:
                return (kind.looks, fault.lines)
            case Looks.BOTH:
                return (kind.looks, fault.regions, fault.other)
            case Looks.UNDRIVEN | Looks.OLD | Looks.LOST | Looks.NOTHING | Looks.ANYTHING:
                where = fault.scope == "cell"
                return (kind.looks, where) if self.whole[r] or where else kind.looks
            case _:
                assert_never(kind.looks)

    def _constant(self, kind: Kind, fault: PossibleFault) -> set[Hashable]:
        """A lane that never moves in the reads of a region is seen without the address lines inside it."""
        seen = fault.lanes & self.lanes
        if kind.looks not in (Looks.LOW, Looks.HIGH) or fault.scope == "cell" or not seen:
            return set()
        level = int(kind.looks is Looks.HIGH)
        found: set[Hashable] = {("constant", r, seen, level) for r in fault.regions if self.located[r]}
        if fault.scope == "bus":
            found.add(("constant", "everywhere", seen, level))
        return found

    def _selects(self, kind: Kind, fault: PossibleFault) -> set[Hashable]:
        if fault.scope != "decoder":
            return set()
        found: set[Hashable] = set()
        regions = self.bench.board.regions
        involved = dict.fromkeys((*fault.regions, *(() if fault.other is None else (fault.other,))))
        clipped = [r for r in involved if regions[r].select in self.lines]
        if len(clipped) > 1 and kind.looks is Looks.BOTH:
            found.add(("two selects at once", frozenset(clipped)))
        found |= {("select", r, fault.fault, fault.regions) for r in clipped if self.by_address[r]}
        return found

    def _far(self, fault: PossibleFault) -> set[Hashable]:
        """Behind a driver whose far side is clipped: is it wrong already there?"""
        found: set[Hashable] = set()
        for buffer in self.bench.board.buffers:
            served = {self.bench.board.region_index(name) for name in buffer.serves}
            if not served & set(fault.regions):
                continue
            for near, line in buffer.far_side.items():
                if line not in self.lines:
                    continue
                lane = near.removeprefix("D")
                touches = lane.isdigit() and bool(fault.lanes >> int(lane) & 1) and bool(buffer.lanes)
                if touches or (buffer.lines and any(near == self.bench.address.get(b) for b in fault.lines)):
                    inside = fault.component == buffer.designator or fault.scope == "bus"
                    found.add(("far", line, "right" if inside else "wrong"))
        return found
