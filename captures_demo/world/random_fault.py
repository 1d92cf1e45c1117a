"""Faults of every kind and scope, drawn from a seed, on a machine that can have them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.faults import Fault, When
from busledger.captures_demo.world.machine import Machine, Region

__all__ = ["FAULT_SCOPES", "random_fault", "random_when"]

# The contract's table.
FAULT_SCOPES: tuple[tuple[str, str], ...] = (
    *((fault, scope) for fault in ("stuck-low", "stuck-high") for scope in ("cell", "chip", "buffer", "bus")),
    ("floating", "chip"),
    ("floating", "buffer"),
    ("bridged", "chip"),
    ("bridged", "buffer"),
    ("bridged", "bus"),
    ("write-lost", "chip"),
    ("write-lost", "region"),
    ("write-lost", "board"),
    ("dead", "chip"),
    *((fault, scope) for fault in ("address-stuck", "address-bridged") for scope in ("chip", "region", "board")),
    ("select-missing", "decoder"),
    ("select-extra", "decoder"),
    ("select-swapped", "decoder"),
    ("direction-stuck", "buffer"),
    ("coupled", "cell"),
    ("slow", "chip"),
    ("slow", "region"),
    ("leaky", "chip"),
    ("leaky", "cell"),
)


def random_when(rng: np.random.Generator, rate: float) -> When:
    """A way of failing now and then: evenly, in bursts, with warmth, or on a pattern of addresses."""
    mode = str(rng.choice(["intermittent", "intermittent", "bursty", "warming", "pattern"]))
    if mode == "bursty":
        return When(mode, min(1.0, 8 * rate), burst=float(rng.integers(100, 800)), calm=float(rng.integers(1500, 5000)))
    if mode == "warming":
        return When(mode, min(1.0, 2.5 * rate), warm_from=float(rng.uniform(0.1, 0.4)))
    if mode == "pattern":
        if rng.random() < 0.5:
            mask = 1 << int(rng.integers(0, 6))
            return When(mode, min(1.0, 2 * rate), address_mask=mask, address_value=mask if rng.random() < 0.5 else 0)
        return When(mode, min(1.0, 4 * rate), switching=int(rng.integers(6, 9)))
    return When(mode, rate)


def random_fault(
    machine: Machine,
    kind: str,
    scope: str,
    rng: np.random.Generator,
    cells: Mapping[str, NDArray[np.int64]] | None = None,
) -> Fault | None:
    """A hard fault of this kind and scope, or None where the machine has no place for it.

    ``cells``: region name → offsets that a cell fault may sit at; any cell if left out.
    """
    cards = [index for index, card in enumerate(machine.cards) if card.decoder]
    card = int(rng.choice(cards))
    ram = [region for region in machine.regions if region.kind == "ram"]
    mine = [region for region in ram if region.card == card]
    region = mine[int(rng.integers(len(mine)))]
    level = int(rng.integers(2))
    if scope == "cell":
        region = region if cells is None else machine.regions[machine.region(str(rng.choice(sorted(cells))))]
        return _cell_fault(kind, region, rng, np.arange(region.size) if cells is None else cells[region.name])
    if scope == "chip":
        return _chip_fault(kind, region, rng)
    if scope == "decoder":
        return _select_fault(kind, region, mine, card, rng)
    if scope == "buffer":
        with_buffer = [index for index, each in enumerate(machine.cards) if each.buffer]
        if not with_buffer:
            return None
        card = int(rng.choice(with_buffer))
        if kind == "direction-stuck":
            return Fault(kind, scope, card=card, level=level)
        acts = str(rng.choice(["both", "both", "both", "reads", "writes"]))
        return Fault(kind, scope, card=card, lanes=_lanes(kind, tuple(range(8)), rng), level=level, acts=acts)
    if scope == "bus":
        acts = str(rng.choice(["both", "reads"]))
        return Fault(kind, scope, lanes=_lanes(kind, tuple(range(8)), rng), level=level, acts=acts)
    return _wide_fault(machine, kind, scope, region, card, rng)


def _lanes(kind: str, pool: tuple[int, ...], rng: np.random.Generator) -> tuple[int, ...]:
    count = 2 if kind == "bridged" else 1
    return tuple(sorted(int(lane) for lane in rng.choice(pool, count, replace=False)))


def _lines(kind: str, below: int, rng: np.random.Generator) -> tuple[int, ...]:
    count = 2 if kind == "address-bridged" else 1
    return tuple(sorted(int(line) for line in rng.choice(below, count, replace=False)))


def _wide_fault(
    machine: Machine, kind: str, scope: str, region: Region, card: int, rng: np.random.Generator
) -> Fault | None:
    """Faults of a whole region or of the whole board."""
    below = region.size.bit_length() - 1
    level = int(rng.integers(2))
    if scope == "region":
        lines = _lines(kind, below, rng) if kind.startswith("address") else ()
        return Fault(kind, scope, region=region.name, address_lines=lines, level=level)
    if kind == "write-lost":
        return Fault(kind, scope)
    named = machine.cards[card].address_buffer
    reach = min(below, len(machine.cards[card].address_lines)) if named else below
    return Fault(kind, scope, card=card if named else -1, address_lines=_lines(kind, reach, rng), level=level)


def _chip_fault(kind: str, region: Region, rng: np.random.Generator) -> Fault | None:
    chip = region.chips[int(rng.integers(len(region.chips)))]
    level = int(rng.integers(2))
    if kind == "bridged" and len(chip.lanes) < 2:
        return None
    made = Fault(kind, "chip", chip=chip.designator, level=level)
    if kind in ("stuck-low", "stuck-high", "floating", "bridged"):
        # Parts with pins of their own for input and output can lose either; a common pin carries both.
        acts = str(rng.choice(["reads", "writes"])) if len(chip.lanes) == 1 and kind != "floating" else "both"
        return replace(made, lanes=_lanes(kind, chip.lanes, rng), acts=acts)
    if kind.startswith("address"):
        return replace(made, address_lines=_lines(kind, region.size.bit_length() - 1, rng))
    if kind == "leaky":
        acts = str(rng.choice(["both", "refreshed-by-reads"]))
        return replace(made, lanes=chip.lanes, acts=acts, age_s=float(np.exp(rng.uniform(np.log(8e-4), np.log(6e-3)))))
    return made


def _cell_fault(kind: str, region: Region, rng: np.random.Generator, cells: NDArray[np.int64]) -> Fault | None:
    if cells.shape[0] < 2:
        return None
    chip = region.chips[int(rng.integers(len(region.chips)))]
    cell = int(rng.choice(cells))
    made = Fault(kind, "cell", chip=chip.designator, lanes=_lanes("", chip.lanes, rng), address=cell)
    if kind == "coupled":
        near = [cell ^ (1 << bit) for bit in range(region.size.bit_length() - 1)]
        used = np.intersect1d(near, cells)
        return replace(
            made,
            aggressor=int(rng.choice(used if used.shape[0] else cells[cells != cell])),
            aggressor_lane=int(rng.choice(chip.lanes)),
            trigger=str(rng.choice(["rise", "fall", "any", "write"])),
            effect=str(rng.choice(["low", "high", "invert"])),
        )
    if kind == "leaky":
        return replace(made, level=int(rng.integers(2)), age_s=float(np.exp(rng.uniform(np.log(4e-4), np.log(4e-3)))))
    return made


def _select_fault(kind: str, region: Region, mine: list[Region], card: int, rng: np.random.Generator) -> Fault | None:
    others = [other for other in mine if other is not region]
    if kind == "select-missing":
        return Fault(kind, "decoder", region=region.name, card=card)
    if not others:
        return None
    other = others[int(rng.integers(len(others)))]
    return Fault(kind, "decoder", region=region.name, other_region=other.name, card=card)
