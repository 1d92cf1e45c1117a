"""What solder, sockets and pins do, and the nets that follow: open, short to a supply, bridge to a neighbour, weak."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from .card import CONTROLS, Card
from .nets_kernel import Ints
from .parts import PARTS, RAM, ROM, is_both, is_output, pin_class

MODES = ("low", "high", "keep", "follow", "drift")


@dataclass(frozen=True)
class Fault:
    """One physical fault. ``pin`` is a pin's name at ``chip``, or a backplane line where ``chip`` is "edge"."""

    kind: str  # open, gnd, vcc, bridge, weak, cell
    chip: str
    pin: str
    other: str = ""
    mode: str = "high"
    cell: tuple[int, ...] = ()

    def line(self, card: Card) -> str:
        """Say it in words of the bench."""
        part = "" if self.chip == "edge" else card.chips[card.chip(self.chip)].part.name + " "
        what = {"open": "open", "gnd": "to GND", "vcc": "to VCC", "weak": "weak", "cell": f"cell {self.cell}"}
        tail = f" to {self.other}" if self.kind == "bridge" else " " + what[self.kind]
        return f"{self.chip} {part}{self.pin}{tail}" + (f" ({self.mode})" if self.kind == "open" else "")


def backplane(card: Card) -> list[str]:
    """Give the edge connector's tracks in their order."""
    return [f"D{i}" for i in range(8)] + [f"A{i}" for i in range(16)]


def neighbours(pins: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """Give the pairs of pins that stand side by side in a socket."""
    half = len(pins) // 2
    for i in range(len(pins) - 1):
        if i != half - 1:
            yield pins[i], pins[i + 1]


def every(card: Card) -> list[Fault]:
    """List every single fault of the card that the bench knows (cells and weak outputs apart)."""
    listed: list[Fault] = []
    muxed = card.cpu in ("8085", "1802")
    for chip in card.chips:
        part = chip.part
        for pin in part.pins:
            net = chip.at.get(pin)
            if net is None or (pin == "VPP"):
                continue
            raw = muxed and net[0] in "AD" and net[1:].isdigit()
            modes = ("low", "high", "follow") if part.mos or is_output(part, pin) or is_both(part, pin) else ("high",)
            listed += [Fault("open", chip.name, pin, mode=m) for m in modes]
            control = net in CONTROLS[card.cpu]
            if net not in ("VCC", "GND") and not raw and not control:
                listed += [Fault(kind, chip.name, pin) for kind in ("gnd", "vcc")]
        for one, two in neighbours(part.pins):
            nets = (chip.at.get(one), chip.at.get(two))
            if None in nets or nets[0] == nets[1] or set(nets) == {"VCC", "GND"}:
                continue
            if any(n in CONTROLS[card.cpu] for n in nets):  # the processor would not run at all
                continue
            if muxed and any(n and n[0] in "AD" and n[1:].isdigit() for n in nets):
                continue
            listed.append(Fault("bridge", chip.name, one, two))
    tracks = backplane(card)
    used = {net for chip in card.chips for net in chip.at.values()}
    for name in tracks:
        if name in used:
            listed += [Fault("open", "edge", name, mode=m) for m in ("low", "high")]
    if not muxed:
        listed += [Fault("bridge", "edge", a, b) for a, b in pairwise(tracks)]
    return listed


def class_of(card: Card, fault: Fault) -> str:
    """Name the class under which a fault's pin is counted."""
    if fault.chip == "edge":
        return "backplane"
    return pin_class(card.chips[card.chip(fault.chip)].part, fault.pin)


@dataclass
class Nets:
    """A card compiled for the kernel, sound (0) and with one or more faults (1)."""

    names: dict[str, int]
    arrays: dict[str, Any]


def _tied_high(card: Card, net: str) -> bool:
    """Tell whether a bipolar input hangs on a net, so that it floats high when no one drives it."""
    return any(n == net and not c.part.mos and not is_output(c.part, p) for c in card.chips for p, n in c.at.items())


def compile_card(card: Card, faults: list[Fault], fill: int = 1) -> Nets:
    """Make the kernel's arrays for a card and its faults."""
    names: dict[str, int] = {"GND": 0, "VCC": 1}
    for label in [f"A{i}" for i in range(16)] + [f"D{i}" for i in range(8)] + list(CONTROLS[card.cpu]):
        names.setdefault(label, len(names))
    for chip in card.chips:
        for label in chip.at.values():
            names.setdefault(label, len(names))
    for row in card.rows:
        names.setdefault(row.select, len(names))
    nowhere = len(names)
    spare = nowhere + 1
    info: list[list[int]] = []
    flat: list[int] = []
    where: dict[tuple[str, str], int] = {}
    cells = 0
    for chip in card.chips:
        part = chip.part
        base = len(flat)
        for pin in part.order():
            if pin and pin in chip.at:
                where[(chip.name, pin)] = len(flat)
                flat.append(names[chip.at[pin]])
            elif pin == "CS2" or (not pin and part.kind in (RAM, ROM) and len(flat) - base in (3, 5)):
                flat.append(1)
            elif not pin or pin == "OE":
                flat.append(0)
            else:  # an output that goes nowhere
                flat.append(nowhere)
        info.append([part.kind, base, part.address, part.data, part.separate, part.out_in_write, cells])
        if part.kind in (RAM, ROM):
            cells += 1 << part.address
    extra = len(faults) + 1
    total = spare + extra
    pins = np.array([flat, flat], np.int64)
    supply = np.full((2, total), -1, np.int64)
    supply[:, 0], supply[:, 1] = 0, 1
    floats = np.full((2, total), -1, np.int64)
    for label, n in names.items():
        floats[:, n] = card.floats.get(label, 1 if _tied_high(card, label) else -1)
    pulls = np.zeros((2, total), np.int64)
    for label in card.pulls:
        if label in names:
            pulls[:, names[label]] = 1
    weak = np.zeros((2, len(flat)), np.int64)
    slow = np.zeros((2, len(info)), np.int64)
    groups = {
        "a_nets": [f"A{i}" for i in range(16)],
        "d_nets": [f"D{i}" for i in range(8)],
        "ctl_nets": list(CONTROLS[card.cpu]),
        "watch": [*(r.select for r in card.rows), "CARD", *(f"MD{i}" for i in range(8))],
    }
    lists = {k: np.array([[names.get(x, 1) for x in v]] * 2, np.int64) for k, v in groups.items()}
    moved: list[tuple[int, int]] = []
    bad: list[list[int]] = []
    free = spare
    for fault in faults:
        if fault.kind == "cell":
            bad.append([card.chip(fault.chip), *fault.cell])
            continue
        if fault.chip == "edge":
            net = names[fault.pin]
            if fault.kind == "open":
                pins[1][pins[1] == net] = free
                bipolar = _tied_high(card, fault.pin)
                floats[1, free] = 1 if bipolar else {"low": 0, "high": 1, "keep": -1, "drift": -2}.get(fault.mode, 1)
                moved.append((net, free))
                free += 1
            else:
                _join(pins, lists, supply, floats, pulls, net, names[fault.other])
            continue
        chip = card.chips[card.chip(fault.chip)]
        at = where.get((fault.chip, fault.pin))
        net = names[chip.at[fault.pin]] if at is None else int(pins[1, at])
        if fault.kind == "weak" and at is not None:
            weak[1, at] = 1
        elif fault.kind in ("gnd", "vcc"):
            supply[1, net] = 0 if fault.kind == "gnd" else 1
        elif fault.kind == "bridge":
            _join(pins, lists, supply, floats, pulls, net, int(pins[1, where[(fault.chip, fault.other)]])
                  if (fault.chip, fault.other) in where else names[chip.at[fault.other]])  # fmt: skip
        elif fault.kind == "open" and at is not None:
            pins[1, at] = free
            near = _follow(chip.part.pins, fault.pin, where, fault.chip, pins)
            mode = {"low": 0, "high": 1, "keep": -1, "drift": -2, "follow": near}[fault.mode]
            if fault.pin in ("VCC", "GND"):
                floats[1, free] = 0 if fault.pin == "VCC" else 1
            elif is_output(chip.part, fault.pin):
                if not chip.at[fault.pin].startswith(("D", "MD", "MO")) and not _tied_high(card, chip.at[fault.pin]):
                    floats[1, net] = mode
            else:
                floats[1, free] = mode if chip.part.mos else 1
                if is_both(chip.part, fault.pin) and not chip.part.mos:
                    floats[1, free] = 1
            moved.append((net, free))
            free += 1
    arrays: dict[str, Any] = {
        "info": np.array(info, np.int64), "pins": pins, "weak": weak, "supply": supply, "floats": floats,
        "pulls": pulls, "slow": slow, "bad": np.array(bad, np.int64).reshape(-1, 6),
        "moved": np.array(moved, np.int64).reshape(-1, 2), **lists,
    }  # fmt: skip
    arrays["cells"] = _contents(card, info, cells, fill)
    return Nets(names, arrays)


def _follow(order: tuple[str, ...], pin: str, where: dict[tuple[str, str], int], chip: str, pins: Ints) -> int:
    i = order.index(pin)
    for k in (i + 1, i - 1):
        at = where.get((chip, order[k])) if 0 <= k < len(order) else None
        if at is not None and pins[1, at] > 1:
            return 2 + int(pins[1, at])
    return 1


def _join(pins: Ints, lists: dict[str, Ints], supply: Ints, floats: Ints, pulls: Ints, keep: int, gone: int) -> None:
    if gone < keep:
        keep, gone = gone, keep
    pins[1][pins[1] == gone] = keep
    for table in lists.values():
        table[1][table[1] == gone] = keep
    supply[1, keep] = max(supply[1, keep], supply[1, gone])
    pulls[1, keep] |= pulls[1, gone]
    if floats[1, gone] >= 0:
        floats[1, keep] = floats[1, gone]


def _contents(card: Card, info: list[list[int]], cells: int, fill: int) -> Ints:
    rng = np.random.default_rng(fill)
    store = rng.integers(0, 256, max(cells, 1)).astype(np.int64)
    for row in card.rows:
        for name, part, lanes in row.chips:
            k = card.chip(name)
            first = info[k][6]
            if row.rom:
                store[first : first + row.size] = np.frombuffer(row.image, np.uint8)
            else:
                store[first : first + row.size] &= (1 << PARTS[part].data) - 1
            assert lanes
    return store
