"""An 8088 and a 68000 of the unicorn package (QEMU's processors), over one of our memories.

The tested range is mapped as a device, so that every access to it comes to the memory with its fault; the rest is
plain. There are no clocks.
"""

from __future__ import annotations

from collections.abc import Callable

import unicorn
from unicorn import m68k_const, x86_const

from tests.program.exercises.faulty_memory import Memory

PAGE = 0x1000
DEVICE = range(0x4000, 0x6000)


def run_unicorn(
    cpu: str,
    memory: Memory,
    start: int,
    ends: set[int],
    routine: int,
    most: int,
    image: tuple[int, bytes] | None,
) -> tuple[int, str]:
    """(where it ended, what it printed). ``image``: a ROM and its address, beside which there is no RAM."""
    if cpu == "8088":
        engine = unicorn.Uc(unicorn.UC_ARCH_X86, unicorn.UC_MODE_16)
    else:
        engine = unicorn.Uc(unicorn.UC_ARCH_M68K, unicorn.UC_MODE_BIG_ENDIAN)
        engine.ctl_set_cpu_model(m68k_const.UC_CPU_M68K_M68000)
        engine.reg_write(m68k_const.UC_M68K_REG_SR, 0x2700)  # as after RESET
    engine.mmio_map(DEVICE.start, len(DEVICE), *_device(memory))
    if image is None:
        for low, high in ((0, DEVICE.start), (DEVICE.stop, 0x10000)):
            engine.mem_map(low, high - low)
            engine.mem_write(low, bytes(memory.cells[low:high]))
    else:
        first, data = image
        page = first & ~(PAGE - 1)
        engine.mem_map(page, max(PAGE, len(data)), unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
        engine.mem_write(first, data)
    printed: list[str] = []
    where = [start]

    def each(uc: unicorn.Uc, address: int, size: int, data: object) -> None:
        where[0] = address
        if address in ends:
            uc.emu_stop()
        elif address == routine and cpu == "68000":
            printed.append(chr(uc.reg_read(m68k_const.UC_M68K_REG_D0) & 0xFF))
            for register in ("D0", "D1", "D2", "A0", "A1"):  # a routine may leave anything behind
                uc.reg_write(getattr(m68k_const, f"UC_M68K_REG_{register}"), 0x5A5A5A5A)

    engine.hook_add(unicorn.UC_HOOK_CODE, each)
    if cpu == "68000" and image is None:
        engine.mem_write(routine, bytes.fromhex("4E75"))
    if cpu == "8088":
        engine.reg_write(x86_const.UC_X86_REG_CS, start >> 4 & 0xF000)
    engine.emu_start(start, 0xFFFFF, count=most)
    if image is None:
        for low, high in ((0, DEVICE.start), (DEVICE.stop, 0x10000)):
            memory.cells[low:high] = engine.mem_read(low, high - low)
    return where[0], "".join(printed)


def _device(memory: Memory) -> tuple[Callable[..., int], None, Callable[..., None], None]:
    def read(uc: unicorn.Uc, offset: int, size: int, data: object) -> int:
        assert size == 1
        return memory.read(DEVICE.start + offset)

    def write(uc: unicorn.Uc, offset: int, size: int, value: int, data: object) -> None:
        assert size == 1
        memory.write(DEVICE.start + offset, value)

    return read, None, write, None
