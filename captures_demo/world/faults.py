"""A fault, where it sits, and when it acts."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world import chip_kernel as k
from busledger.captures_demo.world.machine import Machine

__all__ = ["Fault", "When", "activity", "fault_rows"]


@dataclass(frozen=True, slots=True)
class When:
    """When a fault acts.

    mode
        "hard": always. "intermittent": each cycle with chance ``rate``.
        "bursty": bad spells of ``burst`` cycles on average, ``calm`` cycles apart, failing at ``rate`` within.
        "warming": the chance rises from 0 at ``warm_from`` to ``rate`` at ``warm_to`` (fractions of the run).
        "pattern": with chance ``rate`` where ``address & address_mask == address_value``
        and at least ``switching`` address lines have just changed.
    data_mask, data_value
        For lanes: only words with ``word & data_mask == data_value`` are hurt.
    """

    mode: str = "hard"
    rate: float = 1.0
    burst: float = 40.0
    calm: float = 2000.0
    warm_from: float = 0.3
    warm_to: float = 1.0
    address_mask: int = 0
    address_value: int = 0
    switching: int = 0
    data_mask: int = 0
    data_value: int = 0


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. ``fault`` and ``scope`` are the contract's words, or one of this world's own:
    "input-open", "enable-stuck" (decoder, buffer); "transition", "read-flips", "read-flips-late",
    "read-wrong", "write-flips", "address-cells" (cell), which the literature on memory tests defines.

    ``level``: stuck or decayed level; 1 = OR for bridges; 0 / 1 = never toward the CPU / the card for
    direction-stuck; blocked or disturbed direction for cell faults. ``address`` and ``aggressor`` are
    offsets in the region (cell faults). ``acts``: "both", "reads" or "writes".
    """

    fault: str
    scope: str
    region: str = ""
    other_region: str = ""
    chip: str = ""
    card: int = -1
    lanes: tuple[int, ...] = ()
    address_lines: tuple[int, ...] = ()
    level: int = 0
    address: int = 0
    aggressor: int = 0
    aggressor_lane: int = 0
    trigger: str = "any"
    effect: str = "invert"
    acts: str = "both"
    age_s: float = 0.0
    when: When = field(default_factory=When)


_DOES = {
    "stuck-low": k.STUCK,
    "stuck-high": k.STUCK,
    "floating": k.FLOATING,
    "bridged": k.BRIDGED,
    "write-lost": k.WRITE_LOST,
    "dead": k.DEAD,
    "address-stuck": k.ADDRESS_STUCK,
    "address-bridged": k.ADDRESS_BRIDGED,
    "select-missing": k.SELECT_MISSING,
    "select-extra": k.SELECT_EXTRA,
    "select-swapped": k.SELECT_SWAPPED,
    "direction-stuck": k.DIRECTION,
    "coupled": k.COUPLED,
    "slow": k.SLOW,
    "leaky": k.LEAKY,
    "input-open": k.INPUT_OPEN,
    "enable-stuck": k.ENABLE_STUCK,
    "transition": k.TRANSITION,
    "read-flips": k.READ_FLIPS,
    "read-flips-late": k.READ_FLIPS_LATE,
    "read-wrong": k.READ_WRONG,
    "write-flips": k.WRITE_FLIPS,
    "address-cells": k.ADDRESS_CELLS,
}
_PLACE = {
    "cell": k.CELL,
    "chip": k.CHIP,
    "region": k.REGION,
    "board": k.CARD,
    "decoder": k.DECODER,
    "buffer": k.BUFFER,
    "bus": k.BUS,
}
_ACTS = {
    "both": k.ON_READS | k.ON_WRITES,
    "reads": k.ON_READS,
    "writes": k.ON_WRITES,
    "refreshed-by-reads": k.READS_REFRESH,
}
_TRIGGER = {
    "rise": k.RISE,
    "fall": k.FALL,
    "any": k.RISE | k.FALL,
    "write": k.ANY_WRITE,
    "while-high": k.WHILE_HIGH,
    "while-low": k.WHILE_LOW,
}
_EFFECT = {"low": k.EFFECT_LOW, "high": k.EFFECT_HIGH, "invert": k.EFFECT_INVERT}


def fault_rows(machine: Machine, faults: tuple[Fault, ...]) -> NDArray[np.int64]:
    """The kernel's fault table, int64[faults, columns]; KeyError for a region or chip that does not exist."""
    rows = np.zeros((len(faults), k.FAULT_COLUMNS), np.int64)
    all_lanes = (1 << machine.data_bits) - 1
    for row, fault in zip(rows, faults, strict=True):
        row[k.F_DOES] = _DOES[fault.fault]
        row[k.F_PLACE] = _PLACE[fault.scope]
        row[k.F_CARD] = fault.card
        row[k.F_REGION] = machine.region(fault.region) if fault.region else -1
        row[k.F_OTHER] = machine.region(fault.other_region) if fault.other_region else -1
        if fault.chip:
            row[k.F_REGION], chip = machine.chip(fault.chip)
            row[k.F_CHIP] = chip.mask
        row[k.F_LANES] = sum(1 << lane for lane in fault.lanes)
        row[k.F_LINES] = sum(1 << line for line in fault.address_lines)
        row[k.F_LEVEL] = {"stuck-low": 0, "stuck-high": 1}.get(fault.fault, fault.level)
        row[k.F_ACTS] = _ACTS[fault.acts]
        row[k.F_CELL] = fault.aggressor if fault.fault == "coupled" else fault.address
        row[k.F_VICTIM] = fault.address if fault.fault == "coupled" else fault.aggressor
        row[k.F_EFFECT] = _EFFECT[fault.effect]
        row[k.F_TRIGGER] = _TRIGGER[fault.trigger]
        row[k.F_AGGRESSOR] = 1 << fault.aggressor_lane
        row[k.F_AGE] = round(fault.age_s * 1e9)
        row[k.F_IF_MASK] = fault.when.data_mask
        row[k.F_IF_VALUE] = fault.when.data_value
        if fault.fault == "direction-stuck":
            row[k.F_LANES] = all_lanes
            row[k.F_ACTS] = k.ON_READS if fault.level == 0 else k.ON_WRITES
        if row[k.F_REGION] >= 0 and row[k.F_CARD] < 0:
            row[k.F_CARD] = machine.regions[row[k.F_REGION]].card
    return rows


def activity(
    faults: tuple[Fault, ...], addresses: NDArray[np.int64], times: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.uint8]:
    """uint8[n, faults]: whether each fault acts in each cycle."""
    n = addresses.shape[0]
    active = np.ones((n, len(faults)), np.uint8)
    for column, fault in enumerate(faults):
        when = fault.when
        if when.mode != "hard":
            chance = rng.random(n)
            active[:, column] = chance < _chance(when, addresses, times, rng)
    return active


def _chance(
    when: When, addresses: NDArray[np.int64], times: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """The chance of acting, cycle by cycle."""
    n = addresses.shape[0]
    chance = np.full(n, when.rate)
    if when.mode == "bursty":
        chance *= _spells(n, when.burst, when.calm, rng)
    elif when.mode == "warming" and n:
        along = (times - times[0]) / max(1, int(times[-1] - times[0]))
        chance *= np.clip((along - when.warm_from) / (when.warm_to - when.warm_from), 0.0, 1.0)
    elif when.mode == "pattern":
        chance[(addresses & when.address_mask) != when.address_value] = 0.0
        if when.switching and n:
            moved = np.concatenate([[0], addresses[1:] ^ addresses[:-1]])
            lines_moved = sum((moved >> bit) & 1 for bit in range(32))
            chance[np.asarray(lines_moved) < when.switching] = 0.0
    elif when.mode not in ("intermittent", "hard", "warming"):
        raise ValueError(f"no such way to fail: {when.mode}")
    return chance


def _spells(n: int, burst: float, calm: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """uint8[n], 1 inside bad spells; spells and calms have geometric lengths."""
    pairs = int(n / (burst + calm)) * 2 + 8
    inside = np.zeros(n, np.uint8)
    at = 0
    for calm_length, burst_length in zip(rng.geometric(1 / calm, pairs), rng.geometric(1 / burst, pairs), strict=True):
        at += int(calm_length)
        inside[at : at + int(burst_length)] = 1
        at += int(burst_length)
        if at >= n:
            break
    return inside
