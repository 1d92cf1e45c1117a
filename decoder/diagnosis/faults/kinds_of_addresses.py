"""Faults of address lines: as a chip, a region or the whole card sees them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, priors
from busledger.decoder.diagnosis.faults.kinds_of_paths import undriven_shows, where_nobody_answers
from busledger.decoder.diagnosis.faults.saying import and_list
from busledger.decoder.diagnosis.replay.parts_view import CardView, RegionView
from busledger.decoder.diagnosis.replay.theory import JOINED_DATA, PathFault

__all__ = ["bridged_addresses", "joined_with_data", "stuck_addresses"]


def _levels(op: str, numbers: tuple[int, ...], mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    line = f"A{numbers[-1]}" if op == "forced" else and_list([f"A{bit}" for bit in numbers])
    words = (f"the part sees {line} low whatever the bus says", f"the part sees {line} high whatever the bus says")
    v = priors()["variant"]["forced"]
    shown = ((v["low"], 0, words[0]), (v["high"], 1, words[1]))
    return tuple(Variant(w, PathFault(op, (*numbers, level), mask, regions), word) for w, level, word in shown)


def _tied_lines(op: str, numbers: tuple[int, ...], mask: int, regions: tuple[int, ...]) -> tuple[Variant, ...]:
    v = priors()["variant"]["joined_lines"]
    shown = ((v["low_wins"], 0, "both see the AND"), (v["high_wins"], 1, "both see the OR"))
    return tuple(Variant(w, PathFault(op, (*numbers, high), mask, regions), word) for w, high, word in shown)


def stuck_addresses(card: CardView, regions: list[RegionView]) -> Iterator[Iterator[Candidate]]:
    """An address line that does not follow: for a chip, a region, the board."""
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


def bridged_addresses(card: CardView, regions: list[RegionView]) -> Iterator[Iterator[Candidate]]:
    """Two address lines joined: for a chip, a region, the board."""
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


def joined_with_data(card: CardView) -> Iterator[Candidate]:
    """A data lane joined to an address line, at each chip at whose pins they are neighbours: both are the net of all
    rows behind the same drivers, so that every one of them is hurt alike."""
    for lines, places in card.standing.pairs.items():
        lane, line = sorted(lines, key=lambda name: name[:1] != "D")
        if lane[:1] != "D" or line[:1] != "A":
            continue
        mask, bit = 1 << int(lane[1:]), int(line[1:])
        at = {place.designator for place in places}
        able = [r for r in card.regions if r.mask & mask and bit in r.bits]
        for region in able:
            regions = tuple(r.index for r in able if _shares(card, r, region))
            for chip in region.chips if region.index in regions else ():
                if chip.designator in at and chip.mask & mask:
                    whole = 0
                    for r in regions:
                        whole |= card.regions[r].mask
                    behaviour = PathFault(JOINED_DATA, (int(lane[1:]), bit), whole, regions)
                    yield Candidate("address-bridged", "chip", chip.designator, region.index, mask,
                                    (Variant(1.0, behaviour, "low wins"),), (bit,))  # fmt: skip


def _shares(card: CardView, one: RegionView, other: RegionView) -> bool:
    return one.compared and one.writable and card.card_of[one.index] == card.card_of[other.index]


def _behind(card: CardView, lines: tuple[int, ...]) -> list[tuple[str | None, tuple[int, ...]]]:
    """Where lines may be at fault for more than one region: in each buffer that carries them all, and on the bus,
    unless one buffer carries them to every region (then the buffer, its socket and what lies before it are one name).
    """
    found: list[tuple[str | None, tuple[int, ...]]] = []
    for designator, served in card.line_buffers.get(f"A{lines[0]}", []):
        regions = tuple(i for i in served if card.regions[i].compared)
        carried = all(any(d == designator for d, _ in card.line_buffers.get(f"A{b}", [])) for b in lines)
        if carried and regions:
            found.append((designator, regions))
    if not any(set(regions) == set(card.compared) for _, regions in found):
        found.insert(0, (None, card.compared))
    if any(card.line_buffers.get(f"A{bit}") for bit in lines):
        return found  # where buffers part the card from the bus, what is behind one goes by its name
    return found + [(None, regions) for regions in _cards(card)]


def _cards(card: CardView) -> Iterator[tuple[int, ...]]:
    """Regions that make one card of several: with selects from one decoder, or behind the same data buffers. The ROM
    beside the processor sees nothing of what is wrong with a memory card's address lines."""
    by_place: dict[tuple[str, object], list[int]] = {}
    for r in card.compared:
        decoder = card.regions[r].decoder
        if decoder is not None:
            by_place.setdefault(("decoder", decoder), []).append(r)
        if card.buffers and card.card_of:
            by_place.setdefault(("buffers", card.card_of[r]), []).append(r)
    found = (tuple(regions) for regions in by_place.values())
    yield from dict.fromkeys(one for one in found if 1 < len(one) < len(card.compared))


def _lines(card: CardView) -> list[int]:
    """Address bits that some region needs to be told apart, inside or by its select."""
    shift = min((bit for r in card.regions for bit in r.bits), default=0)
    return [b for b in range(shift, card.address_bits) if not (card.unwired >> b) & 1]


def _astray(card: CardView, lines: tuple[int, ...], variants: tuple[Variant, ...]) -> tuple[Variant, ...]:
    """Where a line can lead out of every region, nobody answers: then what the bus shows matters too."""
    if all(bit in r.bits for r in card.regions for bit in lines):
        return variants
    return tuple(
        Variant(one.weight * w, where_nobody_answers(card, one.behaviour)._replace(floats=f), one.label)
        for one in variants
        for w, f, _ in undriven_shows(card)
        if isinstance(one.behaviour, PathFault)
    )


def _board_addresses(card: CardView) -> Iterator[Candidate]:
    lines = _lines(card)
    for bit in lines:
        for designator, regions in _behind(card, (bit,)):
            variants = _astray(card, (bit,), _levels("forced-board", (bit,), card.data_mask, regions))
            yield Candidate("address-stuck", "board", designator, None, card.data_mask, variants, (bit,))
    # A driver whose enable or supply is missing follows none of its lines.
    told = set()
    for designator, served, in_hand in card.line_groups:
        bits, regions = tuple(b for b in in_hand if b in lines), tuple(r for r in served if card.regions[r].compared)
        if len(bits) > 1 and regions and (designator, bits) not in told:
            told.add((designator, bits))
            variants = _astray(card, bits, _levels("forced-board", bits, card.data_mask, regions))
            yield Candidate("address-stuck", "board", designator, None, card.data_mask, variants, bits)


def _board_bridges(card: CardView) -> Iterator[Candidate]:
    for a, b in itertools.combinations(_lines(card), 2):
        for designator, regions in _behind(card, (a, b)):
            variants = _astray(card, (a, b), _tied_lines("joined-board", (a, b), card.data_mask, regions))
            yield Candidate("address-bridged", "board", designator, None, card.data_mask, variants, (a, b))
