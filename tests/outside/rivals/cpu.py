"""A processor that is only its bus: it fetches from its code and carries out what programs ask for."""

from __future__ import annotations

import numpy as np

from .buses import FAMILY
from .cycles import FETCH, GRANT, IDLE, IO_READ, IO_WRITE, READ, SILENCE, WRITE, Cycles
from .world import World


class FinishedError(Exception):
    """The capture is long enough."""


class Cpu:
    """Turns accesses into cycles, with the opcode fetches and dead cycles between them."""

    def __init__(
        self, world: World, rng: np.random.Generator, limit: int, code: list[tuple[int, int]], bus: str, busy: float
    ) -> None:
        self.world = world
        self.rng = rng
        self.limit = limit
        self.code = code
        self.family = FAMILY[bus]
        self.vacant = 0xFFFF if bus == "6809" else None
        """What the address bus shows in a dead cycle; None: where the next access goes."""
        self.busy = busy
        """Fetches per data access, on average."""
        self.log = Cycles()
        self._loop(code[0][0], code[0][1])
        self._luck: list[float] = rng.random(4096).tolist()
        self._turn = 0

    def _loop(self, start: int, size: int) -> None:
        """Choose a stretch of code to run in."""
        length = int(self.rng.integers(6, 40))
        self.loop_start = start + int(self.rng.integers(0, max(1, size - length)))
        self.loop_end = min(self.loop_start + length, start + size)
        self.pc = self.loop_start

    def luck(self) -> float:
        """A cheap random number."""
        self._turn = (self._turn + 1) & 4095
        return self._luck[self._turn]

    def enter(self, which: int) -> None:
        """Run in another piece of code."""
        self._loop(*self.code[which % len(self.code)])

    def _emit(self, op: int, address: int, data: int, driven: int, card: bool, ticks: int = 0) -> None:
        log = self.log
        log.op.append(op)
        log.address.append(address)
        log.data.append(data)
        log.driven.append(driven)
        log.card.append(card)
        log.ticks.append(ticks)
        self.world.count += 1
        if len(log.op) >= self.limit:
            raise FinishedError
        for quirk in self.world.quirks:
            quirk.every(self.world)

    def fetch(self) -> int:
        """One opcode or operand fetch."""
        address = self.pc
        self.pc += 1
        if self.pc >= self.loop_end:
            self.pc = self.loop_start
        data, driven, card = self.world.read(address)
        opcode = self.luck() < 0.6
        extra = (0, 0, 0, 1, 2)[int(self.luck() * 5)] if self.family == "z80" and opcode else 0
        self._emit(FETCH if opcode else READ, address, data, driven, card, extra)
        return data

    def step(self) -> None:
        """The fetches and dead cycles before an access."""
        quota = self.busy
        while quota > 0 and (quota >= 1 or self.luck() < quota):
            self.fetch()
            quota -= 1
        if self.family == "6800" and self.luck() < 0.15:
            self.dead(self.log.address[-1] if self.log.address else 0)

    def dead(self, address: int) -> None:
        """A cycle in which a 6800 does not use the bus."""
        self.world.bus = self.world.idle_level()
        self._emit(IDLE, address if self.vacant is None else self.vacant, self.world.bus, 0, False)

    def read(self, address: int) -> int:
        """A data read."""
        self.step()
        data, driven, card = self.world.read(address)
        self._emit(READ, address, data, driven, card)
        return data

    def write(self, address: int, value: int) -> None:
        """A data write."""
        self.step()
        if self.family == "6800" and self.luck() < 0.5:
            self.dead(address)
        card = self.world.write(address, value)
        self._emit(WRITE, address, value, 0xFF, card)

    def out(self, port: int, value: int) -> None:
        """Output to a port (Z80 only)."""
        self.step()
        self.world.bus = value
        for quirk in self.world.quirks:
            quirk.elsewhere(self.world, port, value, True)
        self._emit(IO_WRITE, port, value, 0xFF, False)

    def inp(self, port: int) -> int:
        """Input from a port (Z80 only)."""
        self.step()
        value = int(self.luck() * 256)
        self.world.bus = value
        self._emit(IO_READ, port, value, 0xFF, False)
        return value

    def grant(self, periods: int) -> None:
        """Another master has the bus; its cycles do not pass the clips."""
        if self.family == "6502":
            self.silence(periods)
            return
        self.world.bus = self.world.idle_level()
        if self.family == "z80":
            self._emit(GRANT, 0, self.world.bus, 0, False, periods)
            return
        for _ in range(periods):
            self._emit(GRANT, self.log.address[-1], self.world.bus, 0, False)

    def silence(self, periods: int) -> None:
        """The processor waits (or stands still) while another master works."""
        self.world.bus = self.world.idle_level()
        if self.family == "z80":
            self._emit(SILENCE, 0, self.world.bus, 0, False, periods)
        elif self.family == "6800":
            address = self.pc
            for _ in range(periods):
                self.dead(address)
        else:
            address = self.pc
            for _ in range(periods):
                data, driven, card = self.world.read(address)
                self._emit(READ, address, data, driven, card)
