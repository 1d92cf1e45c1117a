"""Emulators that others wrote, fed with what a capture shows: they say where each instruction began."""

from __future__ import annotations

from py65.devices.mpu6502 import MPU


class OffTheRecordError(Exception):
    """The emulator asked for another access than the capture shows next."""


def instructions_of_z80(log, machine):
    """(index in ``log``, address) of every instruction that ``machine`` (of the ``z80`` package) runs.

    Its accesses must be those of ``log``: (kind, address, data) of every transfer, refresh and idle cycles left out.
    """
    at = 0
    began = []

    def take(address):
        nonlocal at
        if at >= len(log):
            raise OffTheRecordError
        _, logged, data = log[at]
        if logged & 0xFFFF != address and _left_out(log, at, address):
            return 0
        if logged & 0xFFFF != address:
            raise OffTheRecordError(f"row {at}: {address:04X} asked for, {logged:04X} in the capture")
        at += 1
        return data

    def port(address):
        nonlocal at
        at += 1
        return log[at - 1][2]

    def wrote(address, value):
        take(address)  # the flags that PUSH PSW writes have bits of which each processor makes its own

    def ported(address, value):
        port(address)

    machine.mark_addrs(0, 0x10000, machine.READ_MARK | machine.WRITE_MARK)
    machine.set_read_callback(take)
    machine.set_write_callback(wrote)
    machine.set_input_callback(port)
    machine.set_output_callback(ported)
    machine.pc = log[0][1]
    inside = False  # the package runs a DD or FD prefix as a step of its own
    while at < len(log) - 8:
        if not inside:
            began.append((at, machine.pc))
        first = at
        machine.ticks_to_stop = 1
        machine.run()
        prefix = log[first][2] in (0xDD, 0xFD) and at == first + 1
        inside = prefix
    return began


def _left_out(log, at, address):
    """MCS-85 User's Manual: the 8085 does not read the last byte of a jump or call whose condition is not met."""
    (_, where, opcode), (_, before, _) = log[at - 2], log[at - 1]
    return opcode & 0xC7 in (0xC2, 0xC4) and (before, address) == (where + 1, where + 2)


def instructions_of_6502(log, start, machine=MPU):
    """(index in ``log``, address) of every instruction from the fetch at row ``start``.

    py65 runs them on the bytes that the capture shows, and its count of cycles says on which row the next one begins.
    """
    memory = _Shown(log)
    cpu = machine(memory=memory, pc=log[start][1])
    at, began = start, []
    while at < len(log) - 8:
        began.append((at, cpu.pc))
        memory.go_to(at)
        before = cpu.processorCycles
        cpu.step()
        at += cpu.processorCycles - before
    return began


class _Shown:
    """Memory whose reads are answered from the next rows of the log that have the address."""

    def __init__(self, log):
        self._log, self._at = log, 0

    def __len__(self):
        return 65536

    def go_to(self, at):
        self._at = at

    def __getitem__(self, address):
        for row in (*range(self._at, self._at + 8), *range(self._at - 1, self._at - 4, -1)):
            kind, logged, data = self._log[row]
            if logged == address and kind == "read":
                return data
        raise OffTheRecordError(f"near row {self._at}: nothing read at {address:04X}")

    def __setitem__(self, address, value):
        return None
