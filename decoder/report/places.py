"""The places of a result: each one thing that is wrong, with the alternatives that compete for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from busledger.decoder.diagnosis import KINDS, TIED, saying, together
from busledger.decoder.findings import CheckResult, Suspect

__all__ = [
    "LIKELY",
    "SURE",
    "BadPlace",
    "Named",
    "bad_places",
    "named_parts",
    "off_card",
    "open_places",
    "places_of",
    "several",
]

LIKELY = 0.5  # from even chances on a part is called bad
SURE = 0.95  # from here on it is bad "for certain": ``saying.bad_parts_line`` says so
_MENTIONED = 0.05  # a part less probable than this does not make its place doubtful


@dataclass(frozen=True)
class BadPlace:
    """``suspects`` of one place, the likeliest first; ``bad``: the chance that its part is bad, in any way."""

    suspects: tuple[Suspect, ...]
    bad: float

    @property
    def leader(self) -> Suspect:
        """The likeliest."""
        return self.suspects[0]

    @cached_property
    def ways(self) -> tuple[Suspect, ...]:
        """Other ways in which the leader's part may be bad."""
        name = saying.who(self.leader)
        return tuple(s for s in self.suspects[1:] if saying.who(s) == name and KINDS[s.fault].on_card == self.on_card)

    @cached_property
    def rivals(self) -> tuple[Suspect, ...]:
        """Other parts that may be to blame instead, and what is not on the card."""
        name = saying.who(self.leader)
        return tuple(s for s in self.suspects[1:] if saying.who(s) != name or KINDS[s.fault].on_card != self.on_card)

    @property
    def tied(self) -> tuple[Suspect, ...]:
        """Rivals with the same effect on every read as the leader, and a cause off the card that is about as likely as
        a part: this capture cannot tell them apart."""
        return tuple(s for s in self.rivals if s.rank in self.leader.tied_with or self._about_as_likely(s))

    def _about_as_likely(self, other: Suspect) -> bool:
        if KINDS[other.fault].on_card == self.on_card or not 0 < other.explains == self.leader.explains:
            return False
        one, two = sorted(together(self.suspects, s) for s in (self.leader, other))
        return one >= TIED * two

    @property
    def wrong(self) -> float:
        """The chance that one of them is wrong, whichever."""
        return min(1.0, sum(s.probability for s in self.suspects))

    @property
    def on_card(self) -> bool:
        """Whether the leader is a part of the card."""
        return KINDS[self.leader.fault].on_card

    @property
    def doubtful(self) -> bool:
        """Whether another part may still be to blame."""
        return self.bad < SURE or any(s.probability >= _MENTIONED for s in self.rivals)


@dataclass(frozen=True)
class Named:
    """A part that the first line names."""

    component: str
    bad: float


def places_of(result: CheckResult) -> tuple[BadPlace, ...]:
    """In the result's own order. That a part is bad at all is told by the first of its places: at a further one, what
    else is wrong with it has only its own chance."""
    by_number: dict[int, list[Suspect]] = {}
    for suspect in result.suspects:
        by_number.setdefault(suspect.place, []).append(suspect)
    known = {part.component: part.bad for part in result.parts}
    made = []
    for mine in by_number.values():
        name = saying.who(mine[0])
        on_card = KINDS[mine[0].fault].on_card
        ours = (s.probability for s in mine if saying.who(s) == name and KINDS[s.fault].on_card == on_card)
        total = min(1.0, sum(ours))
        made.append(BadPlace(tuple(mine), max(total, known.pop(mine[0].component or "", 0.0))))
    return tuple(made)


def bad_places(result: CheckResult) -> tuple[BadPlace, ...]:
    """Those whose part is more likely bad than not."""
    return tuple(place for place in places_of(result) if place.on_card and place.bad >= LIKELY)


def open_places(result: CheckResult) -> tuple[BadPlace, ...]:
    """Those where something is wrong, though no one part is more likely bad than not."""
    return tuple(p for p in places_of(result) if p.on_card and p.bad < LIKELY and p.wrong >= LIKELY)


def off_card(result: CheckResult) -> tuple[BadPlace, ...]:
    """Those that are likely wrong and are no part of the card: a clip, say, or what the machine does."""
    return tuple(place for place in places_of(result) if not place.on_card and place.bad >= LIKELY)


def several(result: CheckResult) -> bool:
    """Whether more than one thing is wrong with the card, and nothing likelier beside it."""
    places, bad = places_of(result), len(bad_places(result))
    return bad > 0 and bad + len(open_places(result)) > 1 and places[0].on_card


def named_parts(result: CheckResult) -> tuple[Named, ...]:
    """Every part that is more likely bad than not; where the board file names none, the words for it."""
    found: dict[str, float] = {}
    for name, bad in (*_led(result), *((part.component, part.bad) for part in result.parts if part.bad >= LIKELY)):
        found[name] = max(bad, found.get(name, 0.0))
    return tuple(Named(name, bad) for name, bad in found.items())


def _led(result: CheckResult) -> Iterator[tuple[str, float]]:
    for place in bad_places(result):
        lead = place.leader
        yield lead.component or saying.place(lead), place.bad
