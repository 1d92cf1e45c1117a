"""An image for the EPROM in the monitor's socket: the test where the processor starts, its vectors, FF elsewhere."""

from __future__ import annotations

from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.columns import Program, Range
from busledger.decoder.program.exercises.rows import fill_row, parse_fragment
from busledger.decoder.program.exercises.schema import ProcessorFile

__all__ = ["rom_image", "rom_origin", "rom_range"]

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
    start = space - size if processor.reset.entry is None else processor.reset.entry
    return start, start + size - 1


def rom_origin(processor: ProcessorFile, size: int) -> int:
    """Where in the image the test lies."""
    return rom_range(processor, size)[0] if processor.reset.origin is None else processor.reset.origin


def rom_image(program: Program, size: int) -> tuple[int, bytes]:
    """(its first address, its bytes): the program at its origin, every vector pointing there.

    Raises
    ------
    UsageError
        the program and the vectors do not fit.
    """
    processor = program.wanted.processor
    reset, high_first = processor.reset, processor.word_order == "high first"
    first, last = rom_range(processor, size)
    fixed = [at for at in (*reset.vectors, reset.jump_at) if at is not None and at > program.origin]
    room = min(fixed, default=last + 1) - program.origin
    if len(program.data) > room:
        raise UsageError(
            f"the test takes {len(program.data)} bytes, but an EPROM of {size} bytes has room for {room}",
            expected="a larger --reset-rom, or fewer --regions",
        )
    image = bytearray([_ERASED] * size)

    def put(at: int, data: bytes) -> None:
        image[at - first : at - first + len(data)] = data

    put(program.origin, program.data)
    for vector in reset.vectors:
        put(vector, program.origin.to_bytes(reset.vector_bytes, "big" if high_first else "little"))
    if reset.jump_at is not None:
        (row,) = parse_fragment(reset.jump)
        put(reset.jump_at, fill_row(row, reset.jump_at, {"START": program.origin}.__getitem__, high_first=high_first,
                                    bits=processor.address_bits))  # fmt: skip
    return first, bytes(image)
