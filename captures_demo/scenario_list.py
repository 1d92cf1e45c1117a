"""The scenarios: whose machine it is, what is wrong with it, and what was recorded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from captures_demo.world.analyser import Analyser
from captures_demo.world.faults import Fault, When
from captures_demo.world.machine import Card, Chip, Machine, Region
from captures_demo.world.marches import march
from captures_demo.world.stimulus import Accesses, Stimulus, address_in_data, program, random_reads, weave

__all__ = ["SCENARIOS", "Scenario"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """All that ``make_all`` needs; ``component`` is the part that the fault sits in (empty if healthy)."""

    name: str
    machine: Machine
    faults: tuple[Fault, ...]
    stimulus: Callable[[Machine, np.random.Generator], Stimulus]
    story: str
    seed: int
    style: str = "slash"
    analyser: Analyser = field(default_factory=Analyser)
    far_side: bool = False
    components: tuple[str, ...] = ()


def _image(seed: int, size: int) -> bytes:
    return np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8).tobytes()


def _tide_gauge() -> Scenario:
    pairs = (("U3", "U4"), ("U5", "U6"))
    banks = tuple(
        Region(
            f"bank{n}",
            0x4000 + 0x400 * n,
            0x43FF + 0x400 * n,
            (Chip(low, "2114", (0, 1, 2, 3)), Chip(high, "2114", (4, 5, 6, 7))),
            card=1,
            select=f"CS{n}",
        )
        for n, (low, high) in enumerate(pairs)
    )
    card = Card(
        decoder="U9",
        decoder_inputs=(("A", "A10"), ("B", "A11"), ("C", "A12"), ("G1", "A14"), ("G2A", "A15"), ("G2B", "MREQ")),
        decoder_outputs=(("Y0", "CS0"), ("Y1", "CS1")),
    )
    machine = Machine(
        "Tide-gauge logger memory card",
        "z80",
        (Card(), card),
        (Region("monitor", 0x0000, 0x07FF, (), kind="rom", image=_image(11, 0x800)), *banks),
        clock_hz=2e6,
        description="two rows of 1K x 4 static RAM beside the CPU card",
    )

    def stimulus(machine: Machine, rng: np.random.Generator) -> Stimulus:
        return _logger_program(rng)

    return Scenario(
        "tide_gauge",
        machine,
        (Fault("stuck-low", "chip", chip="U6", lanes=(6,), when=When("intermittent", rate=0.02)),),
        stimulus,
        _TIDE_STORY,
        seed=1871,
        components=("U6",),
    )


def _logger_program(rng: np.random.Generator) -> Stimulus:
    low, high = np.arange(0x4000, 0x4400), np.arange(0x4400, 0x4800)
    both = np.concatenate([low, high])
    accesses = Accesses.join(
        [
            address_in_data(both, salt=3),
            march("March C-", high[:64], 0x0F),
            program(low[0x40:0x80], 0x43FF, high[0x100:0x300], 700, rng),
            random_reads(high, 700, rng),
        ]
    )
    return weave(accesses, (0x0000, 0x07FF), rng, fetches=2)


def _loom() -> Scenario:
    card = Card(
        buffer="U12",
        decoder="U11",
        decoder_inputs=(("A", "A11"), ("B", "A12"), ("C", "A13"), ("G2A", "A14"), ("G2B", "A15")),
        decoder_outputs=(("Y0", "CS0"), ("Y1", "CS1")),
    )
    banks = (
        Region("patterns", 0x0000, 0x07FF, (Chip("U7", "6116", tuple(range(8))),), card=1, select="CS0"),
        Region("picks", 0x0800, 0x0FFF, (Chip("U8", "6116", tuple(range(8))),), card=1, select="CS1"),
    )
    machine = Machine(
        "Loom controller pattern card",
        "6502",
        (Card(), card),
        (Region("monitor", 0xF800, 0xFFFF, (), kind="rom", image=_image(12, 0x800)), *banks),
        description="two 2K x 8 static RAMs behind one bus driver",
    )

    def stimulus(machine: Machine, rng: np.random.Generator) -> Stimulus:
        patterns, picks = np.arange(0x0000, 0x0800), np.arange(0x0800, 0x1000)
        accesses = Accesses.join(
            [
                program(patterns[:0x80], 0x01FF, patterns[0x200:0x600], 1200, rng),
                address_in_data(picks[:0x400], salt=5),
                march("March X", patterns[0x700:0x740], 0x33),
                random_reads(picks[:0x400], 600, rng),
                program(patterns[:0x40], 0x01FF, picks, 1500, rng),
            ]
        )
        return weave(accesses, (0xF800, 0xFFFF), rng, fetches=3)

    return Scenario(
        "loom",
        machine,
        (Fault("stuck-high", "buffer", card=1, lanes=(3,), acts="reads"),),
        stimulus,
        _LOOM_STORY,
        seed=1804,
        style="sharp",
        components=("U12",),
    )


_TIDE_STORY = """\
# Tide-gauge logger: one bad reading a night

A logger in a harbour hut writes the height of the water every ten minutes. About once a night a height comes out
64 units low. The memory card beside its Z80 holds two rows of 2114 chips; every chip passed a tester at home, because
the fault shows in one access out of fifty.

The analyser was clipped to the CPU's bus and to the two selects, and the logger was left running its own memory test
and its program.

Try: `busledger check capture.vcd.xz --board board.toml`
"""

_LOOM_STORY = """\
# Loom controller: every pattern has the same thread wrong

A 6502 drives the hooks of a jacquard loom from a pattern card with two 6116 RAMs behind a 74LS245. One hook never
drops, whatever the pattern. Both RAMs were exchanged, twice, without any change.

The analyser was clipped to the CPU side of the driver. The monitor ROM is on the CPU's own board.

Try: `busledger check capture.vcd.xz --board board.toml`
"""

SCENARIOS: tuple[Scenario, ...] = (_tide_gauge(), _loom())
