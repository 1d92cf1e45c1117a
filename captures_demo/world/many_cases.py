"""Cards with two to sixteen bad parts, as an old card has them: mostly chips, at times what they share."""

from __future__ import annotations

import numpy as np

from busledger.captures_demo.world.cases import Case, fault_that_shows
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.random_card import random_machine
from busledger.captures_demo.world.random_fault import FAULT_SCOPES
from busledger.captures_demo.world.stimulus import Stimulus
from busledger.captures_demo.world.traffic_mix import random_stimulus

__all__ = ["FEWEST_SHOWN", "MANY_COUNTS", "draw_many", "shows_of"]

MANY_COUNTS = (2, 3, 4, 5, 7, 9, 12, 16)
"""How many bad parts cards are drawn with, in turns."""
FEWEST_SHOWN = 4  # reads that come out differently with the fault than without it, all others being there
_OF_CHIPS = tuple(kind for kind in FAULT_SCOPES if kind[1] in ("chip", "cell"))
_SHARED = tuple(kind for kind in FAULT_SCOPES if kind[1] not in ("chip", "cell"))
_WITH_SHARED = 0.3  # cards on which something that chips share is bad as well
_NOW_AND_THEN = 0.15
_SPARE = 1.4  # chips on the card for every bad one, at the least
_TRIES = 60


def draw_many(seed: int, count: int, *, cycles: int = 0) -> Case:
    """The card of this seed with ``count`` bad parts, each of which shows beside the others.

    Raises
    ------
    RuntimeError
        none of sixty machines can show so many.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 4, count]))
    for _ in range(_TRIES):
        machine = random_machine(rng, part=str(rng.choice(["2102", "2147"])) if count > 4 else "")
        chips = sum(len(region.chips) for region in machine.regions if region.kind == "ram")
        if chips < _SPARE * count:
            continue
        stimulus = random_stimulus(machine, rng, cycles=cycles or int(rng.integers(20_000, 60_000)))
        world_seed = int(rng.integers(1 << 31))
        faults = _draw(machine, stimulus, count, world_seed, rng)
        if faults is not None:
            return Case(
                seed, "many", machine, faults, play(machine, faults, stimulus, world_seed), stimulus, world_seed
            )
    raise RuntimeError(f"no machine of {_TRIES} shows {count} faults (seed {seed})")


def shows_of(case: Case) -> tuple[int, ...]:
    """For each fault, the reads that would come out differently if it alone were mended."""
    return _shows(case.machine, case.faults, case.stimulus, case.world_seed)


def _shows(machine: Machine, faults: tuple[Fault, ...], stimulus: Stimulus, world_seed: int) -> tuple[int, ...]:
    whole = play(machine, faults, stimulus, world_seed)
    found = []
    for k in range(len(faults)):
        without = play(machine, faults[:k] + faults[k + 1 :], stimulus, world_seed)
        found.append(int(np.count_nonzero(whole.wrong != without.wrong)))
    return tuple(found)


def _draw(
    machine: Machine, stimulus: Stimulus, count: int, world_seed: int, rng: np.random.Generator
) -> tuple[Fault, ...] | None:
    """Faults of ``count`` different parts, or None if they hide one another."""
    faults: list[Fault] = []
    kinds = [_SHARED] if rng.random() < _WITH_SHARED else []
    kinds += [_OF_CHIPS] * (count - len(kinds))
    for _ in range(12 * count):
        pool = kinds[len(faults)]
        kind = pool[int(rng.integers(len(pool)))]
        soft = bool(rng.random() < _NOW_AND_THEN)
        fault = fault_that_shows(machine, stimulus, kind, soft, world_seed, rng)
        if fault is None or (fault.chip and fault.chip in {one.chip for one in faults}):
            continue
        faults.append(fault)
        if len(faults) == count:
            made = tuple(faults)
            shows = _shows(machine, made, stimulus, world_seed)
            if min(shows) >= FEWEST_SHOWN:
                return made
            faults = [one for one, often in zip(made, shows, strict=True) if often >= FEWEST_SHOWN]
            # What hid the others is not drawn again.
            kinds = [_OF_CHIPS] * count if len(faults) < count - 1 else kinds
    return None
