"""The scenarios: whose machine it is, what is wrong with it, and what was recorded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from busledger.captures_demo.world.analyser import Analyser
from busledger.captures_demo.world.faults import Fault, When
from busledger.captures_demo.world.machine import Card, Chip, Machine, Region
from busledger.captures_demo.world.marches import march
from busledger.captures_demo.world.stimulus import Accesses, Stimulus, address_in_data, program, random_reads, weave

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


def _planetarium() -> Scenario:
    card = Card(
        "",
        buffer="U4",
        buffer_part="74LS245",
        decoder="U5",
        decoder_inputs=(("A", "A10"), ("B", "A11"), ("C", "A12"), ("G2A", "A14"), ("G2B", "A15")),
        decoder_outputs=(("Y0", "CS0"), ("Y1", "CS1"), ("Y2", "CS2")),
        follows=False,
    )
    banks = tuple(
        Region(
            name,
            0x400 * n,
            0x400 * n + 0x3FF,
            (Chip(f"U{2 * n + 10}", "2114", (0, 1, 2, 3)), Chip(f"U{2 * n + 11}", "2114", (4, 5, 6, 7))),
            card=1,
            select=f"CS{n}",
        )
        for n, name in enumerate(("stars", "planets", "lamps"))
    )
    machine = Machine(
        "Planetarium drive memory card",
        "6800",
        (Card(), card),
        (Region("monitor", 0xF800, 0xFFFF, (), kind="rom", image=_image(13, 0x800)), *banks),
        description="three rows of 1K x 4 static RAM behind a bus driver",
    )

    def stimulus(machine: Machine, rng: np.random.Generator) -> Stimulus:
        cells = np.arange(0x0000, 0x0C00)
        accesses = Accesses.join(
            [
                address_in_data(cells[::2], salt=7),
                program(cells[:0x60], 0x01FF, cells[0x400:0x900], 1500, rng),
                march("March C-", cells[0x800:0x830], 0x55),
                random_reads(cells[::2], 500, rng),
            ]
        )
        return weave(accesses, (0xF800, 0xFFFF), rng, fetches=3, idle_share=0.15)

    return Scenario("planetarium", machine, (), stimulus, _PLANETARIUM_STORY, seed=1923, style="star")


def _weighbridge() -> Scenario:
    card = Card(
        "",
        buffer="U20",
        address_buffer="U21",
        address_lines=tuple(range(8)),
        decoder="U22",
        decoder_inputs=(("A", "A10"), ("B", "A11"), ("C", "A12"), ("G1", "A13"), ("G2A", "A14"), ("G2B", "A15")),
        decoder_outputs=(("Y0", "CS0"), ("Y1", "CS1")),
    )
    banks = tuple(
        Region(
            f"bank{n}",
            0x2000 + 0x400 * n,
            0x23FF + 0x400 * n,
            tuple(Chip(f"U{8 * n + lane + 1}", "2102", (lane,)) for lane in range(8)),
            card=1,
            select=f"CS{n}",
        )
        for n in range(2)
    )
    machine = Machine(
        "Weighbridge totals card",
        "6809",
        (Card(), card),
        (Region("monitor", 0xF800, 0xFFFF, (), kind="rom", image=_image(14, 0x800)), *banks),
        description="two rows of eight 1K x 1 static RAMs, buffered data and address",
    )

    def stimulus(machine: Machine, rng: np.random.Generator) -> Stimulus:
        cells = np.arange(0x2000, 0x2800)
        accesses = Accesses.join(
            [
                address_in_data(cells, salt=2),
                program(cells[:0x80], 0x20FF, cells[0x300:0x600], 1200, rng),
                march("March X", cells[0x400:0x460], 0x00),
                random_reads(cells, 700, rng),
            ]
        )
        return weave(accesses, (0xF800, 0xFFFF), rng, fetches=3, idle_share=0.1)

    faults = (
        Fault("stuck-low", "chip", chip="U14", lanes=(5,), acts="reads"),
        Fault("address-stuck", "board", card=1, address_lines=(6,), level=1),
    )
    return Scenario(
        "weighbridge",
        machine,
        faults,
        stimulus,
        _WEIGHBRIDGE_STORY,
        seed=1868,
        style="suffix",
        components=("U14", "U21"),
    )


def _winch() -> Scenario:
    card = Card(
        "",
        decoder="U6",
        decoder_inputs=(("A", "A11"), ("B", "A12"), ("C", "A13"), ("G1", "A15"), ("G2A", "A14")),
        decoder_outputs=(("Y0", "CS0"), ("Y1", "CS1")),
    )
    banks = (
        Region("journal", 0x8000, 0x87FF, (Chip("U7", "6116", tuple(range(8))),), card=1, select="CS0"),
        Region("limits", 0x8800, 0x8FFF, (Chip("U8", "6116", tuple(range(8))),), card=1, select="CS1"),
    )
    machine = Machine(
        "Cable-car winch recorder",
        "8085",
        (Card(), card),
        (Region("monitor", 0x0000, 0x07FF, (), kind="rom", image=_image(15, 0x800)), *banks),
        clock_hz=2e6,
        description="two 2K x 8 static RAMs on the processor's own bus",
    )

    def stimulus(machine: Machine, rng: np.random.Generator) -> Stimulus:
        journal, limits = np.arange(0x8000, 0x8800), np.arange(0x8800, 0x9000)
        accesses = Accesses.join(
            [
                address_in_data(np.concatenate([journal[::2], limits[::4]]), salt=6),
                program(journal[:0x40], 0x81FF, limits[0x100:0x500], 1800, rng),
                address_in_data(np.concatenate([journal[::4], limits[::4]]), salt=1),
                random_reads(np.concatenate([journal[::4], limits[::4]]), 1500, rng),
            ]
        )
        return weave(accesses, (0x0000, 0x07FF), rng, fetches=2)

    warm = When("warming", rate=0.25, warm_from=0.35)
    return Scenario(
        "winch",
        machine,
        (Fault("stuck-high", "chip", chip="U8", lanes=(1,), when=warm),),
        stimulus,
        _WINCH_STORY,
        seed=1908,
        style="sharp",
        components=("U8",),
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

_PLANETARIUM_STORY = """\
# Planetarium drive: is this card any good?

The drive of a small planetarium was given away with the note "memory card doubtful". A 6800 moves the star ball and
dims the lamps; the card holds three rows of 2114 chips behind a 74LS245.

Nothing is wrong with it. The capture shows what a clean result looks like, what it has exercised, and what it cannot
speak about.

Try: `busledger check capture.vcd.xz --board board.toml`
"""

_WEIGHBRIDGE_STORY = """\
# Weighbridge: two faults at once

A weighbridge adds up lorry loads on a 6809. Totals come out too small and, worse, two customers share an account. The
card has sixteen 2102 chips, one a data lane in each of two rows, with the data bus behind a 74LS245 and the address
bus behind a 74LS244.

One chip would explain the small totals, but not the shared accounts: there are two faults, and either hides part of
the other.

Try: `busledger check capture.vcd.xz --board board.toml`
"""

_WINCH_STORY = """\
# Cable-car winch: it fails when it is warm

A recorder in the engine house of a cable car keeps the loads of each run. In the morning all is well; by noon the
limits it reads back are two too high here and there. It is an 8085 with two 6116 RAMs on its own multiplexed bus, and
no driver between.

The capture was started on a cold machine and ran until the fault had become frequent.

Try: `busledger check capture.vcd.xz --board board.toml`
"""

SCENARIOS: tuple[Scenario, ...] = (_tide_gauge(), _loom(), _planetarium(), _weighbridge(), _winch())
