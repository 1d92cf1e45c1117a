"""How much of a wiring is found from behaviour alone, on virtual cards with shuffled, unnamed channels.

    python -m tests.benchmarks.wiring_share [CARDS]

A card's traffic is drawn, not computed by a program: operands do not turn up as addresses, so the order of data
bits is not to be had. Random 6502 programs (``tests.wiring.programs``) show what ordinary traffic gives.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

from captures_demo.world.bench import capture
from captures_demo.world.cases import draw_case
from decoder.bus import line_needs, load_profile, wanted_lines
from decoder.capture import Capture, open_capture, sample_grid
from decoder.wiring import bind, propose
from tests.wiring.programs import wave_6502

SURE = 0.9


def judge(signals, levels, order, profile, grid):
    """Counter of lines right, lines, sure guesses, sure and wrong."""
    truth = {line: order.index(index) for line, index in bind(signals, line_needs(profile)).lines.items()}
    moved = (levels.levels[1:] ^ levels.levels[:-1]) if len(levels) else levels.levels
    still = {line for line, k in truth.items() if not (moved[:, k // 64] >> (k % 64) & 1).any()}
    guesses = propose(levels, len(order), wanted_lines(profile), grid).guesses
    right = {g.line for g in guesses if truth.get(g.line) == g.channel}
    sure = [g for g in guesses if g.confidence >= SURE]
    return Counter(
        lines=len(truth) - len(still),
        right=len(right - still),
        address=sum(1 for n in truth if n.startswith("A") and n not in still),
        address_right=sum(1 for n in right if n.startswith("A") and n not in still),
        data=sum(1 for n in truth if n.startswith("D")),
        data_right=sum(1 for n in right if n.startswith("D")),
        sure=len(sure),
        sure_wrong=sum(1 for g in sure if truth.get(g.line) != g.channel),
    )


def card(seed):
    """One virtual card: (bus, counts), None where the bus cannot be proposed for."""
    case = draw_case(seed, "healthy", cycles=20_000)
    profile = load_profile(case.machine.bus)
    if wanted_lines(profile) is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "card.vcd"
        capture(case.run, path, seed=seed, rate_hz=24e6)
        with open_capture(path) as file:
            order = list(range(len(file.header.signals)))
            random.Random(seed).shuffle(order)
            levels = file.read(order)
            return case.machine.bus, judge(file.header.signals, levels, order, profile, sample_grid(levels.time))


def program(seed):
    """One random 6502 program on an emulator."""
    from decoder.capture import Signal

    wave, profile = wave_6502(seed, 20_000), load_profile("6502")
    names = wave.lines
    random.Random(seed).shuffle(names)
    levels = Capture(*wave.columns(names, 1000 / 24, seed), 1_000_000)
    order = list(range(len(names)))
    return "program", judge([Signal(n) for n in names], levels, order, profile, 1000 / 24)


def main(cards):
    total: dict[str, Counter] = {}
    for seed in range(1, cards + 1):
        for made in (card(seed), program(seed) if seed <= 20 else None):
            if made is not None:
                total.setdefault(made[0], Counter()).update(made[1])
    for bus, n in sorted(total.items()):
        print(
            f"{bus:8} lines {n['right']}/{n['lines']} = {n['right'] / n['lines']:.1%}  address "
            f"{n['address_right']}/{n['address']}  data {n['data_right']}/{n['data']}  sure {n['sure']}, "
            f"of them wrong {n['sure_wrong']}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
