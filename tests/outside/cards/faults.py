"""A fault: what the truth file says of it, and the row of the kernel's table that makes it act."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from . import kernel as k
from .board import Board


@dataclass
class Fault:
    """One thing that is wrong with a card. Lanes and lines are numbers; address and aggressor are bus addresses."""

    fault: str
    scope: str
    component: str | None = None
    regions: list[int] = field(default_factory=list)
    lanes: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    address: int | None = None
    chip: int | None = None
    level: int = 0
    op: str = "and"
    variant: str = ""
    path: str = "read"
    aggressor: tuple[int, int] | None = None
    other: int = -1
    age: int = 0
    mode: str = "always"
    rate: float = 1.0
    condition: tuple[int, int] | None = None
    scatter: tuple[int, int] | None = None
    spread: str = ""
    accept: list[str] = field(default_factory=list)
    pattern: npt.NDArray[np.uint8] | None = None

    @property
    def intermittent(self) -> bool:
        """Whether it comes and goes."""
        return self.mode != "always"

    @property
    def kinds(self) -> list[str]:
        """Names of the fault that are right."""
        return [self.fault, *(a for a in self.accept if a != self.fault)]

    def like(self, **changes: Any) -> Fault:
        """A copy with some fields changed."""
        other = copy.copy(self)
        for name, value in changes.items():
            setattr(other, name, value)
        return other


STRANGE_BUFFER = {"noisy": 0, "many-switching": 1}
STRANGE = {"noisy": 0, "inverts": 1, "latched": 2, "garbles": 3, "writes-twice": 4, "ands-neighbour": 5}
_CHIP = {"stuck-low": k.T_STUCK, "stuck-high": k.T_STUCK, "floating": k.T_FLOAT, "bridged": k.T_BRIDGE,
         "write-lost": k.T_WLOST, "dead": k.T_DEAD, "address-stuck": k.T_ASTUCK, "address-bridged": k.T_ABRIDGE,
         "coupled": k.T_COUPLED, "slow": k.T_SLOW, "leaky": k.T_LEAKY, "no-answer": k.T_NOANSWER,
         "unlisted": k.T_STRANGE, "direction-stuck": k.T_DIR, "select-missing": k.T_SMISS,
         "select-extra": k.T_SEXTRA, "select-swapped": k.T_SSWAP}  # fmt: skip
_BUFFER = {
    "stuck-low": k.T_BSTUCK,
    "stuck-high": k.T_BSTUCK,
    "floating": k.T_BFLOAT,
    "bridged": k.T_BBRIDGE,
    "unlisted": k.T_BSTRANGE,
}
_BUS = {"stuck-low": k.T_USTUCK, "stuck-high": k.T_USTUCK, "bridged": k.T_UBRIDGE}


def _mask(numbers: list[int]) -> int:
    return sum(1 << number for number in numbers)


def encode(fault: Fault, board: Board) -> npt.NDArray[np.int64]:
    """The kernel's row."""
    row = np.zeros(k.COLUMNS, np.int64)
    table = {"buffer": {**_CHIP, **_BUFFER}, "bus": _BUS}.get(fault.scope, _CHIP)
    row[k.C_TYPE] = table[fault.fault]
    narrow = fault.scope in ("chip", "cell")
    single = narrow or fault.fault.startswith("select") or fault.fault == "no-answer"
    row[k.C_REGION] = fault.regions[0] if single else -1
    row[k.C_REGIONS] = _mask(fault.regions)
    lanes = fault.lanes
    if narrow and not lanes and fault.chip is not None:
        lanes = board.chips[fault.chip].lanes
    row[k.C_LANES] = _mask(lanes) if lanes else 255
    row[k.C_LEVEL] = fault.level
    row[k.C_OR] = fault.op == "or"
    row[k.C_BITS] = _mask(fault.lines)
    row[k.C_CELL] = -1
    region = board.regions[fault.regions[0]]
    if fault.address is not None:
        row[k.C_CELL] = fault.address - region.start
    if fault.aggressor:
        row[k.C_AGG] = fault.aggressor[0] - region.start
        row[k.C_AGGLANE] = 1 << fault.aggressor[1]
        row[k.C_VARIANT] = {"any": 0, "change": 1, "rise": 2, "fall": 3}[fault.variant]
        if fault.spread == "invert":
            row[k.C_LEVEL] = 2
    elif fault.fault == "unlisted":
        row[k.C_VARIANT] = {**STRANGE, **STRANGE_BUFFER}[fault.variant]
    elif fault.fault == "direction-stuck":
        row[k.C_VARIANT] = {"to-card": 0, "to-cpu-old": 1, "to-cpu-float": 2}[fault.variant]
    elif fault.scope == "bus":
        row[k.C_VARIANT] = fault.variant == "backplane"
    if fault.condition:
        row[k.C_CMASK], row[k.C_CVALUE] = fault.condition
    if fault.scatter:
        row[k.C_SEED], row[k.C_SHARE] = fault.scatter
    row[k.C_PATH] = {"read": 0, "both": 1, "write": 2}[fault.path]
    row[k.C_AGE] = fault.age
    if fault.fault == "leaky":
        row[k.C_SEED] = fault.age % 9973
    row[k.C_OTHER] = fault.other
    return row


def activity(fault: Fault, when: npt.NDArray[np.int64], rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """In which cycles the fault acts."""
    n = len(when)
    if fault.mode in ("always", "where"):
        return np.ones(n, np.uint8)
    if fault.mode == "steady":
        return np.asarray(rng.random(n) < fault.rate, dtype=np.uint8)
    if fault.mode == "warming":
        share = (when - when[0]) / max(1, when[-1] - when[0])
        return np.asarray(rng.random(n) < fault.rate * 3 * share**2, dtype=np.uint8)
    out = np.zeros(n, np.uint8)
    inside = 0.6
    length = max(12, int(n * rng.uniform(0.01, 0.06)))
    bursts = max(1, round(fault.rate / inside * n / length))
    for _ in range(bursts):
        at = int(rng.integers(0, max(1, n - length)))
        out[at : at + length] |= (rng.random(min(length, n - at)) < inside).astype(np.uint8)[: n - at]
    return np.asarray(out, dtype=np.uint8)


def describe(fault: Fault, board: Board) -> dict[str, Any]:
    """The fault as the truth file writes it, without its figures."""
    condition: Any = None
    if fault.condition:
        mask, value = fault.condition
        bits = [[bit, value >> bit & 1] for bit in range(16) if mask >> bit & 1]
        condition = bits[0] if len(bits) == 1 else bits
    return {
        **name(fault, board),
        "region_of_chip": board.regions[fault.regions[0]].name if fault.chip is not None else None,
        "intermittent": fault.mode not in ("always", "where"),
        "rate": fault.rate,
        "mode": fault.mode if not (fault.condition or fault.scatter) or fault.mode != "always" else "where",
        "condition": condition,
        "scatter": list(fault.scatter) if fault.scatter else None,
        "partial": fault.spread if fault.spread != "invert" else "",
        "level": fault.level,
        "op": fault.op,
        "variant": fault.variant,
        "path": fault.path,
        "aggressor": [fault.aggressor[0], f"D{fault.aggressor[1]}"] if fault.aggressor else None,
        "accept": fault.kinds,
    }


def name(fault: Fault, board: Board) -> dict[str, Any]:
    """What an answer is matched against."""
    return {
        "component": fault.component,
        "fault": fault.fault,
        "scope": fault.scope,
        "regions": [board.regions[r].name for r in fault.regions],
        "lanes": [f"D{lane}" for lane in sorted(fault.lanes)],
        "address_lines": [f"A{line}" for line in sorted(fault.lines)],
        "address": fault.address,
    }
