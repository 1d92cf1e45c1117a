"""A chip with its socket, and the ways in which it may be bad."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, priors
from busledger.decoder.diagnosis.faults.candidates import listed_faults
from busledger.decoder.diagnosis.leaf_rows import LeafCount
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.special_functions import betaln

__all__ = ["Leaf", "LeafState", "Unit", "log_noise", "units_of", "unlisted"]


@dataclass(frozen=True)
class Unit:
    """A chip, or where the board file names none the region's memory as one. ``mask``: its lanes."""

    region: int
    mask: int
    name: str | None
    candidates: tuple[Candidate, ...]


class LeafState(NamedTuple):
    """One way to be bad: log of its share, log likelihood of the chip's reads, its faults (one a lane)."""

    log_weight: float
    log_like: float
    faults: tuple[Scored, ...]

    @property
    def log(self) -> float:
        """Share times likelihood."""
        return self.log_weight + self.log_like


@dataclass(frozen=True)
class Leaf:
    """A chip weighed: log likelihood of what it showed if it is sound, and every way to be bad."""

    unit: Unit
    count: LeafCount
    log_sound: float
    states: tuple[LeafState, ...]

    @cached_property
    def log_bad(self) -> float:
        """Summed over the ways to be bad."""
        return log_sum([state.log for state in self.states])

    @cached_property
    def best(self) -> LeafState:
        """The likeliest way to be bad."""
        return max(self.states, key=lambda state: state.log)


def units_of(card: CardView) -> list[Unit]:
    """Every chip of the compared regions, with the listed faults that it could have."""
    listed = listed_faults(card)
    found = []
    for region in card.regions:
        if not region.compared:
            continue
        named = [(chip.designator, chip.mask) for chip in region.chips] if region.named_chips else [(None, region.mask)]
        for name, mask in named:
            mine = tuple(c for c in listed.of_chip(region.index, name) if c.mask & ~mask == 0)
            found.append(Unit(region.index, mask, name, mine))
    return found


@lru_cache(maxsize=1 << 14)
def log_noise(strays: int, reads: int, lanes: int) -> float:
    """Log probability of ``strays`` wrong reads of a sound part: a slip of the analyser, any pattern of its lanes."""
    a, b = (float(v) for v in priors()["leaf"]["noise"])
    pattern = math.log(max(2.0**lanes - 1.0, 1.0))
    return float(betaln(a + strays, b + max(0, reads - strays)) - betaln(a, b)) - strays * pattern


def unlisted(unit: Unit, effect: Effect) -> Scored:
    """A chip that is bad in a way not listed, with what it counted."""
    behaviour = LaneFault(lanes_kernel.KEPT, unit.mask, (unit.region,))
    variant = Variant(1.0, behaviour)
    candidate = Candidate("unlisted", "chip", unit.name, unit.region, unit.mask, (variant,))
    return Scored(candidate, variant, False, effect)
