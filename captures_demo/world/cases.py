"""Cases for a benchmark: a machine, its faults, its traffic and what came of it, all from one seed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.play import Run, play
from busledger.captures_demo.world.random_card import random_machine
from busledger.captures_demo.world.random_fault import FAULT_SCOPES, random_fault, random_when
from busledger.captures_demo.world.stimulus import Stimulus
from busledger.captures_demo.world.traffic_mix import random_stimulus

__all__ = ["CATEGORIES", "FEWEST_HARD", "FEWEST_SOFT", "Case", "draw_case", "fault_that_shows"]

CATEGORIES = ("healthy", "hard", "intermittent", "double")
FEWEST_HARD = 3  # a fault that shows less often than this in the capture is drawn again
FEWEST_SOFT = 10
FEWEST_BESIDE = 12  # reads that come out differently with the second fault than without it
_TRIES = 60
# Decay has its own clock; it is never made intermittent.
_ALWAYS_HARD = {"leaky"}


@dataclass(frozen=True, slots=True)
class Case:
    """One capture to judge. ``category`` as in ``CATEGORIES``, or "many"; ``stimulus`` and ``world_seed`` play it
    again."""

    seed: int
    category: str
    machine: Machine
    faults: tuple[Fault, ...]
    run: Run
    stimulus: Stimulus
    world_seed: int


def draw_case(seed: int, category: str, *, kind: tuple[str, str] | None = None, cycles: int = 0) -> Case:
    """The case of this seed.

    ``kind``: (fault, scope) of the first fault; drawn if left out. A fault that
    cannot exist on a machine, or does not show in the traffic, is drawn again with another
    machine: RuntimeError if no machine of sixty shows it.
    """
    place = FAULT_SCOPES.index(kind) + 1 if kind else 0
    rng = np.random.default_rng(np.random.SeedSequence([seed, CATEGORIES.index(category), place]))
    for _ in range(_TRIES):
        machine = random_machine(rng)
        stimulus = random_stimulus(machine, rng, cycles=cycles or int(rng.integers(20_000, 60_000)))
        world_seed = int(rng.integers(1 << 31))
        faults = _draw_faults(machine, stimulus, category, kind, world_seed, rng)
        if faults is None:
            continue
        run = play(machine, faults, stimulus, world_seed)
        if category in ("hard", "intermittent"):
            category = "hard" if faults[0].when.mode == "hard" else "intermittent"
        return Case(seed, category, machine, faults, run, stimulus, world_seed)
    raise RuntimeError(f"no machine of {_TRIES} shows {kind} ({category}, seed {seed})")


def _draw_faults(
    machine: Machine,
    stimulus: Stimulus,
    category: str,
    kind: tuple[str, str] | None,
    world_seed: int,
    rng: np.random.Generator,
) -> tuple[Fault, ...] | None:
    if category == "healthy":
        return ()
    soft = category == "intermittent" or (category == "double" and bool(rng.random() < 0.4))
    fault = fault_that_shows(machine, stimulus, kind or _any_kind(rng), soft, world_seed, rng)
    if fault is None or category != "double":
        return (fault,) if fault is not None else None
    for _ in range(8):
        other = fault_that_shows(machine, stimulus, _any_kind(rng), bool(rng.random() < 0.4), world_seed, rng)
        if other is not None and _apart(machine, fault, other):
            both = play(machine, (fault, other), stimulus, world_seed)
            alone = [play(machine, (each,), stimulus, world_seed) for each in (fault, other)]
            # Each must change reads beside the other, else it is a single fault to every observer.
            if all(np.count_nonzero(both.wrong != run.wrong) >= FEWEST_BESIDE for run in alone):
                return (fault, other)
    return None


def _any_kind(rng: np.random.Generator) -> tuple[str, str]:
    return FAULT_SCOPES[int(rng.integers(len(FAULT_SCOPES)))]


def fault_that_shows(
    machine: Machine,
    stimulus: Stimulus,
    kind: tuple[str, str],
    soft: bool,
    world_seed: int,
    rng: np.random.Generator,
) -> Fault | None:
    """One fault that shows often enough: hard, or now and then with a rate fitted to the traffic."""
    fault = random_fault(machine, *kind, rng, _cells_in_use(machine, stimulus, soft) if kind[1] == "cell" else None)
    if fault is None:
        return None
    if kind[0] == "slow" and not soft:
        # A part that is late every time cannot be told from one that never answers; mostly it is late now and then.
        soft = bool(rng.random() < 0.9)
    shown = play(machine, (fault,), stimulus, world_seed).mismatches
    # Two like banks exchanged for good are one machine to every observer; exchanged now and then they are not.
    soft = soft or (kind[0] == "select-swapped" and shown == 0)
    if not soft or kind[0] in _ALWAYS_HARD:
        return fault if shown >= FEWEST_HARD else None
    wanted = float(np.exp(rng.uniform(np.log(14), np.log(250))))
    if kind[0] == "select-swapped":
        shown = max(shown, int(np.count_nonzero(stimulus.op == 0) // 20))
    rate = max(14.0, min(wanted, 0.4 * shown)) / max(1, shown)
    for _ in range(4):
        if rate > 0.7:
            return None
        tried = replace(fault, when=random_when(rng, rate))
        if play(machine, (tried,), stimulus, world_seed).mismatches >= FEWEST_SOFT:
            return tried
        rate *= 2
    return None


def _cells_in_use(machine: Machine, stimulus: Stimulus, often: bool) -> dict[str, NDArray[np.int64]]:
    """RAM region → offsets that are accessed; ``often``: the five cells of the machine that are accessed most."""
    cells, counts = np.unique(stimulus.address[stimulus.op != 2], return_counts=True)
    ram = [region for region in machine.regions if region.kind == "ram"]
    inside = np.isin(cells, np.concatenate([np.arange(region.start, region.end + 1) for region in ram]))
    cells, counts = cells[inside], counts[inside]
    if often:
        cells = np.sort(cells[np.argsort(-counts, kind="stable")[:5]])
    found = {}
    for region in ram:
        mine = cells[(cells >= region.start) & (cells <= region.end)] - region.start
        if mine.shape[0] >= 2:
            found[region.name] = mine
    return found


def _apart(machine: Machine, one: Fault, other: Fault) -> bool:
    """Whether two faults sit in different parts, and neither silences all that the other can reach."""
    if (one.scope, one.chip, one.region, one.card) == (other.scope, other.chip, other.region, other.card):
        return False
    return not _silences(machine, one, other) and not _silences(machine, other, one)


def _silences(machine: Machine, one: Fault, other: Fault) -> bool:
    """Memory that is never written or never answers has no contents to tell another fault by."""
    total = ("write-lost", "dead", "select-missing", "direction-stuck")
    return one.fault in total and one.when.mode == "hard" and _reach(machine, other) <= _reach(machine, one)


def _reach(machine: Machine, fault: Fault) -> set[str]:
    """Designators of the RAM chips that a fault can spoil; the bus reaches the ROM, too."""
    if fault.chip:
        return {fault.chip}
    ram = [region for region in machine.regions if region.kind == "ram"]
    if fault.region:
        ram = [region for region in ram if region.name in (fault.region, fault.other_region)]
    elif fault.card >= 0:
        ram = [region for region in ram if region.card == fault.card]
    chips = {chip.designator for region in ram for chip in region.chips}
    return chips | {"ROM"} if fault.scope == "bus" else chips
