"""A run as somebody would let a machine do it: a test, its program, or both."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.machine import Machine, Region
from busledger.captures_demo.world.marches import BACKGROUNDS, MARCHES, march
from busledger.captures_demo.world.stimulus import (
    Accesses,
    Stimulus,
    address_in_data,
    block_copy,
    checker,
    counters,
    pause,
    program,
    random_reads,
    weave,
)

__all__ = ["random_stimulus", "sample_cells"]


def sample_cells(region: Region, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Ascending addresses of a region: a straight run, every power of two away from its start and end, some others."""
    if region.size <= count:
        return np.arange(region.start, region.end + 1)
    powers = 1 << np.arange(region.size.bit_length() - 1)
    corners = np.concatenate([powers, powers + 1, powers - 1, region.size - 1 - powers])
    run = np.arange(count // 3) + int(rng.integers(0, region.size - count // 3))
    others = rng.integers(0, region.size, count - run.shape[0])
    picked = np.unique(np.concatenate([corners, run, others]))
    return region.start + picked[picked < region.size]


def random_stimulus(machine: Machine, rng: np.random.Generator, *, cycles: int = 40_000) -> Stimulus:
    """About ``cycles`` bus cycles: every RAM region is written and read back, then whatever the seed brings."""
    ram = [region for region in machine.regions if region.kind == "ram"]
    rom = next((region for region in machine.regions if region.kind == "rom"), None)
    fetches = int(rng.integers(2, 5))
    budget = cycles // (fetches + 1)
    cells = {region.name: sample_cells(region, max(48, budget // (5 * len(ram))), rng) for region in ram}
    everywhere = np.concatenate([cells[region.name] for region in ram])
    parts: list[Accesses] = [address_in_data(everywhere, int(rng.integers(1, 200)))]
    spent = len(parts[0])
    # The counters and flags of a main loop: few cells, used all the time.
    home = ram[int(rng.integers(len(ram)))]
    hot = rng.choice(cells[home.name], 5, replace=False)
    parts.append(counters(np.sort(hot), budget // 8, rng))
    spent += len(parts[-1])
    while spent < budget:
        part = _piece(ram, cells, everywhere, rng)
        parts.append(part)
        spent += len(part)
    parts.append(random_reads(everywhere, min(800, budget // 10), rng))
    idle = BUS_KINDS[machine.bus].idle_share
    code = (rom.start, rom.end) if rom is not None else None
    return weave(Accesses.join(parts), code, rng, fetches=fetches, idle_share=idle)


def _piece(
    ram: list[Region], cells: dict[str, NDArray[np.int64]], everywhere: NDArray[np.int64], rng: np.random.Generator
) -> Accesses:
    """One routine of a test program or of ordinary work."""
    region = ram[int(rng.integers(len(ram)))]
    own = cells[region.name]
    what = rng.random()
    if what < 0.3:
        name = str(rng.choice(list(MARCHES)))
        background = int(rng.choice(BACKGROUNDS))
        return march(name, own[: min(own.shape[0], 96)] if rng.random() < 0.5 else own[::3], background)
    if what < 0.5:
        return address_in_data(everywhere if rng.random() < 0.5 else own, int(rng.integers(1, 200)))
    if what < 0.6:
        return checker(own)
    if what < 0.7:
        other = cells[ram[int(rng.integers(len(ram)))].name]
        length = min(own.shape[0], other.shape[0], 200)
        return block_copy(own[:length], other[::-1][:length])
    if what < 0.75:
        return Accesses.join([pause(int(rng.integers(200, 3000))), random_reads(everywhere, 100, rng)])
    variables = rng.choice(own, min(24, own.shape[0]), replace=False)
    return program(np.sort(variables), region.start + min(region.size, 256) - 1, own, 500, rng)
