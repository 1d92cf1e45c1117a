"""Where a program may lie, with its stack and its scratch: in RAM, and in nothing that it tests."""

from __future__ import annotations

from collections.abc import Sequence

from busledger.decoder.board import Board, Region
from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.columns import Program, Range, Wanted
from busledger.decoder.text import plain

__all__ = ["range_text", "refuse_overlaps", "region_at"]


def range_text(ranges: Sequence[Range], digits: int = 4) -> str:
    """``4000-43FF, 4800-4BFF``"""
    return ", ".join(f"{first:0{digits}X}-{last:0{digits}X}" for first, last in ranges)


def region_at(board: Board, address: int) -> Region | None:
    """The region of memory that holds an address; None where the board file has none."""
    return next((r for r in board.regions if r.space == "memory" and r.start <= address <= r.end), None)


def refuse_overlaps(board: Board, program: Program, home: Region | None) -> None:
    """Raise UsageError where the program, its stack, its scratch or the monitor's routines lie where they cannot.

    ``home``: the region that holds the program's first byte, if the board file has one.
    """
    wanted = program.wanted
    here = (program.origin, program.end)
    top = (1 << wanted.processor.address_bits) - 1
    if program.end > top:
        raise UsageError(f"the program would end at {program.end:X}, beyond the last address {top:X}",
                         expected=f"an --origin of at most {top - len(program.data) + 1:04X}")  # fmt: skip
    if wanted.processor.address_bytes == 2 and program.origin >> 16 != program.end >> 16:
        raise UsageError(f"the program at {range_text([here])} does not lie in one segment of 64K",
                         expected="another --origin")  # fmt: skip
    _refuse_tested(wanted, here, "the program itself", "--origin", " in RAM that is not tested")
    if not wanted.rom:
        if home is not None and home.kind != "ram":
            raise UsageError(
                f"the program would lie in {plain(home.name)}, which is {home.kind}",
                expected="an --origin in RAM that is not tested",
                hint="For an EPROM in the monitor's place say --reset-rom SIZE." if home.kind == "rom" else "",
            )
        if home is not None and program.end > home.end:
            raise UsageError(
                f"the program takes {range_text([here])}, but {plain(home.name)} ends at {home.end:04X}",
                expected=f"an --origin of at most {home.end - len(program.data) + 1:04X}",
            )
    if program.stack is not None:
        _stack(board, program, home)
    if program.scratch is not None:
        low, high = program.scratch
        region = region_at(board, low)
        if region is not None and region.kind != "ram":
            raise UsageError(f"the loops need RAM at {range_text([program.scratch])}, where {plain(region.name)} is "
                             f"{region.kind}", expected="--scratch with other RAM")  # fmt: skip
        if low <= program.end and high >= program.origin:
            raise UsageError(
                f"the program at {range_text([here])} lies over the RAM that its loops need, "
                f"{range_text([program.scratch])}",
                expected="another --origin or --scratch",
            )
    for option, address in (("--output", wanted.output), ("--back", wanted.back)):
        if address is not None:
            _refuse_tested(
                wanted, (address, address), "the monitor's routine", option, " of a routine that is not tested"
            )


def _stack(board: Board, program: Program, home: Region | None) -> None:
    wanted, stack = program.wanted, program.stack
    assert stack is not None
    fixed = wanted.processor.stack_page is not None
    room = "there is no room for the stack"
    top = (1 << wanted.processor.address_bits) - 1
    hint = "With --on-failure stop or loop, and without --output, no stack is needed."
    if stack[1] > top:
        raise UsageError(f"{room}: it would end at {stack[1]:X}, beyond the last address {top:X}",
                         expected="another --origin or --stack", hint=hint)  # fmt: skip
    for first, last in wanted.ranges:
        if stack[0] <= last and stack[1] >= first:
            raise UsageError(
                f"{room}: it lies at {range_text([stack])}, inside the tested range {range_text([(first, last)])}",
                expected=f"--regions {_without(wanted.ranges, stack)}"
                if fixed
                else "--stack with RAM that is not tested",
                hint=hint,
            )
    region = region_at(board, stack[1]) or region_at(board, stack[0])
    if region is not None and (region.kind != "ram" or not region.start <= stack[0] <= stack[1] <= region.end):
        raise UsageError(f"{room}: {range_text([stack])} is not all in RAM ({plain(region.name)} is at "
                         f"{range_text([(region.start, region.end)])})",
                         expected="another --origin, or --stack with RAM that is not tested", hint=hint)  # fmt: skip
    if region is None and home is not None and not fixed and wanted.stack is None:
        raise UsageError(f"{room} behind the program: {plain(home.name)} ends at {home.end:04X}",
                         expected="another --origin, or --stack with RAM that is not tested", hint=hint)  # fmt: skip
    if wanted.stack is not None and stack[0] <= program.end and stack[1] >= program.origin:
        raise UsageError(f"the stack at {range_text([stack])} would grow into the program",
                         expected="another --stack")  # fmt: skip


def _without(ranges: Sequence[Range], left_out: Range) -> str:
    """The ranges less one, as ``--regions`` takes them."""
    parts = [part for first, last in ranges
             for part in ((first, min(last, left_out[0] - 1)), (max(first, left_out[1] + 1), last))
             if part[0] <= part[1]]  # fmt: skip
    return ",".join(range_text([part]) for part in dict.fromkeys(parts)) or "without it"


def _refuse_tested(wanted: Wanted, here: Range, what: str, option: str, which: str) -> None:
    for first, last in wanted.ranges:
        if here[0] <= last and here[1] >= first:
            at = f"{here[0]:04X}" if here[0] == here[1] else range_text([here])
            raise UsageError(
                f"{what} ({at}) lies inside the tested range {range_text([(first, last)])}: it would be overwritten",
                expected=f"another {option}{which}, or other --regions",
            )
