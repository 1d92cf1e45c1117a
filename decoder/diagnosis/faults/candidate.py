"""One fault that a part could have, as data."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from busledger.decoder.diagnosis.faults.kind import priors
from busledger.decoder.diagnosis.replay.theory import Behaviour
from busledger.decoder.findings import FaultName, ScopeName

__all__ = ["Candidate", "Variant", "bits_of", "priors"]


class Variant(NamedTuple):
    """One way the fault may show itself, with its share of the prior and a word for it."""

    weight: float
    behaviour: Behaviour
    label: str = ""


@dataclass(frozen=True)
class Candidate:
    """One fault of one part. ``region``, ``other``: indexes; ``lanes`` a mask; ``lines`` address bits;
    ``prior`` its share of 1 among all listed faults of this board. ``variants`` is empty where the kind is not
    replayed (``Kind.replayed``); then ``reach`` holds the indexes of the regions that it can hurt. Beside variants
    ``reach`` holds those for which a chip answers that is not asked."""

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
    reach: tuple[int, ...] = ()

    def priced(self, prior: float) -> Candidate:
        """The same with another prior."""
        return Candidate(
            self.fault, self.scope, self.component, self.region, self.lanes, self.variants, self.lines, self.other,
            self.cell, prior, self.reach,
        )  # fmt: skip

    @property
    def key(self) -> tuple[object, ...]:
        """What makes two candidates the same suspect."""
        return (self.fault, self.scope, self.component, self.region, self.other, self.lanes, self.lines, self.cell)

    @cached_property
    def regions(self) -> tuple[int, ...]:
        """Indexes of the regions that it can hurt, in any of its ways."""
        if not self.variants:
            return self.reach
        first = self.variants[0].behaviour.regions
        if all(v.behaviour.regions is first or v.behaviour.regions == first for v in self.variants):
            return first
        return tuple(sorted({r for v in self.variants for r in v.behaviour.regions}))

    @property
    def mask(self) -> int:
        """Lanes that it can hurt."""
        return self.variants[0].behaviour.mask if self.variants else self.lanes


def bits_of(mask: int) -> list[int]:
    """The bit numbers set in a mask, ascending."""
    return [b for b in range(mask.bit_length()) if (mask >> b) & 1]
