"""Which lines stand side by side at the pins of which parts: where solder, swarf or a bent pin joins two of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import NamedTuple

from busledger.decoder.board.model import Board, Buffer, Chip
from busledger.decoder.board.part_types import Part

__all__ = ["Beside", "Standing", "lines_side_by_side"]


class Beside(NamedTuple):
    """Two lines at neighbouring pins of one part, in the order of the pins."""

    designator: str
    lines: tuple[str, str]
    pins: tuple[int, int]


class Standing(NamedTuple):
    """``pairs``: two lines → the places where they are neighbours; ``of_part``: part → the lines at pins that the parts
    library and the board file tell."""

    pairs: Mapping[frozenset[str], tuple[Beside, ...]]
    of_part: Mapping[str, frozenset[str]]


def lines_side_by_side(board: Board, shift: int = 0) -> Standing:
    """All pairs of bus lines that are neighbours at some memory chip, decoder or driver of address lines.

    ``shift``: the bus line that is a memory chip's A0. A chip's data pins are taken to be wired in order (common
    practice; any order works), and only where they are both inputs and outputs; address pins that carry rows and
    columns in turn are not asked.
    """
    pairs: dict[frozenset[str], list[Beside]] = {}
    of_part: dict[str, frozenset[str]] = {}
    for designator, part, line_at in _parts(board, shift):
        of_part[designator] = of_part.get(designator, frozenset()) | set(line_at.values())
        for one, two in pairwise(range(1, len(part.pinout) + 1)):
            lines = (line_at.get(one, ""), line_at.get(two, ""))
            if one == len(part.pinout) // 2 or "" in lines or lines[0] == lines[1]:
                continue  # the last pin of one side and the first of the other lie at the package's end
            place = Beside(designator, lines, (one, two))
            held = pairs.setdefault(frozenset(lines), [])
            if place not in held:
                held.append(place)
    return Standing({lines: tuple(places) for lines, places in pairs.items()}, of_part)


def _parts(board: Board, shift: int) -> Iterator[tuple[str, Part, dict[int, str]]]:
    """(designator, part, pin number → bus line) of the parts whose pin-out is known."""
    for region in board.regions:
        for chip in region.chips:
            if chip.part is not None and chip.part.pinout and chip.part.multiplexed_bits is None:
                yield chip.designator, chip.part, _at_chip(chip, shift)
    for decoder in board.decoders:
        if decoder.part.pinout:
            yield decoder.designator, decoder.part, _numbered(decoder.part, decoder.inputs)
    for buffer in board.buffers:
        if buffer.part.pinout and buffer.lines:
            yield buffer.designator, buffer.part, _numbered(buffer.part, _at_driver(buffer))


def _at_chip(chip: Chip, shift: int) -> dict[int, str]:
    part = chip.part
    assert part is not None
    lanes = () if part.separate_io else chip.lanes
    data = {f"D{pin}": f"D{lane}" for pin, lane in enumerate(sorted(lanes))}
    return _numbered(part, {**data, **{f"A{bit}": f"A{bit + shift}" for bit in range(part.address_bits)}})


def _at_driver(buffer: Buffer) -> dict[str, str]:
    """Pin → line of a driver's inputs and outputs: in the order in which the board file lists the lines (common
    practice: one after the other)."""
    groups = buffer.part.groups[:1] if buffer.part.kind == "two-way" else buffer.part.groups
    inputs = dict(zip([pin for group in groups for pin in group.inputs], buffer.lines, strict=False))
    outputs = dict(zip([pin for group in groups for pin in group.outputs], buffer.lines, strict=False))
    return {**inputs, **outputs}


def _numbered(part: Part, line_of: Mapping[str, str]) -> dict[int, str]:
    found = {part.pin(pin): line for pin, line in line_of.items()}
    return {number: line for number, line in found.items() if number is not None}
