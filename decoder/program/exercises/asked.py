"""What was asked on the command line, held against the board: ranges, origin, stack, EPROM."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from busledger.decoder.board import Board, Region
from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.columns import OnFailure, Program, Range, Wanted
from busledger.decoder.program.exercises.compose import make_program
from busledger.decoder.program.exercises.library import layouts_of, memory_test, processor_for
from busledger.decoder.program.exercises.overlaps import range_text, refuse_overlaps, region_at
from busledger.decoder.program.exercises.rom import rom_image, rom_origin, rom_range
from busledger.decoder.program.exercises.schema import ProcessorFile
from busledger.decoder.text import plain

__all__ = ["Asked", "named_regions", "parse_address", "program_for", "testable"]

_ADDRESS = re.compile(r"\s*(?:0x|\$)?([0-9A-Fa-f]{1,8})H?\s*", re.IGNORECASE)
_RANGE = re.compile(r"(?P<first>[^-.]+?)(?:-|\.\.)(?P<last>[^-.]+)")
_USUAL_TEST = "march-c"
_MOST_PASSES = 255  # a byte counts them


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person wants; None = left to us. ``regions``: names of the board file, or ``4000-40FF``, several
    parted by commas.

    ``test`` None = the usual march. ``passes`` None = for ever. ``rom_size``: bytes of the EPROM whose image is wanted.
    """

    origin: int | None = None
    processor: str | None = None
    regions: tuple[str, ...] = ()
    test: str | None = None
    passes: int | None = 1
    on_failure: OnFailure | None = None
    output: int | None = None
    back: int | None = None
    scratch: int = 0xF0
    stack: int | None = None
    pause_s: float = 2.0
    clock_hz: float | None = None
    rom_size: int | None = None


def parse_address(option: str, text: str) -> int:
    """``0100``, ``0x100``, ``$100`` or ``100H``: hexadecimal. UsageError for anything else."""
    found = _ADDRESS.fullmatch(text)
    if found is None:
        raise UsageError(
            f"cannot read {plain(text)!r} after {option}", expected="an address in hexadecimal, such as 0100"
        )
    return int(found[1], 16)


def testable(region: Region) -> bool:
    """Whether a program can write all over a region and expect to read it back."""
    plain_memory = region.kind == "ram" and region.space == "memory" and region.when is None
    return plain_memory and not (region.mirror_of or region.shared or region.write_protect)


def program_for(board: Board, asked: Asked, clock_hz: float, bus: str | None = None) -> Program:
    """The program for a board; ``clock_hz`` where ``asked`` names no clock, ``bus`` the name of its profile, where the
    board file gives a path.

    Raises
    ------
    UsageError
        anything in ``asked`` that this board, its processor or the templates cannot have.
    """
    processor = processor_for(bus or board.bus, asked.processor)
    _refuse_contradictions(asked, processor)
    if asked.rom_size is not None:
        _refuse_eprom(board, processor, asked.rom_size)
        origin = rom_origin(processor, asked.rom_size)
    elif asked.origin is None:
        raise UsageError(
            "nothing says where the program is to lie",
            expected="--origin ADDRESS in RAM that is not tested, or --reset-rom SIZE for a machine without any",
        )
    else:
        origin = asked.origin
    home = region_at(board, origin)
    ranges = _ranges(board, asked, home)
    wanted = Wanted(
        processor, memory_test(asked.test or _USUAL_TEST), ranges, origin, asked.passes,
        asked.on_failure or _on_failure(asked),
        asked.output, asked.back, asked.scratch, asked.stack, asked.pause_s, asked.clock_hz or clock_hz,
        asked.rom_size is not None,
    )  # fmt: skip
    program = make_program(wanted)
    if asked.rom_size is not None:
        rom_image(program, asked.rom_size)
    refuse_overlaps(board, program, home)
    return program


def _on_failure(asked: Asked) -> OnFailure:
    """A list is whole only if the test goes on, and an analyser sees most of what does not stop."""
    return "go-on" if asked.rom_size is not None or asked.output is not None else "stop"


def _refuse_contradictions(asked: Asked, processor: ProcessorFile) -> None:
    top = (1 << processor.address_bits) - 1
    for option, address in (("--origin", asked.origin), ("--output", asked.output), ("--back", asked.back),
                            ("--stack", asked.stack)):  # fmt: skip
        if address is not None and address > top:
            raise UsageError(
                f"{option} is {address:X}, beyond what {processor.one} can address", expected=f"0 to {top:X}"
            )
    if asked.passes is not None and not 1 <= asked.passes <= _MOST_PASSES:
        raise UsageError(f"{asked.passes} passes are asked for", expected=f"1 to {_MOST_PASSES}, or --forever")
    for layout in layouts_of(processor):
        if layout.needs_ram and not 0 <= asked.scratch <= layout.scratch_below - layout.scratch_bytes:
            raise UsageError(f"--scratch is {asked.scratch:04X}, out of the reach of the loops of {processor.one}",
                             expected=f"0000 to {layout.scratch_below - layout.scratch_bytes:04X}")  # fmt: skip
    if asked.rom_size is None:
        return
    if asked.origin is not None:
        raise UsageError("--origin and --reset-rom were both given: the EPROM lies where the processor starts",
                         expected="one of them")  # fmt: skip
    if asked.output is not None or asked.back is not None:
        raise UsageError(
            "an EPROM in the monitor's place has no monitor to print through or to go back to",
            expected="--reset-rom without --output and --back",
            hint="Clip the bus and give the capture to 'busledger check', or say --on-failure loop and use a scope.",
        )
    if asked.passes is not None and asked.passes > 1:
        raise UsageError("without RAM nothing can count passes", expected="--forever, or one pass")


def _refuse_eprom(board: Board, processor: ProcessorFile, size: int) -> None:
    first, last = rom_range(processor, size)
    starts = last if processor.reset.entry is None else processor.reset.entry
    for region in board.regions:
        if region.space != "memory" or region.end < first or region.start > last:
            continue
        if region.kind != "rom":
            raise UsageError(
                f"an image of {size} bytes would lie at {range_text([(first, last)])}, where the board file has "
                f"{plain(region.name)} ({region.kind})",
                expected="the size of the EPROM in the socket where the processor starts",
            )
        if (region.start, region.end) != (first, last) and region.start <= starts <= region.end:
            raise UsageError(
                f"an image of {size} bytes does not fit {plain(region.name)}, which has {region.size} bytes at "
                f"{range_text([(region.start, region.end)])}",
                expected=f"--reset-rom {region.size}",
            )


def named_regions(board: Board, texts: Sequence[str]) -> tuple[str, ...]:
    """Each region or range of ``bank0,4400-44FF`` on its own; a comma may also belong to a region's name."""
    names = {region.name for region in board.regions}
    parted = [[text] if text in names else text.split(",") for text in texts]
    return tuple(part.strip() for parts in parted for part in parts if part.strip())


def _ranges(board: Board, asked: Asked, home: Region | None) -> tuple[Range, ...]:
    """What is gone over, joined where it touches."""
    usable = [region for region in board.regions if testable(region)]
    if asked.regions:
        found = [_range_of(board, text, usable) for text in named_regions(board, asked.regions)]
    else:
        found = [(region.start, region.end) for region in usable if region is not home]
        if not found:
            names = ", ".join(plain(region.name) for region in usable) or "no RAM"
            raise UsageError(
                f"there is nothing to test beside the program: the board file has {names}",
                expected="an --origin outside the RAM to be tested, or --regions with the part of it to go over",
            )
    joined: list[Range] = []
    for first, last in sorted(found):
        if joined and first <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return tuple(joined)


def _range_of(board: Board, text: str, usable: Sequence[Region]) -> Range:
    named = next((region for region in board.regions if region.name == text), None)
    if named is not None:
        if named not in usable:
            raise UsageError(
                f"{plain(named.name)} cannot be tested by writing to it: {_why_not(named)}",
                expected=_usable_text(usable),
            )
        return named.start, named.end
    parts = _RANGE.fullmatch(text)
    if parts is None or not (_ADDRESS.fullmatch(parts["first"]) and _ADDRESS.fullmatch(parts["last"])):
        near = difflib.get_close_matches(text, [region.name for region in usable], n=1)
        raise UsageError(
            f"the board file has no region {plain(text)!r}",
            expected=_usable_text(usable),
            hint=f"Did you mean {plain(near[0])}?" if near else "",
        )
    first, last = parse_address("--regions", parts["first"]), parse_address("--regions", parts["last"])
    if last < first:
        raise UsageError(f"the range {plain(text)} ends before it starts", expected="START-END, both included")
    at = first
    while at <= last:
        region = next((r for r in usable if r.start <= at <= r.end), None)
        if region is None:
            raise UsageError(f"no RAM of the board file answers at {at:04X}, which {plain(text)} takes in",
                             expected=_usable_text(usable))  # fmt: skip
        at = region.end + 1
    return first, last


def _usable_text(usable: Sequence[Region]) -> str:
    named = ", ".join(f"{plain(r.name)} ({range_text([(r.start, r.end)])})" for r in usable)
    return f"RAM of the board file: {named}" if named else "a board file with RAM"


def _why_not(region: Region) -> str:
    if region.kind != "ram":
        return f"the board file says it is {region.kind}"
    if region.space != "memory":
        return "it lies outside memory"
    if region.when is not None:
        return "it answers only under a condition, which the program does not set"
    return "the board file says that it is mirrored, shared or protected from writing"
