"""The image for the monitor's socket: it starts where the processor starts, and lives without any RAM of its own."""

from __future__ import annotations

import bincopy
import pytest

from busledger.decoder.program import Wanted, file_bytes, make_program, memory_test, processors
from tests.program.exercises.faulty_memory import StuckLane
from tests.program.exercises.machines import RUNNERS
from tests.program.exercises.test_runs import data_of, marched

RANGES = ((0x4000, 0x40FF), (0x4200, 0x4207))
SIZE = 2048
CPUS = sorted(RUNNERS)


class OnlyRom(StuckLane):
    """The image, the tested range, and nothing else: an access elsewhere is a mistake; what is wrong is one lane."""

    def __init__(self, image: bytes, first: int, wrong: range = range(0)) -> None:
        super().__init__(wrong, 5, 0, watched=range(65536))
        self.rom = range(first, first + len(image))
        self.image = (first, image)
        if first < 0x10000:
            self.cells[self.rom.start : self.rom.stop] = image

    def read(self, address: int) -> int:
        if address in self.rom:
            return self.cells[address]
        assert any(low <= address <= high for low, high in RANGES), f"read {address:04X}"
        return super().read(address)

    def write(self, address: int, value: int) -> None:
        assert any(low <= address <= high for low, high in RANGES), f"write {address:04X}"
        super().write(address, value)


def image_of(cpu: str, on_failure: str, passes: int | None = 1, test: str = "march-c"):
    processor = next(one for one in processors() if one.name == cpu)
    origin = {"1802": 0, "z80": 0, "8080": 0, "68000": 0x100, "8088": 0xFF800}.get(cpu, 0x10000 - SIZE)
    asked = Wanted(processor, memory_test(test), RANGES, origin, passes, on_failure, rom=True)
    program = make_program(asked)
    file = bincopy.BinFile()
    file.add_srec(file_bytes(program, "s-record", rom_size=SIZE).decode())
    assert len(file) == SIZE
    return program, bytes(file.as_binary()), file.minimum_address


def start_of(cpu: str, image: bytes, first: int) -> int:
    """Where the processor begins: an address fixed by its maker, or through its reset vector (from the data sheets:
    6502 FFFC, low byte first; 6800 and 6809 FFFE, high byte first; 68000 a long word at 4; 8088 at FFFF0; Z80 and
    8080 at 0)."""
    match cpu:
        case "6502":
            return int.from_bytes(image[0xFFFC - first : 0xFFFE - first], "little")
        case "6800" | "6809":
            return int.from_bytes(image[0xFFFE - first : 0x10000 - first], "big")
        case "68000":
            return int.from_bytes(image[4:8], "big")
        case "8088":
            return 0xFFFF0
        case _:
            return 0


@pytest.mark.parametrize("cpu", CPUS)
def test_it_marches_without_ram_and_leaves_the_judging_to_the_analyser(cpu):
    program, image, first = image_of(cpu, "go-on")
    memory = OnlyRom(image, first, wrong=range(0x4003, 0x4005))
    ran = RUNNERS[cpu](program, memory, start=start_of(cpu, image, first))
    assert ran.pc == program.labels["DONE"]
    made = [access for access in memory.log if access[1] not in memory.rom]
    said = marched(memory_test("march-c").elements, RANGES)
    assert [(k, a) for k, a, _ in made] == [(k, a) for k, a, _ in said]
    assert [v for k, _, v in made if k == "write"] == [v for k, _, v in said if k == "write"]


@pytest.mark.parametrize("cpu", [cpu for cpu in CPUS if cpu != "1802"])
@pytest.mark.parametrize("name", ["checkerboard", "address"])
def test_data_that_depend_on_the_address_need_no_ram_either(cpu, name):
    """But for an 1802, which adds by way of memory alone."""
    program, image, first = image_of(cpu, "go-on", test=name)
    memory = OnlyRom(image, first)
    ran = RUNNERS[cpu](program, memory, start=start_of(cpu, image, first))
    assert ran.pc == program.labels["DONE"]
    cells = [a for low, high in RANGES for a in range(low, high + 1)]
    said = [(k, a, data_of(name, a, turn)) for turn in (0, 1) for k in ("write", "read") for a in cells]
    assert [access for access in memory.log if access[1] not in memory.rom] == said


@pytest.mark.parametrize("cpu", CPUS)
def test_it_stops_after_the_access_that_failed(cpu):
    program, image, first = image_of(cpu, "stop")
    memory = OnlyRom(image, first, wrong=range(0x4203, 0x4204))
    ran = RUNNERS[cpu](program, memory, start=start_of(cpu, image, first))
    assert ran.pc == program.labels["FAIL0"]
    assert memory.log[-1] == ("read", 0x4203, 0xDF)


@pytest.mark.parametrize("cpu", CPUS)
def test_it_loops_on_the_failing_address_for_a_scope(cpu):
    program, image, first = image_of(cpu, "loop", passes=None)
    memory = OnlyRom(image, first, wrong=range(0x4010, 0x4011))
    RUNNERS[cpu](program, memory, start=start_of(cpu, image, first), most=120_000 if cpu in ("z80", "8080") else 15_000)
    assert {address for _, address, _ in memory.log[-20:]} == {0x4010}
    assert {kind for kind, _, _ in memory.log[-20:]} == {"read", "write"}


@pytest.mark.parametrize("cpu", CPUS)
def test_every_vector_leads_to_the_test(cpu):
    program, image, first = image_of(cpu, "go-on")
    order = "big" if program.wanted.processor.word_order == "high first" else "little"
    for vector in program.wanted.processor.reset.vectors:
        size = program.wanted.processor.reset.vector_bytes
        assert int.from_bytes(image[vector - first :][:size], order) == program.origin
    assert image[program.origin - first :].startswith(program.data)
