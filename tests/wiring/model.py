"""A machine for families without an emulator at hand: the bus traffic of ordinary programs, no real instruction set.

Instructions are an opcode and what such instructions carry: addresses in the family's byte order, immediate values,
branch distances. They are laid out in memory and executed: loads and stores, loops over tables, copies, counters,
pushes, calls and returns, polls of a port. Opcode numbers are drawn once for each machine. Accesses come out as
(kind, address, data, bytes) with ``operand`` for the bytes of an instruction after its first.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

__all__ = ["Family", "Machine"]


@dataclass(frozen=True)
class Family:
    """``word``: bytes of a fetch; ``big``: byte order; ``pointer``: bytes of an address in an instruction.

    ``odd``: instructions may begin at odd addresses of a 16-bit bus and are fetched by aligned words ahead of time.
    ``split``: program and data are different memories. ``zero_page``: short addresses of one byte exist.
    ``segment``: added to data addresses; ``code``: added to program addresses.
    """

    word: int = 1
    big: bool = True
    pointer: int = 2
    odd: bool = False
    split: bool = False
    zero_page: bool = False
    bytes_too: bool = False
    opcodes: int = 256


class Machine:
    """``rom``, ``ram``: (start, size); ``io``: an address or None for ports. ``run`` gives the accesses."""

    def __init__(self, seed, family, rom, ram, io=None):
        self.dice, self.family, self.rom, self.ram, self.io = random.Random(seed), family, rom, ram, io
        self.program, self.data = {}, {}
        if not family.split:
            self.data = self.program
        self.code, self.log, self.loaded = {}, [], None
        self.stack = ram[0] + ram[1] - 2 * family.word
        self.numbers = {}
        self._write_program()

    # -- laying out -------------------------------------------------------------------------------------------

    def _write_program(self):
        dice, step = self.dice, self.family.word
        start, size = self.rom
        self.tables = []
        at = start + size * 2 // 3 & -2
        while at < start + size - 100:
            body = dice.choice(
                [dice.randbytes(dice.randrange(8, 40)), bytes(dice.choices(b"ETAOIN SHRDLU etaoin shrdlu 0123", k=20))]
            )
            for k, value in enumerate(body):
                self.program[at + k] = value
                if self.family.split:
                    self.data[at + k] = value
            self.tables.append((at, len(body) & -step))
            at += len(body) + 1 & -2
        self.at = start + 0x40
        end = start + size * 2 // 3 - 400
        routines = []
        while self.at < end:
            begin = self.at
            for _ in range(dice.randrange(2, 8)):
                if routines and dice.random() < 0.25:
                    self._put("call", pointer=dice.choice(routines[-6:]))
                else:
                    self._fragment()
            self._put("ret")
            routines.append(begin)
            self.at += dice.randrange(0, 60) * 2 if dice.random() < 0.3 else 0
            self.at += 0 if self.family.odd or step == 1 else self.at & 1
        self.entry = self.at
        for routine in dice.choices(routines, k=30):
            self._put("call", pointer=routine)
        self._put("jump", pointer=self.entry)

    def _fragment(self):
        dice = self.dice
        shape = dice.randrange(7)
        if shape == 0:
            for op in dice.choices(["load", "store", "count", "immediate", "register"], k=4):
                self._put(op, **self._operand(op))
        elif shape in (1, 2):
            where, length = dice.choice(self.tables)
            self._put("source", pointer=where)
            self._put("target", pointer=self.ram[0] + dice.randrange(self.ram[1] // 2) & -self.family.word)
            self._put("immediate", value=dice.randrange(256))
            loop = self.at
            for op in ("take", "register", "put")[: 3 if shape == 1 else 2]:
                self._put(op)
            self._put("again", branch=loop, times=max(2, min(length // self.family.word, dice.randrange(2, 24))))
        elif shape == 3:
            loop = self.at
            self._put("poll", **self._port_address())
            self._put("immediate", value=dice.choice([1, 0x40, 0x80]))
            self._put("again", branch=loop, times=dice.randrange(1, 5))
            self._put("store", **self._operand("store"))
        elif shape == 4:
            self._put("push")
            self._put("load", **self._operand("load"))
            self._put("register")
            self._put("pop")
        elif shape == 5:
            self._put("load", **self._operand("load"))
            self._put("immediate", value=dice.randrange(256))
            unit = 1 if self.family.word == 1 or self.family.odd else 2
            self._put("maybe", branch=self.at + 6 * unit)
            for _ in range(4):
                self._put("register")
            self._put("store", **self._operand("store"))
        else:
            self._put("load", **self._operand("load"))
            self._put("send", **self._port_address())

    def _operand(self, op):
        if op == "immediate":
            return {"value": self.dice.randrange(256)}
        if op == "register":
            return {}
        if self.family.zero_page and self.dice.random() < 0.4:
            return {"short": self.dice.randrange(0x80)}
        return {"pointer": self.dice.randrange(self.ram[0], self.ram[0] + self.ram[1] - 64) & -self.family.word}

    def _put(self, op, **has):
        """Lay out one instruction at ``self.at``."""
        family = self.family
        key = (op, *sorted(has.keys() - {"times"}))
        number = self.numbers.setdefault(key, [self.dice.randrange(family.opcodes) for _ in range(4)])
        order = "big" if family.big else "little"
        opcode = self.dice.choice(number)
        body = bytes([opcode]) if family.word == 1 or family.odd else bytes([opcode, self.dice.choice(number)])
        unit = 1 if family.word == 1 or family.odd else 2
        if "pointer" in has:
            body += (has["pointer"] & (1 << 8 * family.pointer) - 1).to_bytes(family.pointer, order)
        if "short" in has:
            body += has["short"].to_bytes(unit, order)
        if "value" in has:
            body += has["value"].to_bytes(unit, order)
        if "branch" in has:
            distance = has["branch"] - self.at - len(body) - unit
            body += distance.to_bytes(unit, order, signed=True)
        for k, value in enumerate(body):
            self.program[self.at + k] = value
        self.code[self.at] = (op, has, len(body))
        self.at += len(body)

    # -- running ----------------------------------------------------------------------------------------------

    def run(self, accesses):
        """At least so many accesses from the start of the main loop."""
        pc, counts, returns = self.entry, {}, []
        source = target = self.ram[0]
        while len(self.log) < accesses:
            op, has, size = self.code[pc]
            self._fetch(pc, size)
            after = pc + size
            at = has.get("pointer", has.get("short", has.get("value")))
            if op in ("load", "count"):
                self._read(at)
            if op in ("store", "count"):
                self._write(at)
            if op == "source":
                source = at
            elif op == "target":
                target = at
            elif op == "take":
                self._read(source)
                source += self.family.word
            elif op == "put":
                self._write(target)
                target += self.family.word
            elif op == "again":
                counts[pc] = counts.get(pc, has["times"]) - 1
                if counts[pc] > 0:
                    after = has["branch"]
                else:
                    del counts[pc]
            elif op == "maybe" and self.dice.random() < 0.5:
                after = has["branch"]
            elif op == "poll":
                self._port(True, at)
            elif op == "send":
                self._port(False, at)
            elif op == "push":
                self.stack -= self.family.word
                self._write(self.stack)
            elif op == "pop":
                self._read(self.stack)
                self.stack += self.family.word
            elif op == "call":
                self._save(after)
                returns.append(after)
                after = at
            elif op == "ret":
                self._restore()
                after = returns.pop()
            elif op == "jump":
                after = at
            if after != pc + size:
                self.loaded = None
            pc = after
        return self.log

    def _fetch(self, pc, size):
        if not self.family.odd:
            for k in range(0, size, self.family.word):
                self._log("opcode-fetch" if k == 0 else "operand", pc + k, self.family.word, self.program)
            return
        # Words come ahead of time; a jump to an odd address begins with the byte there.
        at = pc if self.loaded is None else self.loaded
        while at < pc + size + 2:
            count = 1 if at & 1 else 2
            self._log("opcode-fetch", at, count, self.program)
            at += count
        self.loaded = at

    def _log(self, kind, at, count, memory):
        order = "big" if self.family.big else "little"
        value = int.from_bytes(bytes(memory.get(at + k, 0) for k in range(count)), order)
        self.log.append((kind, at, value, count))

    def _pieces(self, at):
        """(address, bytes) of one access to a datum of the machine's size."""
        word = self.family.word
        if self.family.bytes_too and self.dice.random() < 0.4:
            return [(at + self.dice.randrange(2), 1)]
        return [(at, 1), (at + 1, 1)] if word == 2 and at & 1 else [(at, word)]

    def _read(self, at):
        for place, count in self._pieces(at):
            self._log("read", place, count, self.data)

    def _write(self, at):
        for place, count in self._pieces(at):
            for k in range(count):
                if self.ram[0] <= place + k < self.ram[0] + self.ram[1]:
                    self.data[place + k] = self.dice.choice([0, 1, self.dice.randrange(256), self.dice.randrange(256)])
            self._log("write", place, count, self.data)

    def _port_address(self):
        """A port number, or an address of the I/O page."""
        port = self.dice.choice([0x10, 0x11, 0x84]) & -self.family.word
        return {"value": port} if self.io is None else {"pointer": self.io + port}

    def _port(self, reads, at):
        value = self.dice.choice([0, 0x80, self.dice.randrange(256)])
        name = "io-" if self.io is None else ""
        self.log.append((name + ("read" if reads else "write"), at, value, self.family.word))

    def _save(self, value):
        """A return address onto the stack, in bytes or words."""
        count = max(2, self.family.pointer if self.family.pointer != 3 else 4)
        self.stack -= count
        for k, byte in enumerate(value.to_bytes(count, "big" if self.family.big else "little")):
            self.data[self.stack + k] = byte
        for k in reversed(range(0, count, self.family.word)):
            self._log("write", self.stack + k, self.family.word, self.data)

    def _restore(self):
        count = max(2, self.family.pointer if self.family.pointer != 3 else 4)
        for k in range(0, count, self.family.word):
            self._log("read", self.stack + k, self.family.word, self.data)
        self.stack += count
