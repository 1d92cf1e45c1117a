"""Which memory test over which regions parts the suspects of an earlier result best.

What a test would show is said region by region: all right, a few cells wrong, many wrong. A suspect foretells one of
them where the test finds its kind of fault (or cannot find it), and any of two where it finds it in part. The gain is
the expected fall in entropy over the parts that are accused in each place (Shannon 1948), summed over the places, which
are different things that are wrong; as for other next steps, what foretells nothing shows anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from math import prod
from typing import Any

from pydantic import Field

from busledger.decoder.board import Board, Region
from busledger.decoder.figures import percent
from busledger.decoder.planning.choose import entropy
from busledger.decoder.planning.question import EarlierSuspect
from busledger.decoder.program import MemoryTest, memory_tests
from busledger.decoder.text import plain

__all__ = ["ExerciseChoice", "OpenSuspect", "choose_exercise", "foretold_outcomes"]

RIGHT, FEW, MANY = "right", "few", "many"
_WORTH = 0.02  # bits; as for other next steps
_MOST_REGIONS = 4
_MOST_SUSPECTS = 40
_SAID = 3

Outcomes = Mapping[str, float]


class OpenSuspect(EarlierSuspect):
    """What is used of a suspect of ``check --json`` to choose a test."""

    place: int = 1
    address: int | None = None
    probability: float = Field(ge=0, le=1)
    detail: Mapping[str, Any] = Field(default_factory=dict)


class ExerciseChoice:
    """``test`` and ``regions`` (names, the most telling first); ``gain`` of ``open_bits``; ``sentence`` says why."""

    def __init__(
        self, test: MemoryTest, regions: tuple[str, ...], gain: float, open_bits: float, sentence: str
    ) -> None:
        self.test, self.regions, self.gain, self.open_bits, self.sentence = test, regions, gain, open_bits, sentence


def choose_exercise(
    board: Board, suspects: Sequence[OpenSuspect], tests: Sequence[MemoryTest], regions: Sequence[Region]
) -> ExerciseChoice | None:
    """The best of ``tests`` over some of ``regions``; None where nothing would part the suspects.

    Of choices that tell as much, the one with fewer regions, then with fewer operations on a cell.
    """
    likely = sorted(suspects, key=lambda one: -one.probability)[:_MOST_SUSPECTS]
    places = _by_place(likely)
    open_bits = sum(entropy(_shares(place)) for place in places)
    best: ExerciseChoice | None = None
    for test in sorted(tests, key=_operations):
        chosen: list[Region] = []
        gain = 0.0
        while len(chosen) < min(_MOST_REGIONS, len(regions)):
            tried = [
                (_gain(board, places, test, [*chosen, r]), -n, r) for n, r in enumerate(regions) if r not in chosen
            ]
            found, _, region = max(tried, key=lambda one: one[:2])
            if found < gain + _WORTH:
                break
            gain, chosen = found, [*chosen, region]
        if chosen and (best is None or gain > best.gain + _WORTH):
            sentence = _sentence(board, places, test, chosen, gain, open_bits)
            best = ExerciseChoice(test, tuple(r.name for r in chosen), gain, open_bits, sentence)
    return best


def foretold_outcomes(board: Board, suspect: OpenSuspect, test: MemoryTest, region: Region) -> Outcomes:
    """Outcome → chance, if the suspect is guilty."""
    if suspect.scope in ("clip", "machine"):
        return _ANYTHING
    if region.name not in _reached(board, suspect):
        return {RIGHT: 1.0}
    shown = FEW if suspect.scope == "cell" else MANY
    kind = next((kind.name for kind in memory_tests().kind if suspect.fault in kind.faults), None)
    if kind in test.finds:
        return {shown: 1.0}
    return {RIGHT: 1.0} if kind in test.misses else {RIGHT: 0.5, shown: 0.5}


_ANYTHING: Outcomes = {RIGHT: 1 / 3, FEW: 1 / 3, MANY: 1 / 3}


def _reached(board: Board, suspect: OpenSuspect) -> set[str]:
    """The regions in which a guilty suspect would show."""
    everywhere = {region.name for region in board.regions}
    match suspect.scope:
        case "cell" | "chip" | "region":
            return {suspect.region, *_told(suspect, "answers_for")} if suspect.region else everywhere
        case "decoder":
            named = {name for name in (suspect.region, suspect.other_region) if name}
            return named.union(_told(suspect, "regions")) or everywhere
        case "buffer":
            driver = next((b for b in board.buffers if b.designator == suspect.component), None)
            return set(driver.serves) if driver is not None else everywhere
        case _:
            driver = next((b for b in board.buffers if b.designator == suspect.component), None)
            return set(driver.serves) if driver is not None and driver.serves else everywhere


def _told(suspect: OpenSuspect, key: str) -> list[str]:
    """The regions that its ``detail`` names beside its own."""
    found = suspect.detail.get(key)
    return [str(name) for name in found] if isinstance(found, Sequence) and not isinstance(found, str) else []


def _by_place(suspects: Sequence[OpenSuspect]) -> list[list[OpenSuspect]]:
    places: dict[int, list[OpenSuspect]] = {}
    for suspect in suspects:
        places.setdefault(suspect.place, []).append(suspect)
    return list(places.values())


def _shares(place: Sequence[OpenSuspect]) -> list[float]:
    """The chance of each part that is accused, and last that it is none of them."""
    parts: dict[str, float] = {}
    for suspect in place:
        parts[_named(suspect)] = parts.get(_named(suspect), 0.0) + suspect.probability
    return [*parts.values(), max(0.0, 1.0 - sum(parts.values()))]


def _gain(board: Board, places: Sequence[Sequence[OpenSuspect]], test: MemoryTest, regions: Sequence[Region]) -> float:
    """Bits that the test over the regions is expected to tell."""
    return sum(_gain_of(board, place, test, regions) for place in places)


def _gain_of(board: Board, place: Sequence[OpenSuspect], test: MemoryTest, regions: Sequence[Region]) -> float:
    """The same for one place: what the outcome tells of the part that is guilty, not of how it fails."""
    who: dict[str, list[tuple[float, list[Outcomes]]]] = {}
    for suspect in place:
        foretold = [foretold_outcomes(board, suspect, test, region) for region in regions]
        who.setdefault(_named(suspect), []).append((suspect.probability, foretold))
    nobody = max(0.0, 1.0 - sum(suspect.probability for suspect in place))
    who[""] = [(nobody, [_ANYTHING] * len(regions))]
    wholes = list(product((RIGHT, FEW, MANY), repeat=len(regions)))
    by_part = [
        [sum(share * prod(by[r].get(what, 0.0) for r, what in enumerate(whole)) for share, by in ways)
         for whole in wholes]
        for ways in who.values()
    ]  # fmt: skip
    seen = [sum(column) for column in zip(*by_part, strict=True)]
    return max(0.0, entropy(seen) - sum(sum(one) * entropy(one) for one in by_part))


def _operations(test: MemoryTest) -> int:
    return (8 if test.walk else 1) * (test.elements.count("r") + test.elements.count("w"))


def _sentence(
    board: Board,
    places: Sequence[Sequence[OpenSuspect]],
    test: MemoryTest,
    regions: Sequence[Region],
    gain: float,
    open_bits: float,
) -> str:
    """Why this test, and what each outcome in the most telling region would mean."""
    first = regions[0]
    names = " and ".join(plain(region.name) for region in regions)
    text = (
        f"{test.title[:1].upper()}{test.title[1:]} over {names} tells the suspects apart best: about {gain:.2f} of "
        f"{open_bits:.2f} bits."
    )
    for outcome, words in ((MANY, "fails in many cells"), (FEW, "fails in few cells"), (RIGHT, "comes back right")):
        meant: dict[str, float] = {}
        for place in places:
            for suspect in place:
                if foretold_outcomes(board, suspect, test, first).get(outcome, 0.0) > 0.5:
                    who = _named(suspect)
                    meant[who] = meant.get(who, 0.0) + suspect.probability
        if meant:
            likely = sorted(meant.items(), key=lambda one: -one[1])[:_SAID]
            said = ", ".join(f"{who} (now {percent(chance)})" for who, chance in likely)
            text += f" If {plain(first.name)} {words}: {said}."
    return text


def _named(suspect: OpenSuspect) -> str:
    if suspect.component:
        return plain(suspect.component)
    lanes = ", ".join(suspect.lanes) or ", ".join(suspect.address_lines)
    return plain(f"{lanes or suspect.fault} of {suspect.region or 'the bus'}")
