"""Faults of data lanes: of a chip, a buffer, the bus."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, bits_of, priors
from busledger.decoder.diagnosis.replay import lanes_kernel as bent
from busledger.decoder.diagnosis.replay.parts_view import CardView, RegionView
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.findings import FaultName

__all__ = [
    "bend_variants",
    "bridges_of_buffers",
    "bridges_of_bus",
    "bridges_of_chips",
    "buffer_lanes",
    "bus_lanes",
    "chip_lanes",
    "floats",
]

# Share, what a lane does (lanes_kernel), words.
Shown = tuple[tuple[float, int, str], ...]


def floats(card: CardView, *, driver: bool = False) -> Shown:
    """What a lane shows that nobody drives. ``driver``: the lane of a driver, which leaves the bus alone; what the
    card's side had shows there only if it is the driver's input that is open."""
    v = priors()["variant"]["undriven"]
    keeps = [(bent.KEPT, "keeps the last level")]
    if card.buffers:
        keeps.append((bent.KEPT_BY_CARD, "keeps the card's last level"))
    if card.buffers and card.bus_settles:
        keeps.append((bent.KEPT_FROM_BUS, "keeps the level that the bus had before it was left alone"))
    card_side = priors()["open_lane"]["card_side"]
    share = [card_side if driver and does == bent.KEPT_BY_CARD else 1.0 for does, _ in keeps]
    return (
        *((v["keeps_level"] * part / sum(share), does, word) for part, (does, word) in zip(share, keeps, strict=True)),
        (v["pulled_up"], bent.HIGH, "is pulled up"),
        (v["pulled_down"], bent.LOW, "is pulled down"),
    )


def bend_variants(shown: Shown, mask: int, regions: tuple[int, ...], writes: bool) -> tuple[Variant, ...]:
    return tuple(Variant(w, LaneFault(does, mask, regions, -1, writes), word) for w, does, word in shown)


def _owners(region: RegionView) -> Iterator[tuple[str | None, int]]:
    """(designator, lane mask) of each chip; where none is named, the lanes themselves."""
    if region.named_chips:
        yield from ((chip.designator, chip.mask) for chip in region.chips)
    else:
        yield None, region.mask


def chip_lanes(fault: FaultName, regions: list[RegionView], shown: Shown) -> Iterator[Candidate]:
    for region in regions:
        for designator, mask in _owners(region):
            for lane in bits_of(mask):
                variants = bend_variants(shown, 1 << lane, (region.index,), region.writable)
                yield Candidate(fault, "chip", designator, region.index, 1 << lane, variants)


def buffer_lanes(fault: FaultName, card: CardView, shown: Shown) -> Iterator[Candidate]:
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        for lane in bits_of(buffer.mask):
            yield Candidate(
                fault, "buffer", buffer.designator, None, 1 << lane, bend_variants(shown, 1 << lane, regions, True)
            )


def bus_lanes(fault: FaultName, card: CardView, level: int) -> Iterator[Candidate]:
    for lane in bits_of(card.data_mask):
        variants = (Variant(1.0, LaneFault(level, 1 << lane, card.compared)),)
        yield Candidate(fault, "bus", None, None, 1 << lane, variants)


def _ties(mask: int, regions: tuple[int, ...], writes: bool) -> tuple[Variant, ...]:
    v = priors()["variant"]["joined_lanes"]
    shown = ((v["low_wins"], bent.AND, "both read the AND"), (v["high_wins"], bent.OR, "both read the OR"))
    return bend_variants(shown, mask, regions, writes)


def _pairs(mask: int) -> Iterator[int]:
    for a, b in itertools.combinations(bits_of(mask), 2):
        yield (1 << a) | (1 << b)


def bridges_of_chips(regions: list[RegionView]) -> Iterator[Candidate]:
    for region in regions:
        for designator, mask in _owners(region):
            for pair in _pairs(mask):
                variants = _ties(pair, (region.index,), region.writable)
                yield Candidate("bridged", "chip", designator, region.index, pair, variants)


def bridges_of_buffers(card: CardView) -> Iterator[Candidate]:
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        for pair in _pairs(buffer.mask):
            yield Candidate("bridged", "buffer", buffer.designator, None, pair, _ties(pair, regions, True))


def bridges_of_bus(card: CardView) -> Iterator[Candidate]:
    for pair in _pairs(card.data_mask):
        yield Candidate("bridged", "bus", None, None, pair, _ties(pair, card.compared, False))
