"""The programs run on processors that others wrote: what they write and read, where they end, what they keep."""

from __future__ import annotations

import pytest

from busledger.decoder.program import Wanted, make_program, memory_test, memory_tests, processors
from tests.program.exercises.faulty_memory import Memory, StuckLane
from tests.program.exercises.machines import CLOCKED, PRINTING, RUNNERS, failure, trace

RANGE = (0x4000, 0x40FF)
RANGES = {"whole page": (RANGE,), "odd range": ((0x40FA, 0x4113),), "two ranges": ((0x4005, 0x4009), (0x5010, 0x5017))}
CPUS = sorted(RUNNERS)
TESTS = [test.name for test in memory_tests().test]


def wanted(cpu: str, test: str, ranges=(RANGE,), **how) -> Wanted:
    processor = next(one for one in processors() if one.name == cpu)
    how = {"origin": 0x0200, "pause_s": 0.001, **how}
    return Wanted(processor, memory_test(test), ranges, **how)


def marched(text: str, ranges) -> list[tuple[str, int, int]]:
    """The accesses of a march, from its notation alone."""
    cells = [a for first, last in ranges for a in range(first, last + 1)]
    return [
        ("read" if op[0] == "r" else "write", cell, 0xFF if op[1] == "1" else 0)
        for element in text.split("; ")
        for cell in (cells[::-1] if element.startswith("dn") else cells)
        for op in element.partition("(")[2].rstrip(")").split(",")
    ]


@pytest.mark.parametrize("ranges", RANGES)
@pytest.mark.parametrize("cpu", CPUS)
@pytest.mark.parametrize("name", ["march-c", "march-y"])
def test_a_march_makes_the_accesses_of_its_notation(cpu, name, ranges):
    program = make_program(wanted(cpu, name, RANGES[ranges]))
    memory = Memory(watched=range(0x4000, 0x6000))
    ran = RUNNERS[cpu](program, memory)
    assert ran.pc == program.labels["DONE"]
    assert memory.log == marched(memory_test(name).elements, RANGES[ranges])


@pytest.mark.parametrize("ranges", [((0xFF00, 0xFFFF),), ((0xFFF3, 0xFFFF),), ((0x0000, 0x00FF),), ((0x0000, 0x0012),)])
@pytest.mark.parametrize("cpu", CLOCKED)
def test_both_ends_of_memory(cpu, ranges):
    """What follows the last address is the first, and a loop must not take it for more."""
    program = make_program(wanted(cpu, "march-c", ranges, origin=0x1000, scratch=0xE0))
    memory = Memory(watched=range(ranges[0][0], ranges[0][1] + 1))
    assert RUNNERS[cpu](program, memory).pc == program.labels["DONE"]
    assert memory.log == marched(memory_test("march-c").elements, ranges)


def data_of(name: str, address: int, turn: int) -> int:
    """What checkerboard and address write, from their descriptions."""
    value = (0xAA if address & 1 else 0x55) if name == "checkerboard" else ((address & 0xFF) + (address >> 8)) & 0xFF
    return value ^ (0xFF if turn else 0)


@pytest.mark.parametrize("ranges", RANGES)
@pytest.mark.parametrize("cpu", CPUS)
@pytest.mark.parametrize("name", ["checkerboard", "address"])
def test_data_that_depend_on_the_address(cpu, name, ranges):
    program = make_program(wanted(cpu, name, RANGES[ranges]))
    memory = Memory(watched=range(0x4000, 0x6000))
    assert RUNNERS[cpu](program, memory).pc == program.labels["DONE"]
    cells = [a for first, last in RANGES[ranges] for a in range(first, last + 1)]
    expected = [(k, a, data_of(name, a, turn)) for turn in (0, 1) for k in ("write", "read") for a in cells]
    assert memory.log == expected


@pytest.mark.parametrize("cpu", CPUS)
def test_walking_goes_through_every_lane_and_its_complement(cpu):
    program = make_program(wanted(cpu, "walking"))
    memory = Memory(watched=range(RANGE[0], RANGE[1] + 1))
    assert RUNNERS[cpu](program, memory).pc == program.labels["DONE"]
    values = [v for bit in range(8) for v in (1 << bit, 0xFF ^ 1 << bit)]
    cells = range(RANGE[0], RANGE[1] + 1)
    assert memory.log == [(kind, a, v) for v in values for kind in ("write", "read") for a in cells]


@pytest.mark.parametrize("cpu", CLOCKED)
def test_retention_waits_as_long_as_it_says(cpu):
    asked = wanted(cpu, "retention", ((0x4000, 0x4007),), pause_s=0.4)
    program = make_program(asked)
    times: list[tuple[str, float]] = []

    class Timed(Memory):
        def read(self, address: int) -> int:
            if address == 0x4000:
                times.append(("read", self.now()))
            return super().read(address)

        def write(self, address: int, value: int) -> None:
            if address == 0x4007:
                times.append(("write", self.now()))
            super().write(address, value)

    ran = RUNNERS[cpu](program, Timed(watched=range(0x4000, 0x4008)))
    assert ran.pc == program.labels["DONE"]
    (_, w0), (_, r0), (_, w1), (_, r1) = times
    for waited in (r0 - w0, r1 - w1):
        told = program.pauses * asked.processor.pause_clocks
        assert told >= 400_000
        assert told * 0.999 < waited < told * 1.001 + 500


@pytest.mark.parametrize("cpu", CLOCKED)
@pytest.mark.parametrize("name", TESTS)
def test_what_a_pass_takes_is_foretold_to_a_few_per_cent(cpu, name):
    last = 0x40FF if name == "walking" else 0x43FF
    program = make_program(wanted(cpu, name, ((0x4000, last),)))
    ran = RUNNERS[cpu](program, Memory())
    assert ran.pc == program.labels["DONE"]
    # The package counts eight clocks for MOV to and from memory; Intel's manual says seven.
    assert program.pass_s * 1e6 == pytest.approx(ran.clocks, rel=0.04 if cpu == "8080" else 0.03)


@pytest.mark.parametrize("cpu", ["8080", "z80"])
@pytest.mark.parametrize("name", ["march-c", "march-y", "address"])
def test_how_many_accesses_a_capture_holds_is_foretold_to_a_tenth(cpu, name):
    program = make_program(wanted(cpu, name))
    accesses = trace(cpu, program, Memory(program.data, program.origin), program.origin)
    told = program.clocks / program.wanted.processor.clocks_an_access
    assert told == pytest.approx(len(accesses), rel=0.1)


@pytest.mark.parametrize("ranges", RANGES)
@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("cpu", CPUS)
@pytest.mark.parametrize("name", TESTS)
def test_a_stuck_lane_stops_it_and_is_kept(cpu, name, level, ranges):
    program = make_program(wanted(cpu, name, RANGES[ranges]))
    at = RANGES[ranges][-1][1] - 2
    memory = StuckLane(range(at, at + 1), 3, level, watched=range(0x4000, 0x6000))
    ran = RUNNERS[cpu](program, memory)
    assert ran.pc == program.labels["HALTED"]
    address, wrote, read = failure(program, memory)
    assert (address, wrote ^ read) == (at, 8)
    assert read >> 3 & 1 == level
    assert memory.log[-1] == ("read", at, read)


@pytest.mark.parametrize("ranges", RANGES)
@pytest.mark.parametrize("cpu", PRINTING)
@pytest.mark.parametrize("name", TESTS)
def test_going_on_prints_every_failure_and_goes_the_whole_way(cpu, name, ranges):
    program = make_program(wanted(cpu, name, RANGES[ranges], on_failure="go-on", output=0xE803, passes=2))
    first, _last = RANGES[ranges][0]
    memory = StuckLane(range(first, first + 2), 0, 1, watched=range(0x4000, 0x6000))
    ran = RUNNERS[cpu](program, memory)
    assert ran.pc == program.labels["DONE"]
    wrong = [(a, w & 0xFE, v) for (k, a, v), w in zip(memory.log, written_before(memory.log), strict=True)
             if k == "read" and v != w]  # fmt: skip
    lines = ran.printed.replace(".", "").split()
    assert [(int(a, 16), int(w, 16), int(r, 16)) for a, w, r in zip(*[iter(lines)] * 3, strict=True)] == wrong
    assert ran.printed.count(".") == 2
    assert failure(program, memory) == wrong[-1]
    good = make_program(wanted(cpu, name, RANGES[ranges]))
    whole = Memory(watched=range(0x4000, 0x6000))
    RUNNERS[cpu](good, whole)
    assert [(k, a) for k, a, _ in memory.log] == [(k, a) for k, a, _ in whole.log] * 2


def written_before(log) -> list[int]:
    """For each access, what was last written to its address."""
    held: dict[int, int] = {}
    found = []
    for kind, address, value in log:
        if kind == "write":
            held[address] = value
        found.append(held.get(address, 0))
    return found


@pytest.mark.parametrize("cpu", CPUS)
def test_looping_writes_and_reads_the_failing_address_for_ever(cpu):
    program = make_program(wanted(cpu, "march-c", on_failure="loop"))
    memory = StuckLane(range(0x4010, 0x4011), 7, 0, watched=range(0x4000, 0x4100))
    RUNNERS[cpu](program, memory, most=60_000)
    assert memory.log[-2:] in ([("write", 0x4010, 0xFF), ("read", 0x4010, 0x7F)],
                               [("read", 0x4010, 0x7F), ("write", 0x4010, 0xFF)])  # fmt: skip


@pytest.mark.parametrize("cpu", CPUS)
def test_for_ever_begins_again(cpu):
    program = make_program(wanted(cpu, "march-c", ((0x4000, 0x4003),), passes=None))
    memory = Memory(watched=range(0x4000, 0x4004))
    RUNNERS[cpu](program, memory, most=30_000)
    once = marched(memory_test("march-c").elements, ((0x4000, 0x4003),))
    assert memory.log[: 3 * len(once)] == once * 3


@pytest.mark.parametrize("cpu", CPUS)
def test_it_goes_back_to_the_monitor(cpu):
    program = make_program(wanted(cpu, "march-c", ((0x4000, 0x4003),), back=0xF000))
    assert RUNNERS[cpu](program, Memory(watched=range(0x4000, 0x4004))).pc == 0xF000


@pytest.mark.parametrize("cpu", CPUS)
def test_one_march_over_one_range_is_small_enough_to_type(cpu):
    # A 68000's addresses are written out in four bytes, and an 1802 loads its registers half by half.
    most = {"68000": 140, "1802": 150}.get(cpu, 128)
    assert len(make_program(wanted(cpu, "march-c", ((0x4000, 0x43FF),))).data) < most
