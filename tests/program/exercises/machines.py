"""Processors that others wrote, running a program of ours over a memory: py65 and the ``z80`` package
(and, where there is no package, the small model of ``motorola.py``)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import z80
from py65.devices.mpu6502 import MPU

from busledger.decoder.program import Program
from tests.program.exercises.cosmac import Cosmac
from tests.program.exercises.faulty_memory import Memory
from tests.program.exercises.motorola import Motorola, m6800, m6809
from tests.program.exercises.unicorn_machines import run_unicorn

ROUTINE = 0xE803
"""Where the monitor's character routine is called; what it is given is collected."""
MOST = 3_000_000  # instructions or clocks, before a run counts as lost


@dataclass
class Ran:
    """Where a run ended (an address), the clocks it took, what it printed."""

    pc: int
    clocks: int
    printed: str


@dataclass
class _Run:
    program: Program
    memory: Memory
    start: int | None = None
    printed: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.start is None:
            self.start = self.program.origin
            data = self.program.data
            self.memory.cells[self.program.origin : self.program.origin + len(data)] = data
        labels = self.program.labels
        wanted = self.program.wanted
        stays = ("DONE", "HALTED") if wanted.on_failure == "stop" else ("DONE",)
        if wanted.rom and wanted.on_failure == "stop":
            stays = ("DONE", "FAIL0")
        self.ends = {labels[name] for name in stays if name in labels}
        if wanted.back is not None:
            self.ends = {wanted.back}


def run_6502(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    run = _Run(program, memory, start)
    cpu = MPU(memory=memory, pc=run.start)
    memory.now = lambda: cpu.processorCycles
    for _ in range(most):
        if cpu.pc in run.ends:
            return Ran(cpu.pc, cpu.processorCycles, "".join(run.printed))
        if cpu.pc == ROUTINE:
            run.printed.append(chr(cpu.a))
            cpu.a = cpu.x = cpu.y = 0x5A  # a routine may leave anything behind
            low, high = (memory.cells[0x100 + ((cpu.sp + n) & 0xFF)] for n in (1, 2))
            cpu.sp = (cpu.sp + 2) & 0xFF
            cpu.pc = ((high << 8 | low) + 1) & 0xFFFF
            continue
        cpu.step()
    return Ran(cpu.pc, cpu.processorCycles, "".join(run.printed))


def _run_z80(machine: z80.Z80Machine, program: Program, memory: Memory, start: int | None, most: int) -> Ran:
    run = _Run(program, memory, start)
    machine.set_memory_block(0, bytes(memory.cells))
    marked = memory.watched
    if len(marked):
        machine.mark_addrs(marked.start, len(marked), machine.READ_MARK | machine.WRITE_MARK)
    machine.set_read_callback(memory.read)
    machine.set_write_callback(memory.write)
    machine.pc = run.start
    for end in (*run.ends, ROUTINE):
        machine.set_breakpoint(end)
    machine.ticks_to_stop = most  # the package loses what an instruction takes beyond a stop, so there is but one
    memory.now = lambda: most - machine.ticks_to_stop
    while machine.ticks_to_stop > 0:
        machine.run()
        if machine.pc in run.ends:
            break
        if machine.pc == ROUTINE:
            run.printed.append(chr(machine.a))
            assert machine.a == machine.c
            machine.bc = machine.de = machine.hl = machine.af = 0x5A5A
            machine.pc = machine.memory[machine.sp] | machine.memory[machine.sp + 1] << 8
            machine.sp = (machine.sp + 2) & 0xFFFF
    spent = most - machine.ticks_to_stop
    for label in program.labels.values():  # what the program keeps, back to the memory
        for address in (label, label + 1):
            if address not in marked:
                memory.cells[address] = machine.memory[address]
    return Ran(machine.pc, spent, "".join(run.printed))


def run_z80(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    return _run_z80(z80.Z80Machine(), program, memory, start, most)


def run_8080(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    return _run_z80(z80.I8080Machine(), program, memory, start, most)


def _run_motorola(
    make: Callable[[Memory, int], Motorola], program: Program, memory: Memory, start: int | None, most: int
) -> Ran:
    run = _Run(program, memory, start)
    cpu = make(memory, run.start or 0)
    memory.now = lambda: cpu.clocks
    for _ in range(most):
        if cpu.pc in run.ends:
            break
        if cpu.pc == ROUTINE:
            run.printed.append(chr(cpu.a))
            cpu.a = cpu.b = 0x5A
            cpu.x = cpu.y = 0x5A5A
            cpu.return_()
            continue
        cpu.step()
    return Ran(cpu.pc, cpu.clocks, "".join(run.printed))


def run_6800(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    return _run_motorola(m6800, program, memory, start, most)


def run_6809(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    return _run_motorola(m6809, program, memory, start, most)


def _run_unicorn(cpu: str, program: Program, memory: Memory, start: int | None, most: int) -> Ran:
    run = _Run(program, memory, start)
    image = None
    if start is not None:
        image = memory.image
    ended, printed = run_unicorn(cpu, memory, run.start or 0, run.ends, ROUTINE, most, image)
    return Ran(ended, 0, printed)


def run_8088(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    return _run_unicorn("8088", program, memory, start, most)


def run_68000(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    return _run_unicorn("68000", program, memory, start, most)


def run_1802(program: Program, memory: Memory, start: int | None = None, most: int = MOST) -> Ran:
    run = _Run(program, memory, start)
    cpu = Cosmac(memory, run.start or 0)
    memory.now = lambda: cpu.clocks
    for _ in range(most):
        if cpu.pc in run.ends:
            break
        cpu.step()
    return Ran(cpu.pc, cpu.clocks, "")


CLOCKED = ("1802", "6502", "6800", "6809", "8080", "z80")
"""Those whose runner counts clocks."""
PRINTING = (*CLOCKED[1:], "68000")
"""Those whose monitors have one way to print a character."""
RUNNERS = {
    "1802": run_1802,
    "8088": run_8088,
    "68000": run_68000,
    "6800": run_6800,
    "6809": run_6809,
    "6502": run_6502,
    "z80": run_z80,
    "8080": run_8080,
}


def failure(program: Program, memory: Memory) -> tuple[int, int, int]:
    """(address, written, read) as the program has left them in its three places."""
    at = program.labels
    processor = program.wanted.processor
    order = "big" if processor.word_order == "high first" else "little"
    address = int.from_bytes(memory.cells[at["FADDR"] : at["FADDR"] + processor.address_bytes], order)
    if "FSEG" in at:
        address += int.from_bytes(memory.cells[at["FSEG"] : at["FSEG"] + 2], order) << 4
    return address, memory.cells[at["FWROTE"]], memory.cells[at["FREAD"]]


def trace(cpu: str, program: Program, memory: Memory, start: int) -> list[tuple[str, int, int]]:
    """Every bus access of a run to its end: (kind, address, value), opcodes told apart."""
    labels = program.labels
    ends = {labels[name] for name in ("DONE", "HALTED") if name in labels}
    made: list[tuple[str, int, int]] = []

    def read(address: int) -> int:
        made.append(("read", address, memory.get(address)))
        return made[-1][2]

    def write(address: int, value: int) -> None:
        made.append(("write", address, value & 0xFF))
        memory.put(address, value & 0xFF)

    for pc, size, step in _steps(cpu, memory, start, read, write):
        if pc in ends:
            return made
        first = len(made)
        for n in range(size):  # a processor that does not fetch through the memory
            read(pc + n)
        step()
        made[first] = ("opcode-fetch", *made[first][1:])
        assert len(made) < 500_000
    raise AssertionError


def _steps(
    cpu: str, memory: Memory, start: int, read: Callable[[int], int], write: Callable[[int, int], None]
) -> Iterator[tuple[int, int, Callable[[], object]]]:
    """(program counter, bytes that the step does not fetch itself, the step), for ever."""
    if cpu in ("6800", "6809"):
        shown = _Shown(memory, read, write)
        model = (m6800 if cpu == "6800" else m6809)(shown, start)
        while True:
            yield model.pc, model.size, model.step
    if cpu == "6502":
        mpu = MPU(memory=_Shown(memory, read, write), pc=start)
        while True:
            yield mpu.pc, 0, mpu.step
    machine = z80.Z80Machine() if cpu == "z80" else z80.I8080Machine()
    machine.set_memory_block(0, bytes(memory.cells))
    machine.mark_addrs(0, 0x10000, machine.READ_MARK | machine.WRITE_MARK)
    machine.set_read_callback(read)
    machine.set_write_callback(write)
    machine.pc = start

    def one() -> None:
        machine.ticks_to_stop = 1
        machine.run()

    while True:
        yield machine.pc, 0, one


class _Shown(Memory):
    """A memory whose accesses are taken down by others."""

    def __init__(self, memory: Memory, read: Callable[[int], int], write: Callable[[int, int], None]) -> None:
        super().__init__()
        self.cells = memory.cells
        self._read, self._write = read, write

    def read(self, address: int) -> int:
        return self._read(address)

    def write(self, address: int, value: int) -> None:
        self._write(address, value)
