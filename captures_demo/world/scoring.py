"""Whether an answer names the part that is broken.

What counts as the true part of each fault:

* chip and cell faults: the chip's designator (a cell is inside its chip);
* buffer faults: the data buffer's designator;
* select faults: the decoder's designator;
* bus faults: scope ``bus`` and the same lanes; no part;
* region faults: scope ``region`` with the region's name (and the address lines, if it is an address fault);
* board faults: the address buffer's designator where the card has one, otherwise scope ``board`` (with the lines).

The fault is *named* when, besides the part, its kind and its data lanes or address lines agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Machine

__all__ = ["SuspectLike", "Truth", "fault_named", "part_key", "part_named", "rank_of_truth", "tie_groups", "truth_of"]


class SuspectLike(Protocol):
    """What is read of a suspect: the contract's keys, and the ranks it is tied with."""

    @property
    def rank(self) -> int: ...
    @property
    def fault(self) -> str: ...
    @property
    def scope(self) -> str: ...
    @property
    def component(self) -> str | None: ...
    @property
    def region(self) -> str | None: ...
    @property
    def lanes(self) -> tuple[str, ...]: ...
    @property
    def address_lines(self) -> tuple[str, ...]: ...
    @property
    def probability(self) -> float: ...
    @property
    def explains(self) -> int: ...
    @property
    def contradicted(self) -> int: ...
    @property
    def tied_with(self) -> tuple[int, ...]: ...


@dataclass(frozen=True, slots=True)
class Truth:
    """One fault in the contract's words; ``component`` empty where the board file has no part for it."""

    fault: str
    scope: str
    component: str
    region: str
    lanes: tuple[str, ...]
    address_lines: tuple[str, ...]


def truth_of(machine: Machine, fault: Fault) -> Truth:
    """What a right answer says of ``fault``."""
    component, region = fault.chip, fault.region
    if fault.chip:
        region = machine.regions[machine.chip(fault.chip)[0]].name
    elif fault.scope == "buffer":
        component = machine.cards[fault.card].buffer
    elif fault.scope == "decoder":
        component = machine.cards[fault.card].decoder
    elif fault.scope == "board" and fault.address_lines and fault.card >= 0:
        component = machine.cards[fault.card].address_buffer
    lanes = () if fault.fault in ("leaky", "dead") and len(fault.lanes) > 1 else fault.lanes
    return Truth(
        fault.fault,
        fault.scope,
        component,
        region,
        tuple(f"D{lane}" for lane in lanes),
        tuple(f"A{line}" for line in fault.address_lines),
    )


def part_named(truth: Truth, suspect: SuspectLike) -> bool:
    """Whether the suspect is the broken part."""
    if truth.component:
        return suspect.component == truth.component
    if suspect.scope != truth.scope:
        return False
    if truth.scope == "bus":
        return set(suspect.lanes) == set(truth.lanes)
    if truth.scope == "region" and suspect.region != truth.region:
        return False
    return set(suspect.address_lines) == set(truth.address_lines)


def part_key(suspect: SuspectLike) -> tuple[str, ...]:
    """What two suspects share when they accuse the same part."""
    if suspect.component:
        return (suspect.component,)
    return (suspect.scope, suspect.region or "", *suspect.lanes, *suspect.address_lines)


def fault_named(truth: Truth, suspect: SuspectLike) -> bool:
    """Whether the suspect is the broken part and says what is wrong with it."""
    if not part_named(truth, suspect) or suspect.fault != truth.fault:
        return False
    if truth.address_lines and set(suspect.address_lines) != set(truth.address_lines):
        return False
    return not truth.lanes or truth.fault == "coupled" or set(suspect.lanes) == set(truth.lanes)


def tie_groups(suspects: Sequence[SuspectLike]) -> list[list[SuspectLike]]:
    """Suspects that the engine calls tied, together, in order of their best rank.

    A tie is taken at its word only where both explain equally many reads and fail equally many.
    """
    groups: list[list[SuspectLike]] = []
    for suspect in suspects:
        for group in groups:
            head = group[0]
            even = (head.explains, head.contradicted) == (suspect.explains, suspect.contradicted)
            if even and head.rank in suspect.tied_with:
                group.append(suspect)
                break
        else:
            groups.append([suspect])
    return groups


def rank_of_truth(truth: Truth, suspects: Sequence[SuspectLike]) -> tuple[int, SuspectLike | None]:
    """(place of the first group that names the true part, the suspect in it that does); (0, None) if none does.

    Suspects that are listed as tied are one candidate with several names: they share a place.
    """
    for place, group in enumerate(tie_groups(suspects), start=1):
        for suspect in group:
            if part_named(truth, suspect):
                return place, suspect
    return 0, None
