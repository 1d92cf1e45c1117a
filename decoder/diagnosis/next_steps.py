"""What to do next, in the bench's own order: reseat, clean, clip, exercise another region, swap, replace.

Where a step parts the open suspects, its gain is computed: the mutual
information, in bits, between who is guilty and what the step would show, with
each suspect's prediction of that. A suspect that predicts nothing, and "none
of these", say either with even chance. "The chip or its socket" stays the word
until a swap says which.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import assert_never

from busledger.decoder.board import Board
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.faults.candidate import Candidate, bits_of
from busledger.decoder.diagnosis.faults.kind import Looks, Pins
from busledger.decoder.diagnosis.faults.kinds import KINDS
from busledger.decoder.diagnosis.faults.saying import and_list
from busledger.decoder.diagnosis.replay.parts_view import CardView, ChipView
from busledger.decoder.diagnosis.steps_of_selects import (
    Prediction,
    clipped_selects,
    clipped_stages,
    measured,
)
from busledger.decoder.diagnosis.suspects import Slot
from busledger.decoder.diagnosis.wording import lanes_text, remedy_of, told_of
from busledger.decoder.findings import NextStep

__all__ = ["gain_bits", "next_steps"]

_WORTH = 0.02  # bits; a step that settles less is not offered for its gain: a fiftieth of a fair choice (judged)
_CLIPS = 3  # offered, the best first
_NAMED = 6  # parts named in one step; of more of them, how many more there are
_CLIPPED_LANES = 2  # of a chip: more is not worth the clips


def gain_bits(shares: Sequence[float], shows: Sequence[bool | None]) -> float:
    """Expected fall in entropy, bits, when a step shows one of two things.

    ``shares``: probabilities that sum to 1; ``shows``: what each predicts.
    """
    yes = sum(p * (0.5 if s is None else float(s)) for p, s in zip(shares, shows, strict=True))
    unsure = sum(p for p, s in zip(shares, shows, strict=True) if s is None)
    return max(0.0, _entropy(yes) - unsure)


def _entropy(p: float) -> float:
    if p <= 0.0 or p >= 1.0:
        return 0.0
    return -p * math.log2(p) - (1 - p) * math.log2(1 - p)


class _Open:
    """The open suspects of one fault, with the means to ask what a step would tell."""

    def __init__(self, slot: Slot) -> None:
        kept = [(s.candidate, p) for s, p in zip(slot.scored, slot.shares, strict=True) if p > 1e-3]
        self.candidates = [c for c, _ in kept]
        self.shares = [*(p for _, p in kept), max(0.0, 1.0 - sum(p for _, p in kept))]
        self.leader = max(kept, key=lambda item: item[1])[0]
        leading = next(s for s in slot.scored if s.candidate is self.leader)
        # As the suspect is said to show: every time, or now and then.
        self.intermittent = not (leading.hard or leading.detail.get("every_time"))

    def gain(self, shows: Prediction) -> float:
        """Bits that a step would settle."""
        return gain_bits(self.shares, [*(shows(c) for c in self.candidates), None])


def next_steps(evidence: Evidence, card: CardView, slots: Sequence[Slot]) -> tuple[NextStep, ...]:
    """Steps for every fault found, the first fault's first; none without a fault."""
    found: dict[str, NextStep] = {}
    for slot in slots:
        if not slot.scored:
            continue
        steps = _steps(evidence, card, _Open(slot))
        for step in (*steps[:1], *(NextStep(text=text) for text in slot.rivals), *steps[1:]):
            found.setdefault(step.text, step)
    return tuple(found.values())


def _steps(evidence: Evidence, card: CardView, asked: _Open) -> list[NextStep]:
    board = evidence.board
    between = _between(card, asked)
    steps = [*_known(board, card, asked), *between, *_seat(card, asked)]
    steps += [] if between else _look(card, asked)
    clips = sorted(_clips(evidence, card, asked), key=lambda step: -(step.gain_bits or 0.0))
    steps += [step for step in clips if (step.gain_bits or 0.0) >= _WORTH][:_CLIPS]
    steps += _exercise(board, card, asked)
    if not told_of(board, asked.leader.component):  # a tester or a swap has said what another swap would
        steps += _swap(card, asked)
    steps += _replace(board, card, asked)
    return steps


def _part(c: Candidate) -> str | None:
    return c.component


def _known(board: Board, card: CardView, asked: _Open) -> list[NextStep]:
    """What a test or a swap has said of the likeliest part, and what is left to do for it."""
    name = asked.leader.component
    match told_of(board, name):
        case "replaced":
            found = f"{name} was replaced and still fails: its socket, or what is wired to it"
            return [NextStep(text=f"{found}. Power off; {remedy_of(card, asked.leader, 'replaced')}.")]
        case "good":
            text = f"{name} tested good, and yet fails: its socket first, then the chip in another one, cold and warm."
            return [NextStep(text=text)]
        case _:
            return []


def _between(card: CardView, asked: _Open) -> list[NextStep]:
    """Between which pins of which parts to look, where two address lines are joined."""
    c = asked.leader
    if c.fault != "address-bridged":
        return []
    places = list(card.side_by_side(c.lines, c.regions, c.component) or ())
    if len(c.lines) == 1:  # joined with a data lane: one net, whatever the chip
        joined = frozenset({lanes_text(c.lanes), f"A{c.lines[0]}"})
        chips = {chip.designator for r in c.regions for chip in card.regions[r].chips}
        places = [place for place in card.standing.pairs.get(joined, ()) if place.designator in chips]
    if c.scope == "board" and c.component is not None:  # what it drives is the same net
        places += card.side_by_side(c.lines, c.regions, None) or ()
    at: dict[tuple[tuple[int, int], tuple[str, str]], list[str]] = {}
    for place in places:
        at.setdefault((place.pins, place.lines), []).append(place.designator)
    found = []
    for (pins, lines), names in at.items():
        more = [f"{len(names) - _NAMED} more"] if len(names) > _NAMED else []
        parts = and_list([*names[:_NAMED], *more])
        found.append(f"between pins {pins[0]} and {pins[1]} ({and_list(lines)}) of {parts}")
    if not found:
        return []
    return [NextStep(text=f"Power off; look for solder, swarf or bent pins {and_list(found)}, and measure there.")]


def _seat(card: CardView, asked: _Open) -> list[NextStep]:
    parts = list(dict.fromkeys(p for p in map(_part, asked.candidates[:4]) if p))
    if not parts:
        return _seat_unnamed(card, asked)
    steps = [
        NextStep(
            text=f"Power off; press {and_list(parts)} home in the socket (look for bent pins), and run the test again."
        )
    ]
    steps += measured(card, asked.leader)
    if asked.intermittent:
        steps.append(
            NextStep(
                text=f"It comes and goes: power off, lift {and_list(parts)}, clean legs and socket contacts "
                "and the card's edge connector, and run the test again."
            )
        )
    return steps


def _seat_unnamed(card: CardView, asked: _Open) -> list[NextStep]:
    """The same for a chip that no board file names: its lanes and addresses lead to it."""
    c = asked.leader
    if c.scope not in ("chip", "cell") or c.region is None:
        return []
    where = f"the chip on {lanes_text(c.lanes)} of {card.regions[c.region].name}"
    text = f"Power off; find {where}, press it home in its socket (look for bent pins), and run the test again."
    steps = [NextStep(text=text)]
    if asked.intermittent:
        clean = "clean its legs and socket contacts and the card's edge connector"
        steps.append(NextStep(text=f"It comes and goes: power off, lift that chip, {clean}, and run the test again."))
    return steps


def _capital(words: str) -> NextStep:
    return NextStep(text=f"{words[:1].upper()}{words[1:]}.")


def _look(card: CardView, asked: _Open) -> list[NextStep]:
    """Where no part is to blame but what joins them: what to look for, which costs nothing."""
    # A chip's pin that was joined to ground or supply would hold the whole lane: not to be looked for behind one chip.
    alone = asked.leader.scope in ("chip", "cell") and KINDS[asked.leader.fault].looks in (Looks.LOW, Looks.HIGH)
    if _part(asked.leader) or alone:
        return []
    return [_capital(remedy_of(card, asked.leader))]


# -- clip and look ------------------------------------------------------------
def _clips(evidence: Evidence, card: CardView, asked: _Open) -> list[NextStep]:
    return [
        *clipped_selects(evidence, card, asked.gain),
        *clipped_stages(evidence, asked.candidates, asked.gain),
        *_clip_far_side(evidence, card, asked),
        *_clip_chip_pins(card, asked),
    ]


def _clip_far_side(evidence: Evidence, card: CardView, asked: _Open) -> list[NextStep]:
    """A data lane behind the buffer: wrong there if a chip is at fault, right if the buffer or the bus is."""
    steps = []
    for buffer in card.buffers:
        board_buffer = next(b for b in evidence.board.buffers if b.designator == buffer.designator)
        for lane in bits_of(buffer.mask & asked.leader.lanes)[:1]:
            line = board_buffer.far_side.get(f"D{lane}", "")
            if line and line in evidence.clipped_lines:
                continue
            gain = asked.gain(_wrong_behind(buffer.regions, buffer.designator))
            where = line or f"{buffer.designator}'s card-side D{lane}"
            text = (
                f"Clip {where} (D{lane} behind {buffer.designator}): wrong there already, the fault is on the card; "
                f"right there, it is {buffer.designator} or the bus."
            )
            steps.append(NextStep(text=text, clip=(line,) if line else (), gain_bits=round(gain, 3)))
    return steps


def _wrong_behind(regions: Sequence[int], designator: str) -> Prediction:
    def shows(c: Candidate) -> bool | None:
        if c.scope == "bus" or c.component == designator:
            return False
        return c.region is None or c.region in regions

    return shows


def _clip_chip_pins(card: CardView, asked: _Open) -> list[NextStep]:
    """The chip's own pins: what arrives wrong there is not the chip's doing."""
    c = asked.leader
    chip = _chip_of(card, asked)
    if chip is None or not chip.designator:
        return []
    name = chip.designator

    def chips_doing(other: Candidate) -> bool | None:
        return other.component == name

    pins = _pins_of(c)
    if pins is None:
        return []
    gain = round(asked.gain(chips_doing), 3)
    if KINDS[c.fault].pins is Pins.DATA:
        text = (
            f"Clip {pins} at {name}'s own pin: wrong there already in reads of its region, it is {name} or its socket; "
            "right there, what lies between it and the bus."
        )
        return [NextStep(text=text, gain_bits=gain)]
    good, bad = (
        ("follows the bus", "the wiring or a buffer before it")
        if KINDS[c.fault].pins is Pins.ADDRESS
        else ("comes as it should", "what makes it or the way from there")
    )
    text = f"Clip {pins} at {name}: if what arrives {good}, it is {name} or its socket; if not, {bad}."
    return [NextStep(text=text, gain_bits=gain)]


def _pins_of(c: Candidate) -> str | None:
    """What to clip at a chip for this fault, in words; None where nothing there would tell."""
    pins = KINDS[c.fault].pins
    if c.fault == "address-bridged" and len(c.lines) == 1:
        return None  # joined with a data lane: one net, at whichever chip
    match pins:
        case Pins.ADDRESS:
            return and_list([f"A{b}" for b in c.lines])
        case Pins.CONTROL:
            return "select and write pins"
        case Pins.SUPPLY:
            return "supply, select and write pins"
        case Pins.DATA:
            return and_list([f"D{b}" for b in bits_of(c.lanes)]) if c.lanes.bit_count() <= _CLIPPED_LANES else None
        case Pins.NONE:
            return None
        case _:
            assert_never(pins)


def _chip_of(card: CardView, asked: _Open) -> ChipView | None:
    """The chip that the open suspects accuse, or that stands where they do."""
    accused = {c.component for c in asked.candidates if c.scope in ("chip", "cell")}
    for c in (asked.leader, *asked.candidates):
        if c.region is None:
            continue
        for chip in card.regions[c.region].chips:
            if chip.mask & c.lanes and (not accused or chip.designator in accused):
                return chip
    return None


# -- exercise, swap, replace ----------------------------------------------------
def _exercise(board: Board, card: CardView, asked: _Open) -> list[NextStep]:
    """Traffic over another region parts a chip from what its neighbours share with it."""
    c = asked.leader
    home = {r for x in asked.candidates if x.region is not None for r in (x.region,)}
    lanes = c.lanes
    reach = [frozenset(x.regions) for x in asked.candidates]
    gains: dict[tuple[bool | None, ...], float] = {}  # of most regions the suspects say the same
    for region in card.regions:
        if not region.compared or not region.writable or region.index in home or not region.mask & lanes:
            continue
        shows = (*(region.index in one for one in reach), None)
        if shows not in gains:
            gains[shows] = gain_bits(asked.shares, shows)
        gain = gains[shows]
        if gain < _WORTH:
            continue
        # Only a board file tells 'exercise' where memory is.
        named = f'"{region.name}"' if " " in region.name else region.name
        command = f" ('busledger exercise --regions {named}' writes one)" if board.path else ""
        text = (
            f"Run a memory test over {region.name} too{command}: if {lanes_text(lanes)} fails there as well, it is "
            "what the regions share (buffer, bus, address line); if not, it is the part of this region."
        )
        return [NextStep(text=text, gain_bits=round(gain, 3))]
    return []


def _swap(card: CardView, asked: _Open) -> list[NextStep]:
    chip = _chip_of(card, asked)
    if chip is None or not chip.designator or not any(c.component == chip.designator for c in asked.candidates):
        return []
    accused = {c.component for c in asked.candidates}
    like = [
        other.designator
        for region in card.regions
        for other in region.chips
        if other.designator not in accused and other.part == chip.part and other.designator and other.part
    ]
    if not like:
        return []

    # The chip or its socket, as likely one as the other until this very step says.
    shares: list[float] = []
    follows: list[bool | None] = []
    for c, p in zip((*asked.candidates, None), asked.shares, strict=True):
        mine = c is not None and c.component == chip.designator
        shares += [p / 2, p / 2] if mine else [p]
        follows += [True, False] if mine else [None if c is None else False]
    text = (
        f"Power off; swap {chip.designator} with {like[-1]} (both {chip.part}), run the test again: if the fault "
        f"follows the chip, it is the chip; if it stays, it is the socket or what is wired to it."
    )
    return [NextStep(text=text, gain_bits=round(gain_bits(shares, follows), 3))]


def _replace(board: Board, card: CardView, asked: _Open) -> list[NextStep]:
    """The last resort: what the likeliest part's kind asks for, then the other parts in turn; none of those that were
    replaced already."""
    named = dict.fromkeys(p for p in map(_part, asked.candidates[:3]) if p)
    parts = [p for p in named if told_of(board, p) != "replaced"]
    if not parts:
        return []
    first = next(c for c in asked.candidates if c.component == parts[0])
    others = "".join(f" or else {part}" for part in parts[1:])
    begin = f"{parts[0]} tested bad:" if told_of(board, parts[0]) == "bad" else "Only then"
    return [NextStep(text=f"{begin} {remedy_of(card, first)}{others}, and run retest to prove the repair.")]
