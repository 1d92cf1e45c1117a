"""Machines with a decoder or a bus driver that misbehaves, for the checks of selects and buffers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from busledger.captures_demo.world.bench import capture, standard_clips
from busledger.captures_demo.world.board_file import board_toml
from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Card, Machine
from busledger.captures_demo.world.pins import Trouble
from busledger.captures_demo.world.play import Run, play
from busledger.captures_demo.world.random_card import random_machine
from busledger.captures_demo.world.traffic_mix import random_stimulus

__all__ = ["BUFFER_CASES", "SELECT_CASES", "DriverCase", "draw_driver_case", "write_driver_case"]

SELECT_CASES = ("healthy", "output-missing", "output-extra", "output-swapped", "input-open", "glitching")
BUFFER_CASES = (
    "healthy",
    "never-to-cpu",
    "never-to-card",
    "direction-line-stuck",
    "lane-open",
    "lane-stuck",
    "enable-stuck",
    "turn-round-overlap",
)


@dataclass(frozen=True, slots=True)
class DriverCase:
    """``component``: the decoder or buffer at fault (empty if healthy); ``where``: region, lane, pin or card meant."""

    name: str
    machine: Machine
    run: Run
    troubles: tuple[Trouble, ...]
    component: str
    where: str


def _with_cards(machine: Machine, **changes: object) -> Machine:
    cards = tuple(replace(card, **changes) if card.decoder else card for card in machine.cards)  # type: ignore[arg-type]
    return replace(machine, cards=cards)


def draw_driver_case(name: str, seed: int, *, cycles: int = 12_000) -> DriverCase:
    """One case of ``SELECT_CASES`` or ``BUFFER_CASES``; the same name and seed give the same case."""
    order = (*SELECT_CASES, *BUFFER_CASES).index(name)
    rng = np.random.default_rng(np.random.SeedSequence([seed, order]))
    machine = random_machine(rng, cards=1, part=str(rng.choice(["2114", "6116", "2147"])))
    while len(machine.regions) < 3:  # two RAM regions at least, that selects can be confused
        machine = random_machine(rng, cards=1, part=str(rng.choice(["2114", "6116", "2147"])))
    # A stuck direction line needs a buffer that has one; a stuck enable one that is switched off and on.
    follows = name == "direction-line-stuck" or (name != "enable-stuck" and bool(rng.random() < 0.6))
    machine = replace(machine, clock_hz=2e6 if BUS_KINDS[machine.bus].opcode_clocks else 1e6)
    machine = _with_cards(machine, buffer=machine.cards[1].buffer or "U90", follows=follows)
    stimulus = random_stimulus(machine, rng, cycles=cycles)
    faults, troubles, where = _broken(name, machine, rng)
    run = play(machine, faults, stimulus, seed)
    return DriverCase(name, machine, run, troubles, _component(name, machine.cards[1]), where)


def _component(name: str, card: Card) -> str:
    if name == "healthy":
        return ""
    return card.decoder if name in SELECT_CASES else card.buffer


def _broken(
    name: str, machine: Machine, rng: np.random.Generator
) -> tuple[tuple[Fault, ...], tuple[Trouble, ...], str]:
    """(faults, troubles, where) of a case."""
    ram = [region.name for region in machine.regions if region.kind == "ram"]
    one, other = (str(picked) for picked in rng.choice(ram, 2, replace=False))
    lane, level = int(rng.integers(8)), int(rng.integers(2))
    card = 1
    if name == "output-missing":
        return (Fault("select-missing", "decoder", region=one, card=card),), (), one
    if name == "output-extra":
        return (Fault("select-extra", "decoder", region=one, other_region=other, card=card),), (), f"{one} {other}"
    if name == "output-swapped":
        return (Fault("select-swapped", "decoder", region=one, other_region=other, card=card),), (), f"{one} {other}"
    if name == "input-open":
        line = (machine.regions[-1].size).bit_length() - 1
        return (Fault("input-open", "decoder", card=card, address_lines=(line,)),), (), f"A{line}"
    if name == "glitching":
        return (), (Trouble("glitching", region=one, share=0.03),), one
    if name in ("never-to-cpu", "never-to-card"):
        return (Fault("direction-stuck", "buffer", card=card, level=int(name == "never-to-card")),), (), ""
    if name == "direction-line-stuck":
        # The line that turns the driver stays at its resting level: reads never reach the CPU.
        fault = Fault("direction-stuck", "buffer", card=card, level=0)
        return (fault,), (Trouble("line-stuck", card=card, level=1),), ""
    if name == "lane-open":
        return (Fault("floating", "buffer", card=card, lanes=(lane,)),), (), f"D{lane}"
    if name == "lane-stuck":
        kind = "stuck-high" if level else "stuck-low"
        return (Fault(kind, "buffer", card=card, lanes=(lane,)),), (), f"D{lane}"
    if name == "enable-stuck":
        fault = Fault("enable-stuck", "decoder", card=card, region=one)
        return (fault,), (Trouble("line-stuck", card=card, level=0),), ""
    if name == "turn-round-overlap":
        return (), (Trouble("overlap", card=card, width_ns=130),), ""
    return (), (), ""


def write_driver_case(case: DriverCase, folder: Path, *, seed: int = 1, rate_hz: float = 50e6) -> tuple[Path, Path]:
    """(capture, board file) in ``folder``: selects, buffer controls and the card-side data are clipped."""
    board = folder / "board.toml"
    bare = replace(case.machine, regions=tuple(replace(r, image=None) for r in case.machine.regions))
    board.write_text(board_toml(bare, far_side=True), encoding="utf-8")
    path = folder / "capture.vcd"
    clips = standard_clips(case.machine, far_side=True)
    capture(case.run, path, seed=seed, clips=clips, rate_hz=rate_hz, troubles=case.troubles)
    return path, board
