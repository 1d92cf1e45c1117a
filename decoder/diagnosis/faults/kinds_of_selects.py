"""Faults of what makes the selects: one that is missing, one too many, two exchanged; several at once."""

from __future__ import annotations

from collections.abc import Iterator

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, priors
from busledger.decoder.diagnosis.faults.kinds_of_paths import undriven, undriven_shows, where_nobody_answers
from busledger.decoder.diagnosis.replay import memory_kernel as path
from busledger.decoder.diagnosis.replay.parts_view import CardView, ChipView, RegionView
from busledger.decoder.diagnosis.replay.theory import PathFault

__all__ = ["always_active", "own_select", "select_extra", "select_missing", "several_missing", "swapped"]


def select_missing(card: CardView, region: RegionView) -> Candidate:
    variants = undriven(card, "silent", region.mask, (region.index,))
    return Candidate("select-missing", "decoder", region.decoder, region.index, region.mask, variants)


def several_missing(card: CardView) -> Iterator[Candidate]:
    """A decoder that is not enabled, or has no supply, makes none of its selects; one that does not see an address line
    makes those for the other level instead, and where there are none, nothing."""
    for designator, regions, bit in card.select_groups:
        mask = _lanes_of(card, regions)
        one = regions[0] if bit is None and len(regions) == 1 else None
        if bit is None:
            variants = undriven(card, "silent", mask, regions)
        else:
            variants = _other_addresses(card, mask, regions, bit)
        lines = () if bit is None else (bit,)
        yield Candidate("select-missing", "decoder", designator, one, mask, variants, lines)


def _other_addresses(card: CardView, mask: int, regions: tuple[int, ...], bit: int) -> tuple[Variant, ...]:
    """The part sees an address bit at one level: its regions answer for others, or nobody does."""
    v = priors()["variant"]["forced"]
    seen = [("low", PathFault("forced-board", (bit, 0), mask, regions))]
    seen.append(("high", PathFault("forced-board", (bit, 1), mask, regions)))
    return tuple(
        Variant(v[word] * share, where_nobody_answers(card, fault)._replace(floats=f),
                f"it sees A{bit} {word} whatever the bus says")
        for word, fault in seen
        for share, f, _ in undriven_shows(card)
    )  # fmt: skip


def _lanes_of(card: CardView, regions: tuple[int, ...]) -> int:
    mask = 0
    for r in regions:
        mask |= card.regions[r].mask
    return mask


def select_extra(region: RegionView, other: RegionView) -> Candidate:
    """The select of ``region`` comes for the addresses of ``other`` too."""
    mask = region.mask & other.mask
    variants = _together((other.index, region.index), mask, (region.index, other.index))
    return Candidate("select-extra", "decoder", region.decoder, region.index, mask, variants, other=other.index)


def _together(numbers: tuple[int, ...], mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    """The last of ``numbers`` answers beside each of those before it."""
    v = priors()["variant"]["both_drive"]
    shown = (
        (v["low_wins"], path.LOW_WINS, "low wins where both drive"),
        (v["high_wins"], path.HIGH_WINS, "high wins where both drive"),
        (v["nobody_knows"], path.NOBODY_KNOWS, "levels fight where both drive"),
    )
    return tuple(Variant(w, PathFault("extra", numbers, mask, regions, joins=j), word) for w, j, word in shown)


def swapped(region: RegionView, other: RegionView) -> Candidate:
    both = (region.index, other.index)
    behaviour = PathFault("swapped", both, region.mask & other.mask, both)
    return Candidate(
        "select-swapped", "decoder", region.decoder, region.index, behaviour.mask, (Variant(1.0, behaviour),),
        other=other.index,
    )  # fmt: skip


def always_active(card: CardView, region: RegionView) -> Candidate | None:
    """A select that is held active comes for every other region's addresses: one fault, and not one a region. None
    where there are fewer than two of them (see ``select_extra``)."""
    others = _beside(card, region)
    if len(others) < 2:
        return None
    mask = region.mask & _lanes_of(card, others)
    variants = _together((*others, region.index), mask, tuple(sorted((region.index, *others))))
    return Candidate("select-extra", "decoder", region.decoder, region.index, mask, variants)


def _beside(card: CardView, region: RegionView) -> tuple[int, ...]:
    """The regions whose reads are given on the same lines as this one's: not those behind other drivers, nor those of
    the same select; and of a ROM only memory that can be written, since what ROMs give together no capture tells."""
    return tuple(
        other.index
        for other in (card.regions[i] for i in card.compared)
        if other.index != region.index
        and (region.writable or other.writable)
        and (region.select is None or other.select != region.select)
        and (not card.card_of or card.card_of[other.index] == card.card_of[region.index])
    )


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
            own["floats"] * v.weight, v.behaviour._replace(numbers=numbers, joins=path.LOW_WINS),
            f"missing at times where it is asked itself: {v.label}",
        )
        for v in undriven(card, "select-floats", chip.mask, regions)
        if isinstance(v.behaviour, PathFault)
    ]
    return Candidate("unlisted", "chip", chip.designator, region.index, chip.mask, (*held, *floats), reach=others)
