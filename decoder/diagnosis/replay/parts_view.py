"""The board as the diagnosis sees it: which part carries which lanes of which region."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from busledger.decoder.board import Beside, Board, Buffer, Standing, lines_side_by_side
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay.selects_view import SelectGroup, select_groups

__all__ = ["CardView", "ChipView", "RegionView"]


@dataclass(frozen=True)
class ChipView:
    """A chip, or (``designator`` None, without a board file) lanes that one chip might carry."""

    designator: str | None
    part: str
    region: int
    mask: int


@dataclass(frozen=True)
class RegionView:
    """A region: its lanes, its chips, who makes its select, and whether the ledger compares it."""

    name: str
    index: int
    mask: int
    chips: tuple[ChipView, ...]
    named_chips: bool
    decoder: str | None
    select: str | None
    bits: tuple[int, ...]
    compared: bool
    writable: bool
    span_bits: int


@dataclass(frozen=True)
class BufferView:
    """A data buffer: lanes, and the regions behind it."""

    designator: str
    mask: int
    regions: tuple[int, ...]


@dataclass(frozen=True)
class CardView:
    """Everything the candidates are made from. ``line_buffers``: line → the address buffers that carry it,
    with the regions behind each. ``line_groups``: designator, regions behind it, and the address bits that one enable,
    or the supply, of an address buffer has in hand. ``select_groups``: selects that one decoder's supply, enable or
    input has in hand, of regions that are compared. ``card_of``: regions behind the same data buffers share a number.
    ``standing``: which lines are neighbours at whose pins. ``cells``: where addresses lead; None = not asked.
    ``bus_settles``: the bus, left alone, does not keep its level, so that lines behind a buffer may keep another.
    ``memo``: what was made of this card once and for all (a copy begins with nothing)."""

    regions: tuple[RegionView, ...]
    buffers: tuple[BufferView, ...]
    line_buffers: dict[str, list[tuple[str, tuple[int, ...]]]]
    data_mask: int
    address_bits: int
    unwired: int
    card_of: tuple[int, ...] = field(default=())
    bus_settles: bool = False
    line_groups: tuple[tuple[str, tuple[int, ...], tuple[int, ...]], ...] = ()
    select_groups: tuple[SelectGroup, ...] = ()
    cells: CellSpace | None = field(default=None, compare=False, repr=False)
    standing: Standing = field(default=Standing({}, {}))
    memo: dict[str, Any] = field(default_factory=dict, init=False, compare=False, repr=False)

    @classmethod
    def of(cls, board: Board, cells: CellSpace, data_bits: int, unwired: int) -> CardView:
        """Read the board file's tables."""
        data_mask = (1 << data_bits) - 1
        index = {region.name: i for i, region in enumerate(board.regions)}
        regions = tuple(_region(board, cells, i, data_mask, unwired) for i in range(len(board.regions)))
        buffers = []
        line_buffers: dict[str, list[tuple[str, tuple[int, ...]]]] = {}
        for buffer in board.buffers:
            served = tuple(index[name] for name in buffer.serves if name in index)
            if buffer.lanes:
                buffers.append(BufferView(buffer.designator, _mask(buffer.lanes), served))
            for line in buffer.lines:
                line_buffers.setdefault(line, []).append((buffer.designator, served))
        in_hand = tuple(
            (buffer.designator, tuple(index[name] for name in buffer.serves if name in index), bits)
            for buffer in board.buffers
            for bits in _groups_of(buffer)
        )
        groups: dict[tuple[str, ...], int] = {}
        card_of = []
        for i in range(len(regions)):
            key = tuple(b.designator for b in buffers if i in b.regions)
            card_of.append(groups.setdefault(key, len(groups)))
        return cls(
            regions, tuple(buffers), line_buffers, data_mask, cells.address_bits, unwired, tuple(card_of),
            line_groups=in_hand, select_groups=tuple(_compared_of(board, regions, unwired)), cells=cells,
            standing=lines_side_by_side(board, cells.shift),
        )  # fmt: skip

    def side_by_side(
        self, bits: Sequence[int], regions: Sequence[int], component: str | None
    ) -> tuple[Beside, ...] | None:
        """Where two address lines are neighbours: at the pins of ``component``; of a net without a part's name, at the
        chips of ``regions`` and at decoders. None where no pin-out tells."""
        lines = frozenset(f"A{bit}" for bit in bits)
        names = {component} if component is not None else self._on_the_net(regions)
        if not any(lines <= self.standing.of_part.get(name, frozenset()) for name in names):
            return None
        return tuple(place for place in self.standing.pairs.get(lines, ()) if place.designator in names)

    def _on_the_net(self, regions: Sequence[int]) -> set[str]:
        chips = {chip.designator or "" for r in regions for chip in self.regions[r].chips}
        return chips | {d for d in (region.decoder for region in self.regions) if d is not None}

    @property
    def compared(self) -> tuple[int, ...]:
        """Indexes of the regions whose reads can be compared."""
        return tuple(r.index for r in self.regions if r.compared)


def _groups_of(buffer: Buffer) -> list[tuple[int, ...]]:
    """Address bits of a buffer that are lost together: those of one enable, in the order in which the board file lists
    them (common practice: one after the other), and, with its supply, all."""
    bits = [int(line[1:]) if line[:1] == "A" and line[1:].isdigit() else -1 for line in buffer.lines]
    found, at = [tuple(bits)], 0
    for group in buffer.part.groups:
        found.append(tuple(bits[at : at + len(group.inputs)]))
        at += len(group.inputs)
    return list(dict.fromkeys(tuple(sorted({b for b in one if b >= 0})) for one in found))


def _compared_of(board: Board, regions: Sequence[RegionView], unwired: int) -> Iterator[SelectGroup]:
    """The groups of selects as far as their regions are compared. Of an input, none whose address bit has no clip, or
    where chips behind it take that bit as well: they still see it, so that what answers is no other address's cell."""
    for group in select_groups(board):
        able = tuple(r for r in group.regions if regions[r].compared)
        bit = group.bit
        if able and (bit is None or not (unwired >> bit & 1 or any(bit in regions[r].bits for r in able))):
            yield group._replace(regions=able)


def _region(board: Board, cells: CellSpace, i: int, data_mask: int, unwired: int) -> RegionView:
    region = board.regions[i]
    chips = tuple(
        ChipView(chip.designator, chip.part.name if chip.part is not None else "", i, _mask(chip.lanes))
        for chip in region.chips
    )
    mask = 0
    for chip in chips:
        mask |= chip.mask
    source = board.select_source(region) if region.select else None
    return RegionView(
        name=region.name,
        index=i,
        mask=mask or data_mask,
        chips=chips or tuple(ChipView(None, "", i, m) for m in _guesses(data_mask)),
        named_chips=bool(chips),
        decoder=source[0].designator if source else None,
        select=region.select,
        bits=tuple(bit for bit in cells.chip_bits(i) if not (unwired >> bit) & 1),
        compared=region.kind != "io" and region.space != "io",
        writable=region.kind == "ram",
        span_bits=len(cells.chip_bits(i)),
    )


def _guesses(data_mask: int) -> list[int]:
    """Lanes that one memory chip may carry where nobody says: all, four, or one of them."""
    bits = [b for b in range(data_mask.bit_length()) if (data_mask >> b) & 1]
    nibbles = [_mask(bits[k : k + 4]) for k in range(0, len(bits), 4)]
    return list(dict.fromkeys([data_mask, *nibbles, *(1 << b for b in bits)]))


def _mask(lanes: Sequence[int]) -> int:
    mask = 0
    for lane in lanes:
        mask |= 1 << lane
    return mask
