"""Every fault that the board could have, kind by kind, and those that the conflicts propose."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any, NamedTuple

from decoder.findings import FaultName, ScopeName

from . import lanes_kernel as bent
from . import replay_kernel as path
from .parts_view import CardView, ChipView, RegionView
from .theory import Behaviour, CoupledCell, Decay, LaneFault, PathFault

__all__ = ["Candidate", "Variant", "bits_of", "priors", "propose"]


_COUPLED_AT_MOST = 6  # failing cells; more than that do not fail for one cell's sake


class Variant(NamedTuple):
    """One way the fault may show itself, with its share of the prior and a word for it."""

    weight: float
    behaviour: Behaviour
    label: str = ""


@dataclass(frozen=True)
class Candidate:
    """One fault of one part. ``region``, ``other``: indexes; ``lanes`` a mask; ``lines`` address bits;
    ``prior`` its share of 1 among all listed faults of this board."""

    fault: FaultName
    scope: ScopeName
    component: str | None
    region: int | None
    lanes: int
    variants: tuple[Variant, ...]
    lines: tuple[int, ...] = ()
    other: int | None = None
    cell: int | None = None
    prior: float = 1.0

    @property
    def key(self) -> tuple[object, ...]:
        """What makes two candidates the same suspect."""
        return (self.fault, self.scope, self.component, self.region, self.other, self.lanes, self.lines, self.cell)

    @property
    def regions(self) -> tuple[int, ...]:
        """Indexes of the regions that it can hurt."""
        return self.variants[0].behaviour.regions

    @property
    def mask(self) -> int:
        """Lanes that it can hurt."""
        return self.variants[0].behaviour.mask


@cache
def priors() -> Mapping[str, Any]:
    """The data file of estimates, priors.toml."""
    return tomllib.loads((resources.files(__package__) / "priors.toml").read_text("utf-8"))


def bits_of(mask: int) -> list[int]:
    """The bit numbers set in a mask, ascending."""
    return [b for b in range(mask.bit_length()) if (mask >> b) & 1]


def propose(card: CardView, wrong: Mapping[int, int], cells: Mapping[int, int]) -> list[Candidate]:
    """The faults on the path of a wrong bit.

    Parameters
    ----------
    wrong : region index → mask of lanes that read wrong at least once
    cells : cell → mask of its wrong lanes, the few cells worth asking about

    Every kind's prior is shared among all its members on the board, proposed or not.
    """
    found: list[Candidate] = []
    for members in _kinds(card, cells):
        listed = list(members)
        if not listed:
            continue
        weight = float(priors()["weight"][listed[0].fault][listed[0].scope])
        share = weight / _total_weight() / _count(listed, card)
        found += [replace(c, prior=share) for c in listed if any(wrong.get(r, 0) & c.mask for r in c.regions)]
    return found


@cache
def _total_weight() -> float:
    return float(sum(sum(scopes.values()) for scopes in priors()["weight"].values()))


def _count(listed: list[Candidate], card: CardView) -> float:
    first = listed[0]
    if first.scope != "cell":
        return float(len(listed))
    # Only failing cells are listed; the prior is shared among every cell of the board.
    return float(sum(len(r.chips) << len(r.bits) for r in card.regions if r.compared) or 1)


def _kinds(card: CardView, cells: Mapping[int, int]) -> Iterator[Iterator[Candidate]]:
    """One iterator a kind and scope: all its members on this board."""
    regions = [card.regions[i] for i in card.compared]
    ram = [r for r in regions if r.writable]
    for level, fault in ((bent.LOW, "stuck-low"), (bent.HIGH, "stuck-high")):
        yield _stuck_cells(fault, level, cells, card)
        yield _chip_lanes(fault, regions, ((1.0, level, ""),))
        yield _buffer_lanes(fault, card, ((1.0, level, ""),))
        yield _bus_lanes(fault, card, level)
    yield _chip_lanes("floating", regions, _floats(card))
    yield _buffer_lanes("floating", card, _floats(card))
    yield _bridges_of_chips(regions)
    yield _bridges_of_buffers(card)
    yield _bridges_of_bus(card)
    yield (_path("write-lost", "chip", r, chip.mask, "write-lost", (), chip) for r in ram for chip in r.chips)
    yield (_path("write-lost", "region", r, r.mask, "write-lost", ()) for r in ram)
    yield _write_lost_board(card, ram)
    yield (_dead(card, r, chip) for r in regions for chip in r.chips)
    yield from _addresses(card, regions)
    yield (_select_missing(card, r) for r in regions)
    yield (_select_extra(a, b) for a, b in itertools.permutations(regions, 2) if a.writable or b.writable)
    yield (_swapped(a, b) for a, b in itertools.combinations(regions, 2))
    yield _directions(card)
    yield _coupled_cells(cells, card)
    yield (_leaky(r, chip.designator, chip.mask, None) for r in ram for chip in r.chips)
    yield _leaky_cells(cells, card)
    yield (_slow(card, r, chip) for r in regions for chip in r.chips)
    yield (_slow(card, r, None) for r in regions)


# -- lanes ------------------------------------------------------------------
def _floats(card: CardView) -> tuple[tuple[float, int, str], ...]:
    v = priors()["variant"]
    keeps = [(bent.KEPT, "keeps the last level")]
    if card.buffers:
        keeps.append((bent.KEPT_BY_CARD, "keeps the card's last level"))
    return (
        *((v["keeps_level"] / len(keeps), does, word) for does, word in keeps),
        (v["pulled_up"], bent.HIGH, "is pulled up"),
        (v["pulled_down"], bent.LOW, "is pulled down"),
    )


def _bent(
    shown: tuple[tuple[float, int, str], ...], mask: int, regions: tuple[int, ...], writes: bool
) -> tuple[Variant, ...]:
    return tuple(Variant(w, LaneFault(does, mask, regions, -1, writes), word) for w, does, word in shown)


def _stuck_cells(fault: Any, level: int, cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        for lane in bits_of(mask):
            region = _region_of_cell(card, cell)
            chip = _chip_of(region, 1 << lane)
            behaviour = LaneFault(level, 1 << lane, (region.index,), cell)
            yield Candidate(fault, "cell", chip, region.index, 1 << lane, (Variant(1.0, behaviour),), cell=cell)


def _region_of_cell(card: CardView, cell: int) -> RegionView:
    at = 0
    for region in card.regions:
        at += 1 << region.span_bits
        if cell < at:
            return region
    raise AssertionError("a cell outside every region")


def _chip_of(region: RegionView, mask: int) -> str | None:
    return next((chip.designator for chip in region.chips if chip.mask & mask and chip.designator), None)


def _owners(region: RegionView) -> Iterator[tuple[str | None, int]]:
    """(designator, lane mask) of each chip; where none is named, the lanes themselves."""
    if region.named_chips:
        yield from ((chip.designator, chip.mask) for chip in region.chips)
    else:
        yield None, region.mask


def _chip_lanes(
    fault: Any, regions: list[RegionView], shown: tuple[tuple[float, int, str], ...]
) -> Iterator[Candidate]:
    for region in regions:
        for designator, mask in _owners(region):
            for lane in bits_of(mask):
                variants = _bent(shown, 1 << lane, (region.index,), region.writable)
                yield Candidate(fault, "chip", designator, region.index, 1 << lane, variants)


def _buffer_lanes(fault: Any, card: CardView, shown: tuple[tuple[float, int, str], ...]) -> Iterator[Candidate]:
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        for lane in bits_of(buffer.mask):
            yield Candidate(fault, "buffer", buffer.designator, None, 1 << lane, _bent(shown, 1 << lane, regions, True))


def _bus_lanes(fault: Any, card: CardView, level: int) -> Iterator[Candidate]:
    for lane in bits_of(card.data_mask):
        variants = (Variant(1.0, LaneFault(level, 1 << lane, card.compared)),)
        yield Candidate(fault, "bus", None, None, 1 << lane, variants)


def _ties(mask: int, regions: tuple[int, ...], writes: bool) -> tuple[Variant, ...]:
    v = priors()["variant"]
    low = v["low_wins"] + v["nobody_knows"] / 2
    shown = ((low, bent.AND, "both read the AND"), (1 - low, bent.OR, "both read the OR"))
    return _bent(shown, mask, regions, writes)


def _pairs(mask: int) -> Iterator[int]:
    for a, b in itertools.combinations(bits_of(mask), 2):
        yield (1 << a) | (1 << b)


def _bridges_of_chips(regions: list[RegionView]) -> Iterator[Candidate]:
    for region in regions:
        for designator, mask in _owners(region):
            for pair in _pairs(mask):
                variants = _ties(pair, (region.index,), region.writable)
                yield Candidate("bridged", "chip", designator, region.index, pair, variants)


def _bridges_of_buffers(card: CardView) -> Iterator[Candidate]:
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        for pair in _pairs(buffer.mask):
            yield Candidate("bridged", "buffer", buffer.designator, None, pair, _ties(pair, regions, True))


def _bridges_of_bus(card: CardView) -> Iterator[Candidate]:
    for pair in _pairs(card.data_mask):
        yield Candidate("bridged", "bus", None, None, pair, _ties(pair, card.compared, False))


# -- paths ------------------------------------------------------------------
def _path(
    fault: Any, scope: Any, region: RegionView, mask: int, op: str, numbers: tuple[int, ...],
    chip: ChipView | None = None, lines: tuple[int, ...] = (),
) -> Candidate:  # fmt: skip
    behaviour = PathFault(op, numbers, mask, (region.index,))
    component = chip.designator if chip is not None else None
    return Candidate(fault, scope, component, region.index, mask, (Variant(1.0, behaviour),), lines)


def _write_lost_board(card: CardView, ram: list[RegionView]) -> Iterator[Candidate]:
    if ram:
        behaviour = PathFault("write-lost", (), card.data_mask, tuple(r.index for r in ram))
        yield Candidate("write-lost", "board", None, None, card.data_mask, (Variant(1.0, behaviour),))


def _undriven(card: CardView, op: str, mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    """A read that nobody answers, with every level an undriven lane may show."""
    v = priors()["variant"]
    keeps = [(path.KEEPS, "the bus keeps its last level")]
    if card.buffers:
        keeps.append((path.KEPT_BY_CARD, "the card's lines keep their last level"))
    shown = [
        *((v["keeps_level"] / len(keeps), floats, word) for floats, word in keeps),
        (v["pulled_up"], path.PULLED_UP, "the lanes are pulled up"),
        (v["pulled_down"], path.PULLED_DOWN, "the lanes are pulled down"),
    ]
    return tuple(Variant(w, PathFault(op, (), mask, regions, floats=f), word) for w, f, word in shown)


def _dead(card: CardView, region: RegionView, chip: ChipView) -> Candidate:
    variants = _undriven(card, "silent", chip.mask, (region.index,))
    return Candidate("dead", "chip", chip.designator, region.index, chip.mask, variants)


def _select_missing(card: CardView, region: RegionView) -> Candidate:
    variants = _undriven(card, "silent", region.mask, (region.index,))
    return Candidate("select-missing", "decoder", region.decoder, region.index, region.mask, variants)


def _select_extra(region: RegionView, other: RegionView) -> Candidate:
    """The select of ``region`` comes for the addresses of ``other`` too."""
    v = priors()["variant"]
    mask = region.mask & other.mask
    both = (region.index, other.index)
    shown = (
        (v["low_wins"], path.LOW_WINS, "low wins where both drive"),
        (v["high_wins"], path.HIGH_WINS, "high wins where both drive"),
        (v["nobody_knows"], path.NOBODY_KNOWS, "levels fight where both drive"),
    )
    numbers = (other.index, region.index)
    variants = tuple(Variant(w, PathFault("extra", numbers, mask, both, joins=j), word) for w, j, word in shown)
    return Candidate("select-extra", "decoder", region.decoder, region.index, mask, variants, other=other.index)


def _swapped(region: RegionView, other: RegionView) -> Candidate:
    both = (region.index, other.index)
    behaviour = PathFault("swapped", both, region.mask & other.mask, both)
    return Candidate(
        "select-swapped", "decoder", region.decoder, region.index, behaviour.mask, (Variant(1.0, behaviour),),
        other=other.index,
    )  # fmt: skip


def _directions(card: CardView) -> Iterator[Candidate]:
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        ram = tuple(i for i in regions if card.regions[i].writable)
        reads = tuple(
            Variant(v.weight / 2, v.behaviour, f"never toward the processor: {v.label}")
            for v in _undriven(card, "read-lost", buffer.mask, regions)
        )
        stores = (
            (0.45, path.STORES_REST, "never toward the card: the cells take what its lines kept"),
            (0.25, path.STORES_HIGH, "never toward the card: the cells take high levels"),
            (0.15, path.STORES_LOW, "never toward the card: the cells take low levels"),
        )
        writes = [Variant(w / 2, PathFault("stays", (), buffer.mask, ram, stores=s), word) for w, s, word in stores]
        lost = PathFault("write-lost", (), buffer.mask, ram)
        writes.append(Variant(0.075, lost, "never toward the card: the cells keep what they held"))
        yield Candidate("direction-stuck", "buffer", buffer.designator, None, buffer.mask, (*reads, *writes))


def _slow(card: CardView, region: RegionView, chip: ChipView | None) -> Candidate:
    mask = chip.mask if chip is not None else region.mask
    shown = tuple((w, does, f"reads what was there before: the lane {word}") for w, does, word in _floats(card))
    variants = _bent(shown, mask, (region.index,), False)
    component = chip.designator if chip is not None else None
    return Candidate("slow", "chip" if chip is not None else "region", component, region.index, mask, variants)


def _coupled_cells(cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        region = _region_of_cell(card, cell)
        for lane in bits_of(mask) if region.writable and len(cells) <= _COUPLED_AT_MOST else []:
            chip = next((c.mask for c in region.chips if c.mask >> lane & 1), region.mask)
            behaviour = CoupledCell(cell, 1 << lane, (region.index,), chip)
            designator = _chip_of(region, 1 << lane)
            yield Candidate(
                "coupled", "cell", designator, region.index, 1 << lane, (Variant(1.0, behaviour),), cell=cell
            )


def _leaky(region: RegionView, designator: str | None, mask: int, cell: int | None) -> Candidate:
    shown = [
        Variant(0.25, Decay(mask, (region.index,), high, renewed, -1 if cell is None else cell), word + renews)
        for high, word in ((False, "goes low"), (True, "goes high"))
        for renewed, renews in (
            (False, " with the time since it was written"),
            (True, " unless read or written in time"),
        )
    ]
    scope: ScopeName = "chip" if cell is None else "cell"
    return Candidate("leaky", scope, designator, region.index, mask, tuple(shown), cell=cell)


def _leaky_cells(cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        region = _region_of_cell(card, cell)
        for lane in bits_of(mask) if region.writable else []:
            yield _leaky(region, _chip_of(region, 1 << lane), 1 << lane, cell)


# -- addresses ----------------------------------------------------------------
def _levels(op: str, numbers: tuple[int, ...], mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    words = ("seen low", "seen high")
    return tuple(Variant(0.5, PathFault(op, (*numbers, lv), mask, regions), words[lv]) for lv in (0, 1))


def _tied_lines(op: str, numbers: tuple[int, ...], mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    low = priors()["variant"]["low_wins"]
    shown = ((low, 0, "both see the AND"), (1 - low, 1, "both see the OR"))
    return tuple(Variant(w, PathFault(op, (*numbers, high), mask, regions), word) for w, high, word in shown)


def _addresses(card: CardView, regions: list[RegionView]) -> Iterator[Iterator[Candidate]]:
    yield (
        Candidate("address-stuck", "chip", chip.designator, r.index, chip.mask,
                  _levels("forced", (r.index, bit), chip.mask, (r.index,)), (bit,))
        for r in regions for chip in r.chips for bit in r.bits
    )  # fmt: skip
    yield (
        Candidate("address-stuck", "region", None, r.index, r.mask,
                  _levels("forced", (r.index, bit), r.mask, (r.index,)), (bit,))
        for r in regions for bit in r.bits
    )  # fmt: skip
    yield _board_addresses(card)
    yield (
        Candidate("address-bridged", "chip", chip.designator, r.index, chip.mask,
                  _tied_lines("joined", (r.index, a, b), chip.mask, (r.index,)), (a, b))
        for r in regions for chip in r.chips for a, b in itertools.combinations(r.bits, 2)
    )  # fmt: skip
    yield (
        Candidate("address-bridged", "region", None, r.index, r.mask,
                  _tied_lines("joined", (r.index, a, b), r.mask, (r.index,)), (a, b))
        for r in regions for a, b in itertools.combinations(r.bits, 2)
    )  # fmt: skip
    yield _board_bridges(card)


def _behind(card: CardView, lines: tuple[int, ...]) -> list[tuple[str | None, tuple[int, ...]]]:
    """Where lines may be at fault for more than one region: on the bus, and in each buffer that carries them all."""
    found: list[tuple[str | None, tuple[int, ...]]] = [(None, card.compared)]
    for designator, served in card.line_buffers.get(f"A{lines[0]}", []):
        regions = tuple(i for i in served if card.regions[i].compared)
        carried = all(any(d == designator for d, _ in card.line_buffers.get(f"A{b}", [])) for b in lines)
        if carried and regions:
            found.append((designator, regions))
    return found


def _lines(card: CardView) -> list[int]:
    """Address bits that some region needs to be told apart, inside or by its select."""
    shift = min((bit for r in card.regions for bit in r.bits), default=0)
    return [b for b in range(shift, card.address_bits) if not (card.unwired >> b) & 1]


def _astray(card: CardView, lines: tuple[int, ...], variants: tuple[Variant, ...]) -> tuple[Variant, ...]:
    """Where a line can lead out of every region, nobody answers: then what the bus shows matters too."""
    if all(bit in r.bits for r in card.regions for bit in lines):
        return variants
    v = priors()["variant"]
    floats = ((v["keeps_level"], path.KEEPS), (v["pulled_up"], path.PULLED_UP), (v["pulled_down"], path.PULLED_DOWN))
    return tuple(
        Variant(one.weight * w, one.behaviour._replace(floats=f), one.label)
        for one in variants
        for w, f in floats
        if isinstance(one.behaviour, PathFault)
    )


def _board_addresses(card: CardView) -> Iterator[Candidate]:
    for bit in _lines(card):
        for designator, regions in _behind(card, (bit,)):
            variants = _astray(card, (bit,), _levels("forced-board", (bit,), card.data_mask, regions))
            yield Candidate("address-stuck", "board", designator, None, card.data_mask, variants, (bit,))


def _board_bridges(card: CardView) -> Iterator[Candidate]:
    for a, b in itertools.combinations(_lines(card), 2):
        for designator, regions in _behind(card, (a, b)):
            variants = _astray(card, (a, b), _tied_lines("joined-board", (a, b), card.data_mask, regions))
            yield Candidate("address-bridged", "board", designator, None, card.data_mask, variants, (a, b))
