"""The kinds of case, drawn from a seed."""

from __future__ import annotations

import random
from pathlib import Path

from tests.outside.fifth import breaks, buses, case, doings, truth
from tests.outside.fifth.cards import Layout, layout
from tests.outside.fifth.engine import Engine, Trace
from tests.outside.fifth.machine import Machine
from tests.outside.fifth.model import Fault

KINDS = ("healthy", "unusual", "single-hard", "single-intermittent", "double", "many")


def run(place: Layout, faults: list[Fault], timing: buses.Timing, budget: int, seed: int) -> tuple[Trace, int]:
    """A sitting on a card: the trace, and the seed of what its memory powered up with."""
    draw = random.Random(seed)
    machine = Machine(place.card, faults, seed, length=budget + 8)
    engine = Engine(machine, timing)
    cpu = doings.processor(place, draw)
    names = {name for fault in faults for name in fault.regions}
    focus = [one for one in place.card.rams() if one.name in names]
    for program in doings.usual(place, cpu, budget, focus if len(focus) < 3 else focus[:2]):
        engine.run(program, budget)
        if len(engine.trace.cycles) >= budget:
            break
    return engine.trace, seed


def draw_case(kind: str, seed: int, number: int, folder: Path) -> None:
    """Writes one case of a kind."""
    if kind == "unusual":
        from tests.outside.fifth import unusual

        unusual.write(seed, number, folder)
        return
    draw = random.Random(f"{kind}/{seed}/{number}")
    for _ in range(60):
        place = layout(draw)
        timing = buses.timing(place.card.bus, draw)
        budget = draw.choice([4000, 8000, 12000, 20000, 30000] if kind != "many" else [16000, 24000, 30000])
        if kind == "healthy":
            faults: list[Fault] = []
        elif kind.startswith("single"):
            faults = [breaks.one(draw, place.card, kind == "single-intermittent")]
        else:
            parts = sum(len(one.chips) for one in place.card.rams())
            if kind == "many" and parts < 8:
                continue
            faults = breaks.several(draw, place.card, 2 if kind == "double" else draw.randint(3, min(9, parts // 2)))
        trace, powered = run(place, faults, timing, budget, draw.getrandbits(32))
        gaps = []
        if draw.random() < 0.2:
            begin = trace.end * draw.uniform(0.2, 0.8)
            gaps = [(begin, begin + timing.clock_ns * draw.uniform(200, 1500))]
        shown, hidden, wrong = truth.judge_faults(place.card, faults, trace, powered, gaps)
        good = sum(1 for one in shown if int(str(one["shows"])) >= (10 if kind == "single-intermittent" else 4))
        if any(one["shows"] and not one["shows_alone"] for one in shown):
            continue  # seen only through another fault: nobody could tell it from others
        need = {"healthy": 0, "double": 2, "many": 3}.get(kind, 1)
        if good >= need:
            break
    setup = case.setup(draw, place, timing)
    if draw.random() < 0.3:
        setup.missing = case.spare_lines(draw, trace, place, draw.randint(1, 3))
    setup.how.gaps = gaps
    setup.how.dump_off = draw.random() < 0.5
    what = "a sound machine" if not faults else "; ".join(f"{f.component or f.regions} {f.mode}" for f in faults)
    case.write(folder, place, timing, trace, setup, draw,
               {"kind": kind, "what": what, "faults": shown, "hidden": hidden, "mismatches": wrong, "rival": [],
                "healthy": not faults})
