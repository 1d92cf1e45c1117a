"""Something outside the chips that may have made reads wrong: a fault of what they share, or a cause off the card."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Protocol

from busledger.decoder.diagnosis.overlay import FoundFault, NotLookedAt, composes, hides
from busledger.decoder.diagnosis.replay.memory_kernel import PULLED_DOWN, PULLED_UP
from busledger.decoder.diagnosis.replay.study import Overlay, Study
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals import Rival
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.unlisted import TakesAll

__all__ = [
    "LANE_SCOPES",
    "NOT_LISTED",
    "Innocent",
    "Path",
    "PathFaultState",
    "is_last_resort",
    "lanes_at_times",
    "pull_apart",
    "told_twice",
]

LANE_SCOPES = ("bus", "buffer")
NOT_LISTED = "unlisted"
_ONCE = ("bridged", "address-bridged", "address-stuck")


class Path(Protocol):
    """One thing outside the chips that may have made reads wrong."""

    @property
    def log_weight(self) -> float:
        """Log of prior times likelihood of what it explains."""

    @property
    def key(self) -> tuple[object, ...]: ...
    @property
    def hits(self) -> int:
        """Wrong reads that it explains."""

    @property
    def log_charge(self) -> float:
        """About what laying it over will cost the chips, before it is tried."""

    @property
    def mask(self) -> int: ...
    @property
    def regions(self) -> tuple[int, ...]: ...
    @property
    def plain(self) -> bool:
        """Whether the chips behind it can be asked for their lanes only: what they were given is not known."""

    def overlay(self) -> Overlay:
        """Takes what it explains out of the rows."""


@dataclass(frozen=True, eq=False)
class PathFaultState:
    """A listed fault of something shared, in one way of failing. ``gain``: of its weight, what it has from the chips of
    the rows that show it (see as_chips); it holds for those reads."""

    scored: Scored
    log_weight: float
    study: Study
    blind: NotLookedAt | None = None
    gain: float = 0.0

    def with_gain_of(self, other: PathFaultState) -> PathFaultState:
        """The same with what the chips told of it under another name, or before, if it explains as many reads."""
        if not other.gain or self.gain or self.hits != other.hits or self.scored.hard:
            return self
        return replace(self, log_weight=self.log_weight + other.gain, gain=other.gain)

    @property
    def key(self) -> tuple[object, ...]:
        """As ``Scored.key``."""
        return self.scored.key

    @property
    def hits(self) -> int:
        """Wrong reads that it has a part in."""
        return max(self.scored.covers, self.scored.effect.tally.hits)

    @property
    def log_charge(self) -> float:
        """About what its missed chances will cost the chips: of a fault that acts every time and hides nothing they
        stay in the rows."""
        if not self.scored.hard or hides(self.scored):
            return 0.0
        tally = self.scored.effect.tally
        missed = tally.misses + tally.other
        return log_rate(missed, tally.explained + tally.hits, SOMETIMES) if missed else 0.0

    @property
    def mask(self) -> int:
        """Lanes that it can hurt."""
        return self.scored.candidate.mask

    @property
    def regions(self) -> tuple[int, ...]:
        """Regions that it can hurt, in this way of failing."""
        return self.scored.variant.behaviour.regions

    @property
    def plain(self) -> bool:
        """Whether chips behind it can be asked for faults of their lanes only."""
        return not composes(self.scored)

    def overlay(self) -> Overlay:
        """See overlay.FoundFault."""
        if is_last_resort(self):
            return TakesAll(self.mask, self.regions)
        return FoundFault(self.scored, self.study, self.blind)


@dataclass(frozen=True, eq=False)
class Innocent:
    """A cause that is not on the card: a clip, or what the machine does with its memory."""

    rival: Rival
    everywhere: tuple[int, ...]

    @property
    def log_weight(self) -> float:
        """Its own prior and likelihood."""
        return self.rival.log_posterior

    @property
    def log_charge(self) -> float:
        """What it does not explain stays in the rows as it is."""
        return 0.0

    @property
    def key(self) -> tuple[object, ...]:
        """One rival of one place."""
        return (self.rival.fault, self.rival.scope, self.rival.lines, self.rival.region, self.rival.addresses)

    @property
    def hits(self) -> int:
        """Wrong reads that it explains."""
        return self.rival.explains

    @property
    def mask(self) -> int:
        """Any lane."""
        return 0xFFFFFFFF

    @property
    def regions(self) -> tuple[int, ...]:
        """Its region, or the two that are one, or all of them."""
        rival = self.rival
        if rival.region is None:
            return self.everywhere
        return (rival.region,) if rival.other_region is None else (rival.region, rival.other_region)

    @property
    def plain(self) -> bool:
        """The chips are played as they stand."""
        return False

    def overlay(self) -> Overlay:
        """See rivals."""
        return self.rival.overlay()


def is_last_resort(path: Path) -> bool:
    """Whether it is a driver that is bad in no listed way: it takes whatever came wrong through it."""
    return path.key[0] == NOT_LISTED and path.key[1] in LANE_SCOPES


def pull_apart(one: Path, other: Path) -> bool:
    """Whether one has lanes pulled up when nobody drives them, and the other has them pulled down: of one bus, both
    cannot be."""
    pulls = {_pulled(one), _pulled(other)}
    return pulls == {PULLED_UP, PULLED_DOWN} and bool(one.mask & other.mask)


def _pulled(path: Path) -> int | None:
    behaviour = path.scored.variant.behaviour if isinstance(path, PathFaultState) else None
    return behaviour.floats if isinstance(behaviour, PathFault) else None


def told_twice(one: Path, other: Path) -> bool:
    """Whether both join the same lines of what they share, or hold one line: of one net there is nothing left to join.

    A short of two lines of the board beside one of the same lines in one of its regions is a single short that was not
    followed to the last read.
    """
    if not isinstance(one, PathFaultState) or not isinstance(other, PathFaultState):
        return False
    a, b = one.scored.candidate, other.scored.candidate
    if a.fault != b.fault or a.fault not in _ONCE or not set(one.regions) & set(other.regions):
        return False
    return a.lines == b.lines and (a.fault != "bridged" or a.mask == b.mask)


def lanes_at_times(given: Iterable[Path]) -> dict[int, int]:
    """By region, the lanes that a set has as faults which come and go."""
    lanes: dict[int, int] = {}
    for path in given:
        if isinstance(path, PathFaultState) and not path.scored.hard and path.scored.candidate.scope in LANE_SCOPES:
            for region in path.regions:
                lanes[region] = lanes.get(region, 0) | path.mask
    return lanes
