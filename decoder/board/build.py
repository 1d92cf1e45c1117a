"""From checked tables to the board's own types: parts looked up, images read, pins named."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from pydantic import BaseModel

from busledger.decoder.board.draft import Draft, titled
from busledger.decoder.board.images import ImageRequest, read_image
from busledger.decoder.board.lanes import lane_names, parity_byte
from busledger.decoder.board.mistakes import shown
from busledger.decoder.board.model import Buffer, Chip, Decoder, LineLevel, NinthBit, ParityChip, Region
from busledger.decoder.board.part_types import BufferPart, DecoderPart, MemoryPart, Part, Section, bare_pin
from busledger.decoder.board.parts_library import parts
from busledger.decoder.board.schema import (
    BufferTable,
    ChipTable,
    DecoderTable,
    DirectionTable,
    EnableTable,
    RegionTable,
    is_line,
    line_name,
)
from busledger.decoder.board.statements import build_condition, build_protection, build_tested
from busledger.decoder.board.truth import MOST_INPUTS
from busledger.decoder.errors import BoardError
from busledger.decoder.text import plain

__all__ = ["build_buffers", "build_decoders", "build_regions", "build_tested"]

P = TypeVar("P", bound=Part)
T = TypeVar("T", bound=BaseModel)
_IMAGE_KEYS = {"image_offset": "an offset", "image_fill": "a fill"}
_WHAT = {MemoryPart: "a memory part", DecoderPart: "a decoder or gate", BufferPart: "a bus driver or latch"}


def _part(draft: Draft, table: str, name: str, wanted: type[P]) -> tuple[P | None, str | None]:
    """The part and the grade its marking carries; adds the mistake where it is unknown or of another kind."""
    try:
        part, grade = parts().resolve(name)
    except BoardError as error:
        draft.mistakes.add(table, "part", error.what, error.expected)
        return None, None
    if not isinstance(part, wanted):
        what = next(text for kind, text in _WHAT.items() if isinstance(part, kind))
        draft.mistakes.add(table, "part", f"{plain(name)} is {what}", _WHAT[wanted])
        return None, None
    return part, grade.name if grade else None


def build_regions(draft: Draft) -> None:
    """Every ``[[region]]`` that can be built, with its chips and image."""
    for table, raw in draft.tables("region"):
        row = draft.mistakes.check(table, RegionTable, raw, {"name": "", "kind": "ram"})
        if row is None:
            continue
        given = [(number, one) for number, one in enumerate(row.chips, 1) if _parity(one) is None]
        chips = tuple(c for number, one in given if (c := _chip(draft, table, number, one)))
        for number, one in enumerate(row.chips, 1):
            byte = _parity(one)
            if byte is not None and (extra := _chip(draft, table, number, {**one, "lanes": "D0"}, ninth=True)):
                ninth = ParityChip(row.name, replace(extra, lanes=()), None if byte < 0 else byte)
                draft.parity.append((table, ninth))
                _take_ninth_bit(draft, table, ninth, one)
        if len(chips) < len(given):
            draft.incomplete.add(table)
        region = Region(
            row.name,
            row.start,
            row.end,
            row.kind,
            row.space,
            row.select,
            chips,
            when=build_condition(draft, table, row.when),
            mirror_of=row.mirror_of,
            shared=row.shared,
            write_protect=build_protection(draft, table, row.write_protect),
        )
        draft.regions.append((table, region))
        _take_image(draft, table, row, region)


def _parity(raw: object) -> int | None:
    """As ``parity_byte`` of the chip's lanes: not None where it holds a ninth bit, which is on no lane of the bus."""
    return parity_byte(raw.get("lanes")) if isinstance(raw, Mapping) else None


def _take_ninth_bit(draft: Draft, table: str, ninth: ParityChip, raw: Mapping[str, Any]) -> None:
    """The lines of a parity chip, where it names them; ``_chip`` has checked their kinds."""
    read, written, parity = (raw.get(key) for key in ("line", "line_in", "parity"))
    if read is None:
        for key, value in (("line_in", written), ("parity", parity)):
            if value is not None:
                draft.mistakes.add(table, key, "without the line that shows the chip's bit", 'line = "PD"')
        return
    first = line_name(str(read))
    draft.ninth_bits.append(
        NinthBit(
            ninth.region,
            ninth.chip.designator,
            first,
            first if written is None else line_name(str(written)),
            None if parity is None else parity == "odd",
            ninth.lanes,
        )
    )


def _chip(draft: Draft, region_table: str, number: int, raw: object, *, ninth: bool = False) -> Chip | None:
    table = f"{region_table}, {titled('chips', number, raw)}"
    row = draft.mistakes.check(table, ChipTable, raw, {"designator": ""})
    if row is None:
        return None
    part, marked = _part(draft, table, row.part, MemoryPart) if row.part else (None, None)
    for key in ("line", "line_in", "parity"):
        if getattr(row, key) is not None and not ninth:
            draft.mistakes.add(
                table, key, "on a chip of the byte's own lanes", 'on a chip with lanes = "P" (or "P0", "P1") only'
            )
    grade = row.grade or marked
    if part and len(row.lanes) > part.width:
        found = f"{lane_names(row.lanes)}: {len(row.lanes)} lanes"
        draft.mistakes.add(table, "lanes", found, f"at most {part.width}, the width of part {part.name}")
    if part and row.grade:
        known = part.grade(row.grade)
        if known is None:
            draft.mistakes.add(
                table, "grade", f'"{plain(row.grade)}" is no grade of part {part.name}', ", ".join(part.grades)
            )
        grade = known.name if known else None
    chip = Chip(row.designator, part, row.lanes, grade, row.row, row.column)
    draft.chips.append((table, chip))
    return chip


def _take_image(draft: Draft, table: str, row: RegionTable, region: Region) -> None:
    """Read the region's image, if it has one; which part of it is the region's is settled once all tables are read."""
    if row.image is None:
        for key in ("image_offset", "image_fill"):
            if getattr(row, key) is not None:
                draft.mistakes.add(table, key, f"{_IMAGE_KEYS[key]} without an image", "image as well, or neither")
    elif row.kind != "rom":
        draft.mistakes.add(table, "image", f"an image in a region of kind {row.kind}", 'kind = "rom"')
    elif row.end >= row.start:  # else said elsewhere; how much to read is not known
        wanted = ImageRequest(row.image, row.image_offset, row.image_fill)
        image = read_image(draft, table, wanted, region.size)
        if image is not None:
            draft.images[table] = (wanted, image)


def build_decoders(draft: Draft) -> None:
    """Every ``[[decoder]]`` that can be built, its pins under the part's own names."""
    halves: dict[str, int] = {}  # of each package, how many tables took a half without its number
    for table, raw in draft.tables("decoder"):
        row = draft.mistakes.check(table, DecoderTable, raw, {"designator": ""})
        if row is None:
            continue
        if row.table is not None or row.image is not None:
            part = _prom(draft, table, row)
        else:
            part, _ = _part(draft, table, row.part, DecoderPart)
            if part is not None and part.kind == "prom":
                found = f"what is in the PROM {part.name} is not said"
                draft.mistakes.add(table, "table", found, "table, a list of its words, or image, a file of them")
                continue
        if part is None:
            continue
        half = _half(part, (*row.inputs, *row.outputs), halves.get(row.designator, 0))
        halves[row.designator] = halves.get(row.designator, 0) + (half != "")
        inputs = _pins(draft, table, "inputs", row.inputs, part, part.inputs, half)
        outputs = _pins(draft, table, "outputs", row.outputs, part, part.outputs, half)
        draft.decoders.append(
            (
                table,
                Decoder(
                    row.designator,
                    part,
                    {p: v for p, v in inputs.items() if isinstance(v, str)},
                    {p: str(v) for p, v in outputs.items()},
                    {p: v for p, v in inputs.items() if isinstance(v, int)},
                ),
            )
        )


def _half(part: DecoderPart, pins: Iterable[str], taken: int) -> str:
    """``1`` where all of ``pins`` are those of a half (or gate) written without its number, and so on for the halves
    after it; empty where they are the part's own names, or name no half."""
    for prefix in part.halves[taken:]:
        if all(part.pin_name(pin) is None and part.pin_name(prefix + bare_pin(pin)) for pin in pins):
            return prefix
    return ""


def _pins(
    draft: Draft,
    table: str,
    key: str,
    given: Mapping[str, Any],
    part: DecoderPart,
    known: tuple[str, ...],
    half: str = "",
) -> dict[str, str | int]:
    """``given`` under the part's own pin names; an input may be tied to 0 or 1. What does not fit is a mistake."""
    if not given:
        draft.mistakes.add(table, key, "no pin at all", f"at least one of {', '.join(known)}")
    named: dict[str, str | int] = {}
    for pin, line in given.items():
        place, own = f"{key}.{plain(pin)}", part.pin_name(half + bare_pin(pin) if half else pin)
        tied = key == "inputs" and type(line) is int and line in (0, 1)
        if own not in known:
            found = f"no such pin among the {key} of part {plain(part.name)}"
            draft.mistakes.add(table, place, found, f"one of {', '.join(known)}")
        elif own in named:
            draft.mistakes.add(table, place, f"pin {own} is named twice", "each pin once")
        elif tied or (isinstance(line, str) and is_line(line)):
            named[own] = line_name(line) if isinstance(line, str) else line
        else:
            wanted = "a line's name" + (", or 0 or 1 for a pin tied to that level" if key == "inputs" else "")
            draft.mistakes.add(table, place, f"found {shown(line)}", wanted)
    return named


def _prom(draft: Draft, table: str, row: DecoderTable) -> DecoderPart | None:
    """A part made of the board file's own contents: input k is address bit k, output j is data bit j, as listed."""
    pins_in, pins_out = tuple(row.inputs), tuple(row.outputs)
    if not pins_in or not pins_out or len(pins_in) > MOST_INPUTS or len(pins_out) > 32:
        draft.mistakes.add(
            table,
            "inputs",
            f"{len(pins_in)} inputs and {len(pins_out)} outputs",
            f"1 to {MOST_INPUTS} inputs and 1 to 32 outputs",
        )
        return None
    known = _known_prom(row.part)
    if known is not None:
        for key, pins, letter in (("inputs", pins_in, "A"), ("outputs", pins_out, "O")):
            most = sum(pin[0] == letter and pin[1:].isdigit() for pin in known.pinout)
            if len(pins) > most:
                draft.mistakes.add(table, key, f"{len(pins)} {key}", f"at most {most}, as a {known.name} has")
    size = 1 << len(pins_in)
    contents: tuple[int, ...] | None = row.table
    if row.table is not None and row.image is not None:
        draft.mistakes.add(table, "image", "both table and image", "one of them")
        return None
    if row.image is not None:
        image = read_image(draft, table, ImageRequest(row.image, row.image_offset), size)
        if image is None:
            return None
        begin = row.image_offset or 0
        have = size - sum(last - first + 1 for first, last in image.missing(begin, size))
        if row.image_offset is None and (image.size if image.raw else image.span[1] + 1) > size:
            have = image.size if image.raw else image.span[1] + 1
        contents = tuple(image.cut(begin, size)) if have == size else (0,) * have
    assert contents is not None
    if len(contents) != size:
        draft.mistakes.add(
            table, "image" if row.image else "table", f"{len(contents)} entries", f"{size}, for {len(pins_in)} inputs"
        )
        return None
    top = (1 << len(pins_out)) - 1
    if row.table is not None and max(contents) > top:
        draft.mistakes.add(table, "table", f"the entry {max(contents)}", f"at most {top}, for {len(pins_out)} outputs")
        return None
    section = Section(inputs=pins_in, outputs=pins_out, contents=tuple(value & top for value in contents))
    return DecoderPart(
        name=row.part,
        title=known.title if known is not None else "PROM",
        source="board file",
        kind="prom",
        open_collector=row.open_collector or (known is not None and known.open_collector),
        section=(section,),
    )


def _known_prom(name: str) -> DecoderPart | None:
    """The library's PROM of that marking; None if it has none, since any name will do for one's own."""
    try:
        part, _ = parts().resolve(name)
    except BoardError:
        return None
    return part if isinstance(part, DecoderPart) and part.kind == "prom" else None


def build_buffers(draft: Draft) -> None:
    """Every ``[[buffer]]`` that can be built; without ``serves`` it serves all regions."""
    everything = tuple(region.name for _, region in draft.regions)
    names = draft.region_names()
    for table, raw in draft.tables("buffer"):
        row = draft.mistakes.check(table, BufferTable, raw, {"designator": ""})
        if row is None:
            continue
        part, _ = _part(draft, table, row.part, BufferPart)
        if (row.lanes is None) == (row.lines is None):
            found = "neither lanes nor lines" if row.lanes is None else "both lanes and lines"
            draft.mistakes.add(table, "lanes", found, "lanes for a data driver, or lines for an address driver")
        for name in row.serves or ():
            if name not in names:
                draft.mistakes.add(
                    table,
                    "serves",
                    f'no region "{plain(name)}"',
                    f"a region of this file{draft.mistakes.nearest(name, names)}",
                )
        direction = _optional(draft, table, "direction", DirectionTable, row.direction)
        enable = _optional(draft, table, "enable", EnableTable, row.enable)
        if part is None:
            continue
        draft.buffers.append(
            (
                table,
                Buffer(
                    row.designator,
                    part,
                    row.lanes or (),
                    row.lines or (),
                    row.serves if row.serves is not None else everything,
                    LineLevel(direction.line, direction.to_cpu) if direction else None,
                    LineLevel(enable.line, enable.active) if enable else None,
                    {line_name(near): far for near, far in row.far_side.items()},
                ),
            )
        )


def _optional(draft: Draft, table: str, key: str, model: type[T], raw: Any) -> T | None:
    """A table inside a table, or nothing where it is not there."""
    return None if raw is None else draft.mistakes.check(f"{table}, {key}", model, raw)
