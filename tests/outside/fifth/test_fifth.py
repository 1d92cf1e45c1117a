"""The world itself, held against published facts: timing, memory that keeps what it is told, seeds that repeat."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from tests.outside.fifth import breaks, buses, cases, doings, programs, truth
from tests.outside.fifth.cards import LAYOUTS, Layout, layout
from tests.outside.fifth.engine import Engine, Trace
from tests.outside.fifth.machine import Machine, bend, bridged
from tests.outside.fifth.model import Cycle, Fault
from tests.outside.fifth.wires import Wires


def painted(bus: str, clock: float, *cycles: Cycle) -> dict[str, list[tuple[float, int]]]:
    """Edges of each line for a few cycles from time 0, of a machine without pull-ups."""
    place = layout(random.Random(1), bus)
    place.card.pulled_up = False
    how = buses.Timing(bus, clock, 250.0)
    wires = Wires(random.Random(2), spread=0.0)
    painter = buses.Painter(place.card, how, wires, random.Random(3))
    now = 0.0
    for cycle in cycles:
        painter.paint(cycle, now)
        now += how.length(cycle.kind, cycle.waits)
    return {line: [edge for edge in edges if edge[0] > -100] for line, edges in wires.edges.items()}


def test_a_z80_fetch_reads_by_the_third_clock_and_then_refreshes() -> None:
    """RD falls half a clock after the address and rises with T3; MREQ comes again for the refresh, without RD."""
    edges = painted("z80", 400.0, Cycle("fetch", 0x0123, 0x5A, eventual=0x5A))
    (fall, low), (rise, high) = edges["RD"]
    assert (low, high) == (0, 1)
    assert 200 <= fall <= 200 + 130  # tDL(RD) of the 2.5 MHz part
    assert 800 <= rise <= 800 + 100  # tDH(RD) after the rise of T3
    assert [level for _, level in edges["MREQ"]] == [0, 1, 0, 1]
    data = max(when for line, moves in edges.items() if line[0] == "D" for when, _ in moves if when < rise)
    assert rise - data >= 50  # tS(D)


def test_a_z80_write_has_its_data_before_wr() -> None:
    """Data stand 190 ns before WR falls (tdcm at 400 ns) and WR lasts a clock less 40 ns at least."""
    edges = painted("z80", 400.0, Cycle("write", 0x4001, 0x81))
    (fall, _), (rise, _) = edges["WR"]
    data = max(when for line, moves in edges.items() if line[0] == "D" for when, _ in moves)
    assert fall - data >= 190
    assert rise - fall >= 400 - 40


@pytest.mark.parametrize("bus", ["6502", "6800"])
def test_a_clocked_read_is_set_up_before_the_second_phase_falls(bus: str) -> None:
    """Address within TADS of 300 ns, data 100 ns before the fall of phase two, held 10 ns after it."""
    edges = painted(bus, 1000.0, Cycle("read", 0x0155, 0x3C, eventual=0x3C), Cycle("read", 0x0156, 0xC3, eventual=0xC3))
    falls = [when for when, level in edges["PHI2"] if level == 0]
    assert falls[1] - falls[0] == pytest.approx(1000, abs=5)
    assert all(when <= 300 for line in ("A0", "A2", "A4") for when, _ in edges[line][:1])
    moves = [when for line in "01234567" for when, _ in edges[f"D{line}"]]
    assert not [when for when in moves if falls[0] - 100 < when < falls[0] + 10]


def test_an_8085_write_is_late_after_wr_and_held_after_it() -> None:
    """Data within 40 ns of the fall of WR (tWDL), 420 before its rise (tDW), held 100 (tWD); address held after ALE."""
    edges = painted("8085", 320.0, Cycle("write", 0x2055, 0xAA), Cycle("fetch", 0x0100, 0x00, eventual=0x00))
    (fall, _), (rise, _) = edges["WR"]
    latch = edges["ALE"][1][0]
    moves = sorted(when for line in "01234567" for when, _ in edges[f"D{line}"])
    assert not [when for when in moves if latch - 90 < when < latch + 100]
    written = [when for when in moves if latch < when < rise]
    assert max(written) - fall <= 40
    assert rise - max(written) >= 400
    assert min(when for when in moves if when > rise) - rise >= 100


def sound_run(place: Layout, seed: int) -> Trace:
    """A sitting on a sound machine."""
    return cases.run(place, [], buses.timing(place.card.bus, random.Random(seed)), 2500, seed)[0]


@pytest.mark.parametrize("bus", sorted(LAYOUTS))
def test_a_sound_machine_reads_what_was_written(bus: str) -> None:
    """Every read that can be compared gives what it should."""
    for seed in range(2):
        place = layout(random.Random(seed), bus)
        run = truth.accesses(sound_run(place, seed))
        want = truth.expected(place.card, run)
        assert len(want) > 50
        assert all(run[at][2] == value for at, value in want.items())


def test_a_seed_gives_the_same_bytes_again(tmp_path: Path) -> None:
    """Whole folders, byte for byte."""
    for name in ("one", "two"):
        cases.draw_case("healthy", 5, 7, tmp_path / name)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


def test_march_c_minus_takes_ten_operations_a_cell() -> None:
    """The published length."""
    cpu = programs.Cpu(programs.Code(0, 100), random.Random(0), 0x1FF)
    cells = list(range(0x4000, 0x4010))
    count, program = 0, programs.march(cpu, cells)
    value = 0
    held: dict[int, int] = {}
    op = next(program)
    try:
        while True:
            if op[0] in "RW" and op[1] >= 0x4000:
                count += 1
                if op[0] == "W":
                    held[op[1]] = op[2]  # type: ignore[misc]
                value = held.get(op[1], 0)
            op = program.send(value)
    except StopIteration:
        pass
    assert count == 10 * len(cells)


def test_broken_lines_bend_addresses_and_shorted_lanes_read_low() -> None:
    """A stuck line makes pairs of addresses one; of two shorted lines low wins."""
    stuck = Fault("U1", "address-stuck", "chip", "addr-stuck", ("r",), lines=(3,), level=1)
    assert bend(stuck, 0x00) == bend(stuck, 0x08) == 0x08
    short = Fault("U1", "address-bridged", "chip", "addr-bridge", ("r",), lines=(0, 1))
    assert [bend(short, i) for i in range(4)] == [0, 0, 0, 3]
    lanes = Fault("U1", "bridged", "chip", "bridge", ("r",), (4, 5))
    assert bridged(lanes, 0x20) == 0x00 and bridged(lanes, 0x30) == 0x30 and bridged(lanes, 0x81) == 0x81


@pytest.mark.parametrize("mode", ["out-stuck", "dead", "write-lost", "addr-stuck", "row"])
def test_a_fault_shows_in_its_own_lanes_only(mode: str) -> None:
    """Wrong reads differ only where the chip is."""
    draw = random.Random(9)
    place = layout(draw, "z80")
    region = place.card.rams()[0]
    fault = breaks.of_chip(draw, region, region.chips[0], [mode], 1.0)
    machine = Machine(place.card, [fault], 4)
    engine = Engine(machine, buses.timing("z80", draw))
    cpu = doings.processor(place, draw)
    engine.run(programs.fill_and_check(cpu, range(region.start, region.start + 200), programs.scattered, 2), 9000)
    run = truth.accesses(engine.trace)
    wrong = [run[at][2] ^ value for at, value in truth.expected(place.card, run).items()]
    assert not np.bitwise_or.reduce(np.array(wrong)) & ~region.chips[0].mask
