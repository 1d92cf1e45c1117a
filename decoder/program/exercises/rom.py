"""An image for the EPROM in the monitor's socket: the test where the processor starts, its vectors, FF elsewhere."""

from __future__ import annotations

from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.columns import Program, Range
from busledger.decoder.program.exercises.schema import ProcessorFile

__all__ = ["rom_image", "rom_range"]

_ERASED = 0xFF


def rom_range(processor: ProcessorFile, size: int) -> Range:
    """Where an image of ``size`` bytes lies, so that it holds where the processor starts. UsageError for a size that no
    EPROM of the processor's can have."""
    space = 1 << processor.address_bits
    if size & (size - 1) or not 256 <= size <= min(space, 1 << 20) // 2:
        raise UsageError(
            f"no EPROM has {size} bytes",
            expected="--reset-rom with 1K, 2K, 4K, 8K, 16K or 32K, as large as the EPROM in the monitor's socket",
        )
    start = space - size if processor.reset.vectors else (processor.reset.entry or 0)
    return start, start + size - 1


def rom_image(program: Program, size: int) -> tuple[int, bytes]:
    """(its first address, its bytes): the program at its origin, every vector pointing there.

    Raises
    ------
    UsageError
        the program and the vectors do not fit.
    """
    processor = program.wanted.processor
    first, last = rom_range(processor, size)
    room = min((v for v in processor.reset.vectors), default=last + 1) - program.origin
    if len(program.data) > room:
        raise UsageError(
            f"the test takes {len(program.data)} bytes, but an EPROM of {size} bytes has room for {room}",
            expected="a larger --reset-rom, or fewer --regions",
        )
    image = bytearray([_ERASED] * size)
    image[program.origin - first : program.origin - first + len(program.data)] = program.data
    order: str = "big" if processor.word_order == "high first" else "little"
    for vector in processor.reset.vectors:
        image[vector - first : vector - first + 2] = program.origin.to_bytes(2, order)  # type: ignore[arg-type]
    return first, bytes(image)
