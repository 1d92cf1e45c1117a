"""Faults on the path of an access: selects, write lines, dead and slow chips, buffers that do not turn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, priors
from busledger.decoder.diagnosis.faults.kinds_of_lanes import bend_variants, floats
from busledger.decoder.diagnosis.replay import memory_kernel as path
from busledger.decoder.diagnosis.replay.parts_view import CardView, ChipView, RegionView
from busledger.decoder.diagnosis.replay.theory import PathFault

__all__ = [
    "dead",
    "directions",
    "no_answer",
    "own_select",
    "select_extra",
    "select_missing",
    "slow",
    "swapped",
    "unlisted_buffers",
    "unlisted_chips",
    "write_lost",
    "write_lost_board",
]


def write_lost(region: RegionView, chip: ChipView | None) -> Candidate:
    """One chip, or the whole region, takes no writes."""
    mask = chip.mask if chip is not None else region.mask
    variants = (Variant(1.0, PathFault("write-lost", (), mask, (region.index,))),)
    if chip is None:
        return Candidate("write-lost", "region", None, region.index, mask, variants)
    return Candidate("write-lost", "chip", chip.designator, region.index, mask, variants)


def write_lost_board(card: CardView, ram: list[RegionView]) -> Iterator[Candidate]:
    if ram:
        behaviour = PathFault("write-lost", (), card.data_mask, tuple(r.index for r in ram))
        yield Candidate("write-lost", "board", None, None, card.data_mask, (Variant(1.0, behaviour),))


def _undriven(card: CardView, op: str, mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    """A read that nobody answers, with every level an undriven lane may show."""
    v = priors()["variant"]["undriven"]
    keeps = [(path.KEEPS, "the bus keeps its last level")]
    if card.buffers:
        keeps.append((path.KEPT_BY_CARD, "the card's lines keep their last level"))
    if card.buffers and card.bus_settles:
        keeps.append((path.KEPT_FROM_BUS, "the card's lines keep what the bus had before it was left alone"))
    shown = [
        *((v["keeps_level"] / len(keeps), floats, word) for floats, word in keeps),
        (v["pulled_up"], path.PULLED_UP, "the lanes are pulled up"),
        (v["pulled_down"], path.PULLED_DOWN, "the lanes are pulled down"),
    ]
    return tuple(Variant(w, PathFault(op, (), mask, regions, floats=f), word) for w, f, word in shown)


def dead(card: CardView, region: RegionView, chip: ChipView) -> Candidate:
    variants = _undriven(card, "silent", chip.mask, (region.index,))
    return Candidate("dead", "chip", chip.designator, region.index, chip.mask, variants)


def select_missing(card: CardView, region: RegionView) -> Candidate:
    variants = _undriven(card, "silent", region.mask, (region.index,))
    return Candidate("select-missing", "decoder", region.decoder, region.index, region.mask, variants)


def no_answer(card: CardView, region: RegionView) -> Candidate:
    """The row stays silent though its select may be seen: the break lies behind the clip, or the supply is missing."""
    variants = _undriven(card, "silent", region.mask, (region.index,))
    return Candidate("no-answer", "region", None, region.index, region.mask, variants)


def unlisted_chips(regions: Iterable[RegionView]) -> Iterator[Candidate]:
    """Every chip as bad in a way not listed: without variants, for nothing can be replayed."""
    for region in regions:
        for chip in region.chips:
            yield Candidate("unlisted", "chip", chip.designator, region.index, chip.mask, (), reach=(region.index,))


def unlisted_buffers(card: CardView) -> Iterator[Candidate]:
    """Every data buffer as bad in a way not listed."""
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        yield Candidate("unlisted", "buffer", buffer.designator, None, buffer.mask, (), reach=regions)


def select_extra(region: RegionView, other: RegionView) -> Candidate:
    """The select of ``region`` comes for the addresses of ``other`` too."""
    v = priors()["variant"]["both_drive"]
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


def own_select(card: CardView, region: RegionView, chip: ChipView, others: tuple[int, ...]) -> Candidate:
    """The select at one chip's own pin is held, or floats as where that pin makes no contact: the chip answers for the
    ``others`` beside their own chips, takes their writes, and may be missing where it is asked itself.

    No row of the table says so of a chip; what the rows of the decoder say is of all chips of a row.
    """
    both, own = priors()["variant"]["both_drive"], priors()["own_select"]
    joins = (
        (both["low_wins"], path.LOW_WINS, "low wins where two drive"),
        (both["high_wins"], path.HIGH_WINS, "high wins where two drive"),
        (both["nobody_knows"], path.NOBODY_KNOWS, "levels fight where two drive"),
    )
    numbers, regions = (region.index,), (region.index, *others)
    held = [
        Variant(own["held"] * w, PathFault("also-selected", numbers, chip.mask, regions, joins=j), word)
        for w, j, word in joins
    ]
    floats = [
        Variant(
            own["floats"] * w * v.weight, v.behaviour._replace(numbers=numbers, joins=j),
            f"missing at times where it is asked itself: {v.label}",
        )
        for v in _undriven(card, "select-floats", chip.mask, regions)
        for w, j, _ in joins[:1]
        if isinstance(v.behaviour, PathFault)
    ]
    return Candidate(
        "unlisted", "chip", chip.designator, region.index, chip.mask, (*held, *floats), reach=others
    )


def swapped(region: RegionView, other: RegionView) -> Candidate:
    both = (region.index, other.index)
    behaviour = PathFault("swapped", both, region.mask & other.mask, both)
    return Candidate(
        "select-swapped", "decoder", region.decoder, region.index, behaviour.mask, (Variant(1.0, behaviour),),
        other=other.index,
    )  # fmt: skip


def directions(card: CardView) -> Iterator[Candidate]:
    turn, taken = priors()["variant"]["turn"], priors()["variant"]["not_written"]
    for buffer in card.buffers:
        regions = tuple(i for i in buffer.regions if card.regions[i].compared)
        ram = tuple(i for i in regions if card.regions[i].writable)
        reads = tuple(
            Variant(v.weight * turn["to_processor"], v.behaviour, f"never toward the processor: {v.label}")
            for v in _undriven(card, "read-lost", buffer.mask, regions)
        )
        stores = (
            (taken["rests"], path.STORES_REST, "the cells take what the card's lines kept"),
            (taken["card_level"], path.STORES_CARD, "the cells take what the card's lines last carried"),
            (taken["bus_level"], path.STORES_BUS, "the cells take what the bus carried before"),
            (taken["high"], path.STORES_HIGH, "the cells take high levels"),
            (taken["low"], path.STORES_LOW, "the cells take low levels"),
        )
        card_side = turn["to_card"]
        writes = [
            Variant(w * card_side, PathFault("stays", (), buffer.mask, ram, stores=s), f"never toward the card: {word}")
            for w, s, word in stores
        ]
        lost = PathFault("write-lost", (), buffer.mask, ram)
        word = "never toward the card: the cells keep what they held"
        writes.append(Variant(taken["unchanged"] * card_side, lost, word))
        neither = _not_enabled(buffer.mask, regions)
        yield Candidate("direction-stuck", "buffer", buffer.designator, None, buffer.mask, (*reads, *writes, *neither))


def _not_enabled(mask: int, regions: tuple[int, ...]) -> Iterator[Variant]:
    """A driver that is not enabled: reads show what the bus is left with, and cells take what the card's lines are.
    Pull-ups and pull-downs are on both sides or on none; lines that keep their level may read high in time."""
    v, turn = priors()["variant"]["undriven"], priors()["variant"]["turn"]["neither"]
    taken = priors()["variant"]["not_written"]
    keeps = (taken["rests"], taken["bus_level"], taken["high"])
    shown = (
        (v["keeps_level"] * keeps[0] / sum(keeps), path.KEEPS, path.STORES_REST, "lines keep their last level"),
        (v["keeps_level"] * keeps[1] / sum(keeps), path.KEEPS, path.STORES_BUS,
         "the bus keeps its last level, and the cells take it"),
        (v["keeps_level"] * keeps[2] / sum(keeps), path.KEEPS, path.STORES_HIGH,
         "the bus keeps its last level, and the cells take high levels"),
        (v["pulled_up"], path.PULLED_UP, path.STORES_HIGH, "lines are pulled up"),
        (v["pulled_down"], path.PULLED_DOWN, path.STORES_LOW, "lines are pulled down"),
    )  # fmt: skip
    both = path.ON_READS | path.ON_WRITES
    for weight, shows, left, word in shown:
        behaviour = PathFault(
            "stays", (), mask, regions, left, shows, bends=path.BENDS_FLOAT, bad_lanes=mask, acts=both
        )
        yield Variant(turn * weight, behaviour, f"not enabled: {word}")


def slow(card: CardView, region: RegionView, chip: ChipView | None) -> Candidate:
    mask = chip.mask if chip is not None else region.mask
    shown = tuple((w, does, f"reads what was there before: the lane {word}") for w, does, word in floats(card))
    variants = bend_variants(shown, mask, (region.index,), False)
    component = chip.designator if chip is not None else None
    return Candidate("slow", "chip" if chip is not None else "region", component, region.index, mask, variants)
