"""What is known of one kind of fault: the columns of the table in kinds.py."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, auto
from functools import cache
from importlib import resources
from typing import Any

from busledger.decoder.findings import FaultName, ScopeName

__all__ = ["Kind", "Looks", "Pins", "priors"]


class Looks(Enum):
    """How an active fault looks in the data of a read.

    From it follow the reads in which the fault could have shown, what a set of clips would tell of it, and the words
    for what a retest counts.
    """

    LOW = auto()  # the lane is low
    HIGH = auto()  # the lane is high
    UNDRIVEN = auto()  # what the bus was left with, or its pull level
    JOINED = auto()  # two lanes are equal
    OLD = auto()  # what the cell held before the last write
    LOST = auto()  # the cell changed by itself, or because of another
    ALIAS = auto()  # what was written to another address
    BOTH = auto()  # two regions drive at once
    NOTHING = auto()  # every read comes back right
    ANYTHING = auto()  # no pattern is promised


class Pins(Enum):
    """What to clip at a chip's own legs to see whether the trouble reaches it."""

    DATA = auto()
    ADDRESS = auto()
    CONTROL = auto()
    SUPPLY = auto()  # the supply, with the select and write pins
    NONE = auto()


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One row.

    ``literature``: the standard name in the literature on memory tests, with its source, or why there is none.
    ``does``: what follows the part's name in a sentence; ``{lines}``, ``{other}`` and ``{region}`` are filled in.
    ``several``: what it does where it takes several regions at once, ``{regions}``; ``by_lines``: where address lines
    are what a decoder does not see. ``short``: the same in two or three words, for lists.
    ``links``: what stands between the place and ``does``.
    ``remedy``: what to do about it, a sentence without its first capital and its stop; where a named part is to blame
    ``{part}`` is it. ``look_for``: the same where the board file names no part.
    ``lanes_alone``: it leaves the other lanes of its part alone. ``variants``: the tables of ``[variant]`` in
    priors.toml that share its prior among the ways it may show. ``replayed``: the capture is replayed with it;
    a kind that is not has its likelihood from elsewhere, and is not proposed from the conflicts.
    """

    name: FaultName
    literature: str
    scopes: tuple[ScopeName, ...]
    does: str
    short: str
    looks: Looks
    pins: Pins = Pins.NONE
    links: str = ": "
    remedy: str = "replace {part}"
    look_for: str = ""
    lanes_alone: bool = False
    variants: tuple[str, ...] = ()
    replayed: bool = True
    several: str = ""
    by_lines: str = ""

    @property
    def on_card(self) -> bool:
        """Whether a part of the card is bad; else the card may be sound: it is a rival of such a claim."""
        return not {"clip", "machine"} & set(self.scopes)

    def weight(self, scope: ScopeName) -> float:
        """Its prior in one scope against the other kinds' (priors.toml, ``[weight]``); shared among its members."""
        return float(priors()["weight"][self.name][scope])


@cache
def priors() -> Mapping[str, Any]:
    """The data file of estimates, priors.toml."""
    return tomllib.loads((resources.files(__package__) / "priors.toml").read_text("utf-8"))
