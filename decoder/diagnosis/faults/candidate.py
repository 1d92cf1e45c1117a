"""One fault that a part could have, as data."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, NamedTuple

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
    ``prior`` its share of 1 among all listed faults of this board."""

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

    @property
    def key(self) -> tuple[object, ...]:
        """What makes two candidates the same suspect."""
        return (self.fault, self.scope, self.component, self.region, self.other, self.lanes, self.lines, self.cell)

    @property
    def regions(self) -> tuple[int, ...]:
        """Indexes of the regions that it can hurt."""
        return self.variants[0].behaviour.regions

    @property
    def mask(self) -> int:
        """Lanes that it can hurt."""
        return self.variants[0].behaviour.mask


@cache
def priors() -> Mapping[str, Any]:
    """The data file of estimates, priors.toml."""
    return tomllib.loads((resources.files(__package__) / "priors.toml").read_text("utf-8"))


def bits_of(mask: int) -> list[int]:
    """The bit numbers set in a mask, ascending."""
    return [b for b in range(mask.bit_length()) if (mask >> b) & 1]
