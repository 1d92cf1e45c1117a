"""Healthy but unusual cases: which there are, and how one is written."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.outside.fifth import case, doings, odd_captures, odd_memory, truth
from tests.outside.fifth.engine import Engine
from tests.outside.fifth.machine import Machine
from tests.outside.fifth.scenario import Scenario

SCENARIOS: Sequence[Callable[[random.Random], Scenario]] = (
    odd_memory.device, odd_captures.clip_off, odd_memory.mailbox, odd_captures.too_slow, odd_memory.protected,
    odd_captures.exchanged, odd_memory.paged, odd_captures.loose, odd_memory.other_image, odd_captures.bounce,
    odd_memory.under_rom, odd_captures.direct_access, odd_memory.mirrored, odd_captures.clip_fell, odd_memory.dip,
    odd_captures.waits, odd_memory.sector_buffer, odd_captures.empty_sockets, odd_memory.eeprom,
    odd_captures.interrupted, odd_memory.switch_thrown, odd_captures.narrow, odd_memory.phantom, odd_captures.ringing,
    odd_memory.screen, odd_captures.noisy_bus, odd_memory.refreshing, odd_captures.random_power_up, odd_captures.in_ram,
    odd_captures.dropouts, odd_captures.few_lines,
)


def write(seed: int, number: int, folder: Path) -> None:
    """One case: the scenarios come in turn."""
    made_by = SCENARIOS[(number + (seed - 1) * 24) % len(SCENARIOS)]
    for attempt in range(12):
        draw = random.Random(f"unusual/{seed}/{number}/{attempt}")
        made = made_by(draw)
        powered = draw.getrandbits(32)
        machine = Machine(made.place.card, (), powered, list(made.overlays), made.budget + 8)
        cpu = doings.processor(made.place, draw)
        interrupts = made.interrupts(cpu) if made.interrupts else None
        engine = Engine(machine, made.timing, interrupts, made.waits)
        for program in made.sitting(cpu):
            engine.run(program, made.budget)
            if len(engine.trace.cycles) >= made.budget:
                break
        trace = engine.trace
        run = truth.accesses(trace)
        want = truth.expected(made.place.card, run)
        wrong = sum(1 for place, value in want.items() if run[place][2] != value)
        if wrong or not made.overlays or made.tweak is odd_memory.no_board:
            break
    setup = case.setup(draw, made.place, made.timing)
    if made.tweak is not None:
        made.tweak(setup, trace)
    case.write(folder, made.place, made.timing, trace, setup, draw,
               {"kind": "unusual", "what": f"{made_by.__name__}: {made.what}", "faults": [], "hidden": [],
                "mismatches": wrong, "rival": made.rival, "tolerated": made.tolerated, "healthy": True})
