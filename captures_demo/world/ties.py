"""Whether two explanations of a hard fault can be told apart: the world plays the rival and compares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np

from busledger.captures_demo.world.cases import Case
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.scoring import SuspectLike

__all__ = ["as_faults", "cannot_part"]


def as_faults(machine: Machine, suspect: SuspectLike) -> Iterator[Fault]:
    """The hard faults of this world that a suspect may mean (both levels where it names none)."""
    lanes = tuple(int(lane[1:]) for lane in suspect.lanes)
    lines = tuple(int(line[1:]) for line in suspect.address_lines)
    card = -1
    for index, each in enumerate(machine.cards):
        if suspect.component and suspect.component in (each.buffer, each.address_buffer, each.decoder):
            card = index
    region = suspect.region or ""
    chip = (suspect.component or "") if suspect.scope in ("chip", "cell") else ""
    if chip and suspect.fault in ("dead", "write-lost", "slow"):
        lanes = machine.chip(chip)[1].lanes
    if suspect.scope not in ("region", "decoder"):
        region = ""
    others = [""]
    if suspect.fault in ("select-extra", "select-swapped"):
        others = [other.name for other in machine.regions if other.name != region]
    for other in others:
        for level in (0, 1):
            yield Fault(
                suspect.fault,
                suspect.scope,
                region=region,
                other_region=other,
                chip=chip,
                card=card,
                lanes=lanes,
                address_lines=lines,
                level=level,
            )


def _floating_otherwise(machine: Machine) -> Iterator[Machine]:
    """The same machine with its undriven lines behaving in every way: no board file tells which."""
    for cards, main in product(("keep", "up", "down"), repeat=2):
        yield replace(machine, floats=main, cards=tuple(replace(card, floats=cards) for card in machine.cards))


def cannot_part(case: Case, rival: SuspectLike) -> bool:
    """Whether the rival, played on such a machine with the same traffic, gives the very same wrong reads.

    Cell faults have more freedom than a suspect says (aggressor, age) and are taken at the engine's word.
    """
    if rival.scope == "cell" or rival.fault == "leaky":
        return True
    for fault, machine in product(as_faults(case.machine, rival), (case.machine, *_floating_otherwise(case.machine))):
        played = play(machine, (fault,), case.stimulus, case.world_seed)
        if np.array_equal(played.wrong, case.run.wrong):
            return True
    return False
