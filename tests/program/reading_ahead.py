"""A 68000 and an 8088 that read ahead: what runs is the unicorn package's word, what is on the bus a model of ours.

unicorn (QEMU) runs the program and says which instructions ran and what they read and wrote. Its processors have no
bus: when the next word of the program is read is put in here, from the makers' manuals and the 68000's microprogram.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import capstone
import unicorn
from unicorn import m68k_const, x86_const

FETCH, READ, WRITE = "opcode-fetch", "read", "write"
CAPSTONE = capstone.Cs(capstone.CS_ARCH_M68K, capstone.CS_MODE_M68K_000 | capstone.CS_MODE_BIG_ENDIAN)


@dataclass
class Step:
    """One instruction that ran: where, its bytes, (kind, address, size, value) of its accesses; or an exception."""

    address: int
    raw: bytes
    accesses: list = field(default_factory=list)
    then: int = 0
    exception: bool = False

    @property
    def end(self):
        return self.address + len(self.raw)


def run_68000(code, start, steps, *, interrupts=(), handler=0x2000, number=25):
    """``steps`` instructions of a 68000 from ``start``; before those numbered ``interrupts`` one is taken."""
    engine = unicorn.Uc(unicorn.UC_ARCH_M68K, unicorn.UC_MODE_BIG_ENDIAN)
    engine.ctl_set_cpu_model(m68k_const.UC_CPU_M68K_M68000)
    engine.mem_map(0, 0x20000)
    for at, data in code.items():
        engine.mem_write(at, data)
    engine.reg_write(m68k_const.UC_M68K_REG_SR, 0x2700)
    for register, value in (("A0", 0x8000), ("A1", 0x8100), ("A2", 0x8200), ("A5", 0x8400), ("A7", 0x7000)):
        engine.reg_write(getattr(m68k_const, f"UC_M68K_REG_{register}"), value)
    return _run(engine, "68000", start, steps, set(interrupts), handler, number)


def run_8088(code, start, steps, *, interrupts=(), handler=0x2000, number=8):
    """The same of an 8088, with all its segments at 0."""
    engine = unicorn.Uc(unicorn.UC_ARCH_X86, unicorn.UC_MODE_16)
    engine.mem_map(0, 0x20000)
    for at, data in code.items():
        engine.mem_write(at, data)
    engine.reg_write(x86_const.UC_X86_REG_SP, 0x7000)
    engine.reg_write(x86_const.UC_X86_REG_SI, 0x8000)
    engine.reg_write(x86_const.UC_X86_REG_DI, 0x8100)
    engine.reg_write(x86_const.UC_X86_REG_BX, 0x8200)
    return _run(engine, "8088", start, steps, set(interrupts), handler, number)


def _run(engine, cpu, start, steps, interrupts, handler, number):
    done, want = [], [None]

    def each(uc, address, size, _):
        if done and not done[-1].exception and not done[-1].then:
            done[-1].then = address
        if len(done) >= steps or (len(done) in interrupts and want[0] != "taken"):
            want[0] = "stop" if len(done) >= steps else "interrupt"
            uc.emu_stop()
            return
        want[0] = None
        if cpu == "68000":  # unicorn counts no operand words of BTST #n
            size = next(CAPSTONE.disasm_lite(bytes(uc.mem_read(address, 10)), address, 1))[1]
        done.append(Step(address, bytes(uc.mem_read(address, size))))
        if cpu == "68000" and done[-1].raw == bytes.fromhex("4E73"):  # unicorn's would want a later processor's frame
            want[0] = "return"
            uc.emu_stop()

    def access(uc, kind, address, size, value, _):
        if kind == unicorn.UC_MEM_WRITE:
            done[-1].accesses.append((WRITE, address, size, value & (1 << 8 * size) - 1))
        else:
            order = "big" if cpu == "68000" else "little"
            done[-1].accesses.append((READ, address, size, int.from_bytes(uc.mem_read(address, size), order)))

    engine.hook_add(unicorn.UC_HOOK_CODE, each)
    engine.hook_add(unicorn.UC_HOOK_MEM_READ | unicorn.UC_HOOK_MEM_WRITE, access)
    at = start
    while True:
        engine.emu_start(at, 0x1FFFE)
        if want[0] == "return":
            at = _return(engine, done[-1])
            continue
        if want[0] != "interrupt":
            return done
        at = done[-1].then
        done.append(_exception(engine, cpu, at, handler, number))
        interrupts.discard(len(done) - 1)
        done[-1].then, at, want[0] = handler, handler, "taken"


def _return(engine, step):
    """RTE of a 68000: the frame is read; where it leads."""
    sp = engine.reg_read(m68k_const.UC_M68K_REG_A7)
    frame = bytes(engine.mem_read(sp, 6))
    engine.reg_write(m68k_const.UC_M68K_REG_A7, sp + 6)
    engine.reg_write(m68k_const.UC_M68K_REG_SR, int.from_bytes(frame[:2], "big"))
    step.accesses = [(READ, sp + k, 2, int.from_bytes(frame[k : k + 2], "big")) for k in (0, 2, 4)]
    step.then = int.from_bytes(frame[2:], "big")
    return step.then


def _exception(engine, cpu, at, handler, number):
    """The frame is written, and the processor stands at the handler."""
    made = Step(at, b"", exception=True)
    if cpu == "68000":
        sr, sp = engine.reg_read(m68k_const.UC_M68K_REG_SR), engine.reg_read(m68k_const.UC_M68K_REG_A7)
        engine.mem_write(sp - 6, sr.to_bytes(2, "big") + at.to_bytes(4, "big"))
        engine.reg_write(m68k_const.UC_M68K_REG_A7, sp - 6)
        made.accesses = [(WRITE, sp - 2, 2, at & 0xFFFF), (WRITE, sp - 6, 2, sr), (WRITE, sp - 4, 2, at >> 16)]
        made.accesses.append((READ, 4 * number, 4, handler))
        return made
    flags, sp = engine.reg_read(x86_const.UC_X86_REG_EFLAGS) & 0xFFFF, engine.reg_read(x86_const.UC_X86_REG_SP)
    engine.mem_write(sp - 6, at.to_bytes(2, "little") + bytes(2) + flags.to_bytes(2, "little"))
    engine.reg_write(x86_const.UC_X86_REG_SP, sp - 6)
    made.accesses = [(READ, 4 * number, 2, handler), (READ, 4 * number + 2, 2, 0)]
    made.accesses += [(WRITE, sp - 2, 2, flags), (WRITE, sp - 4, 2, 0), (WRITE, sp - 6, 2, at)]
    return made


class Bus68000:
    """Rows (kind, address, data, bytes in use, step) of a trace; of a 68008 with ``size`` 1."""

    def __init__(self, memory, size=2):
        self.memory, self.size, self.rows = memory, size, []

    def fetch(self, address, step):
        word = self.memory(address)
        if self.size == 2:
            self.rows.append((FETCH, address, word, 2, step))
        else:
            self.rows += [(FETCH, address, word >> 8, 1, step), (FETCH, address + 1, word & 0xFF, 1, step)]

    def access(self, step, one, kind=None):
        what, address, size, value = one
        unit = min(self.size, size)
        for k in range(0, size, unit):
            part = value >> 8 * (size - k - unit) & (1 << 8 * unit) - 1
            self.rows.append((kind or what, address + k, part, unit, step))

    def run(self, steps):
        self.fetch(steps[0].address, 0)
        self.fetch(steps[0].address + 2, 0)
        for n, step in enumerate(steps):
            reads = [one for one in step.accesses if one[0] == READ]
            writes = [one for one in step.accesses if one[0] == WRITE]
            if step.raw[:1] == b"\x42" or step.raw == b"\x51\xd1":  # CLR and Scc read what they will not use
                reads = [(READ, *one[1:]) for one in writes]
            if step.exception:
                for one in (*writes, *reads):
                    self.access(n, one)
                self.fetch(step.then, n)
                self.fetch(step.then + 2, n)
            elif step.then not in (step.end, 0) or _is_jump(step):
                self._left(n, step, reads, writes)
            else:
                self._straight(n, step, reads, writes)
        return self.rows

    def _left(self, n, step, reads, writes):
        op = int.from_bytes(step.raw[:2], "big")
        for at in range(step.address + 4, step.end, 2):
            self.fetch(at, n)
        for one in reads:
            self.access(n, one)
        jsr = op & 0xFFC0 == 0x4E80
        for one in () if jsr else writes:
            self.access(n, one)
        self.fetch(step.then, n)
        for one in writes if jsr else ():
            self.access(n, one)
        self.fetch(step.then + 2, n)

    def _straight(self, n, step, reads, writes):
        op = int.from_bytes(step.raw[:2], "big")
        if op & 0xF0F8 == 0x50C8 and op >> 8 & 15 == 1:  # DBRA that is over: it has begun to read where it would go
            self.fetch(step.address + 2 + int.from_bytes(step.raw[2:4], "big", signed=True), n)
            self.fetch(step.end, n)
            self.fetch(step.end + 2, n)
            return
        rest = list(range(step.address + 4, step.end + 4, 2))
        of_program = op & 0x3F in (0x3A, 0x3B) and op & 0xF1C0 != 0x41C0 and op >> 12 != 7
        first = 2 if op & 0xFF80 == 0x4C80 or op == 0x083A else 1
        early = rest[:first] if of_program else rest[:-1]
        for at in early:
            self.fetch(at, n)
        if op & 0xFF80 == 0x4C80:  # MOVEM reads one word more than it needs
            reads.append((READ, reads[-1][1] + reads[-1][2], 2, 0))
        for one in reads:
            self.access(n, one, FETCH if of_program else None)
        late = _writes_late(op)
        for at in rest[len(early) : -1]:
            self.fetch(at, n)
        for one in () if late else writes:
            self.access(n, one)
        if len(rest) > len(early):
            self.fetch(rest[-1], n)
        for one in writes if late else ():
            self.access(n, one)


def _is_jump(step):
    """One that leaves the straight line even if it comes to the very next address."""
    op = int.from_bytes(step.raw[:2], "big")
    return op & 0xFF80 == 0x4E80 or op in (0x4E73, 0x4E75, 0x4E77) or op >> 8 in (0x60, 0x61)


def _writes_late(op):
    """Typed for the operations that the programs of these tests use."""
    if op >> 12 in (1, 2, 3):
        return op >> 6 & 7 == 4
    return op >> 12 in (0, 5, 8, 9, 11, 12, 13, 14) or op & 0xFF00 in (0x4200, 0x4400, 0x4600) or op & 0xFFC0 == 0x4840


def rows_of_8088(steps, memory, seed):
    """Rows (kind, address, data, 1, step): the queue is filled as chance has it and holds four at most."""
    chance, rows = random.Random(seed), []
    ahead = queue = steps[0].address

    def fill(n, most):
        nonlocal ahead
        for _ in range(most):
            if ahead - queue < 4:
                rows.append((FETCH, ahead, memory(ahead), 1, n))
                ahead += 1

    for n, step in enumerate(steps):
        for _ in step.raw:
            fill(n, chance.choice((0, 0, 1, 2, 4)))
            if ahead == queue:
                fill(n, 1)
            queue += 1
        for what, address, size, value in step.accesses:
            if not step.exception:
                fill(n, chance.choice((0, 0, 1)))
            rows += [(what, address + k, value >> 8 * k & 0xFF, 1, n) for k in range(size)]
        if step.exception or (step.then and step.then != step.end) or step.raw[-1:] == b"\xc3" or step.raw[0] == 0xEB:
            fill(n, chance.choice((0, 1, 2)) if not step.exception else 0)
            ahead = queue = step.then
    return rows
