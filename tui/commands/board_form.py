"""What a new board file needs to know, as plain data, and the commented file made of it."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from busledger.decoder.errors import BoardError, UsageError
from busledger.decoder.text import plain

if TYPE_CHECKING:
    from busledger.decoder.board import Board
    from busledger.decoder.bus import Profile
    from busledger.decoder.pipeline import SeenCard

__all__ = [
    "Form",
    "FormDecoder",
    "FormDriver",
    "FormRegion",
    "chips_needed",
    "form_from_card",
    "form_from_options",
    "form_text",
    "load_with_bus",
    "write_form",
]

_REGION = re.compile(r"\s*([^=]+?)\s*=\s*(?:0x)?([0-9a-f]+)\s*-\s*(?:0x)?([0-9a-f]+)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class FormRegion:
    """One region; ``chips`` are (designator, first lane, last lane), ``remarks`` comments below it."""

    name: str
    start: int
    end: int
    kind: str = "ram"
    part: str | None = None
    chips: tuple[tuple[str, int, int], ...] = ()
    space: str = "memory"
    select: str | None = None
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FormDecoder:
    """A decoder that makes selects; ``inputs`` and ``outputs`` pin → line."""

    designator: str
    part: str
    inputs: tuple[tuple[str, str], ...]
    outputs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class FormDriver:
    """A driver of all data lanes; ``direction`` is the line that turns it and the level toward the CPU."""

    designator: str
    part: str
    direction: tuple[str, int] | None = None


@dataclass(frozen=True, slots=True)
class Form:
    """A whole card; ``wiring`` line → channel."""

    name: str
    bus: str
    regions: tuple[FormRegion, ...]
    wiring: tuple[tuple[str, str], ...] = ()
    decoders: tuple[FormDecoder, ...] = ()
    drivers: tuple[FormDriver, ...] = ()
    data_bits: int = 8


def chips_needed(part: str, data_bits: int) -> list[tuple[int, int]]:
    """First and last lane of each chip that a bank of this part needs, D0 up.

    Raises
    ------
    BoardError
        The library has no such memory part.
    UsageError
        Chips of that width do not add up to the bus.
    """
    from busledger.decoder.board import MemoryPart, parts

    found = parts().get(part)
    if not isinstance(found, MemoryPart):
        raise UsageError(f"{found.name} is no memory part", expected="a RAM such as 2114 or 6116")
    if found.width > data_bits or data_bits % found.width:
        raise UsageError(f"chips of {found.width} bits do not add up to the {data_bits} bits of the bus")
    return [(low, low + found.width - 1) for low in range(0, data_bits, found.width)]


def form_from_options(
    name: str, bus: str, ram: Sequence[str], rom: Sequence[str], part: str | None, designators: str | None
) -> Form:
    """The form that the command line fills in; raises UsageError for what does not fit together."""
    from busledger.decoder.bus import load_profile

    data_bits = load_profile(bus).data_bits
    names = [text.strip() for text in (designators or "").split(",") if text.strip()]
    if names and part is None:
        raise UsageError("--designators was given without --part", expected="the chips' type as well")
    if part is not None and not names:
        width = len(chips_needed(part, data_bits))
        raise UsageError(
            "--part was given without --designators",
            expected=f"the chips' names as well, {width} for each RAM region, D0 first, such as U1,U2",
        )
    spans = chips_needed(part, data_bits) if part is not None and names else []
    if spans and len(names) != len(spans) * len(ram):
        raise UsageError(
            f"--designators names {len(names)} chips",
            expected=f"{len(spans) * len(ram)}: {len(spans)} for each of {len(ram)} RAM regions",
        )
    regions = []
    for number, text in enumerate(ram):
        mine = names[number * len(spans) : (number + 1) * len(spans)]
        chips = tuple((chip, low, high) for chip, (low, high) in zip(mine, spans, strict=False))
        regions.append(parse_region(text, "ram", part, chips))
    regions += [parse_region(text, "rom") for text in rom]
    return Form(name, bus, tuple(regions))


def parse_region(
    text: str, kind: str, part: str | None = None, chips: tuple[tuple[str, int, int], ...] = ()
) -> FormRegion:
    """A region from ``NAME=4000-43FF``."""
    match = _REGION.fullmatch(text)
    if match is None:
        raise UsageError(f"'{plain(text)}' is not a region", expected="NAME=START-END in hexadecimal: bank0=4000-43FF")
    return FormRegion(match[1], int(match[2], 16), int(match[3], 16), kind, part, chips)


def form_text(form: Form) -> str:
    """The board file: TOML with comments that say what may be added."""
    lines = [
        "# What is on the card. 'busledger board draw FILE' shows how this is understood.",
        "",
        "[board]",
        f"name = {_quoted(form.name)}",
        f"bus  = {_quoted(form.bus)}        # 'busledger profiles' lists the buses",
        "",
        "# Channels whose names do not tell their line: line = channel.",
    ]
    lines += ["[wiring]", *(f"{line} = {_quoted(channel)}" for line, channel in form.wiring)] if form.wiring else [
        "# [wiring]", '# A0 = "ch0"',
    ]  # fmt: skip
    for region in form.regions:
        lines += [
            "",
            "[[region]]",
            f"name  = {_quoted(region.name)}",
            f"start = 0x{region.start:04X}",
            f"end   = 0x{region.end:04X}        # inclusive",
            f"kind  = {_quoted(region.kind)}",
            *([f"space = {_quoted(region.space)}"] if region.space != "memory" else []),
            f"select = {_quoted(region.select)}"
            if region.select
            else '# select = "CS0"        # the select line, if you know it',
            *(f"# {plain(remark)}" for remark in region.remarks),
        ]
        if region.kind == "rom":
            lines.append('# image = "rom.bin"     # its contents, to compare reads with; a path relative to this file')
        if region.chips:
            lines.append("chips = [")
            for name, low, high in region.chips:
                lanes = f"D{low}" if low == high else f"D{low}-D{high}"
                part = f"part = {_quoted(region.part)}, " if region.part is not None else ""
                lines.append(f'  {{ designator = {_quoted(name)}, {part}lanes = "{lanes}" }},')
            lines.append("]")
        else:
            lines.append('# chips = [ { designator = "U1", part = "2114", lanes = "D0-D3" }, ... ]')
    for decoder in form.decoders:
        lines += ["", "[[decoder]]", f"designator = {_quoted(decoder.designator)}", f"part = {_quoted(decoder.part)}"]
        lines += [f"inputs  = {_inline(decoder.inputs)}", f"outputs = {_inline(decoder.outputs)}"]
    for driver in form.drivers:
        lines += ["", "[[buffer]]", f"designator = {_quoted(driver.designator)}", f"part = {_quoted(driver.part)}"]
        lines.append(f'lanes = "D0-D{form.data_bits - 1}"')
        if driver.direction is not None:
            line, level = driver.direction
            lines.append(f"direction = {{ line = {_quoted(line)}, to_cpu = {level} }}")
    return "\n".join([*lines, *_MORE]) + "\n"


def _inline(pairs: Sequence[tuple[str, str]]) -> str:
    """An inline table; pins are quoted, since some are numbers and some have marks."""
    return "{ " + ", ".join(f"{_quoted(key)} = {_quoted(value)}" for key, value in pairs) + " }"


def form_from_card(card: SeenCard, name: str) -> Form:
    """What a capture showed, as a form: what is a guess of the traffic stands in remarks."""
    from busledger.decoder.wiring import canonical

    regions, wiring = [], dict(card.wiring)
    for region in card.regions:
        remarks = [f"seen: {region.accesses} accesses; what was not touched is not in it"]
        select = None
        if region.select is not None:
            channel = card.signals[region.select].name
            readings = [one for one in canonical(channel) if one.isascii() and one.replace("_", "").isalnum()]
            select = readings[0] if readings else f"SELECT{region.select}"
            if select not in canonical(channel):
                wiring[select] = channel
            if region.select_level == 1:
                remarks.append(f"{select} is high while it selects: describe the decoder or gate that makes it")
        if region.mirror_of is not None:
            remarks.append(f'it held the same as {region.mirror_of} in every cell seen: perhaps mirror_of = '
                           f'"{region.mirror_of}"')  # fmt: skip
        if region.kind == "rom":
            remarks.append("never written in this capture: a ROM, or memory that the program left alone")
        regions.append(
            FormRegion(region.name, region.start, region.end, region.kind, space=region.space, select=select,
                       remarks=tuple(remarks))
        )  # fmt: skip
    if card.loose:
        places = ", ".join(f"{address:04X} ({space})" for space, address in card.loose)
        regions[-1] = replace(regions[-1], remarks=(*regions[-1].remarks, f"also accessed, in no region: {places}"))
    return Form(name, card.bus, tuple(regions), tuple(sorted(wiring.items())))


_MORE = [
    "",
    "# A decoder whose outputs are selects: its inputs and outputs by pin name.",
    "# [[decoder]]",
    '# designator = "U9"',
    '# part    = "74LS138"',
    '# inputs  = { A = "A10", B = "A11", C = "A12", G1 = "A14", G2A = "A15", G2B = "MREQ" }',
    '# outputs = { Y0 = "CS0", Y1 = "CS1" }',
    "",
    "# A driver between the bus and some regions: of data lanes, or of address lines.",
    "# [[buffer]]",
    '# designator = "U10"',
    '# part   = "74LS245"',
    '# lanes  = "D0-D7"',
    '# serves = ["bank0"]',
    '# direction = { line = "RD", to_cpu = 0 }   # the level at which it drives toward the CPU',
]


def write_form(form: Form, file: Path) -> None:
    """Write the file, once the board reader has found nothing wrong in it.

    Raises
    ------
    BoardError, ProfileError
        What the answers say contradicts itself; nothing is written.
    OutputError
        The file cannot be written.
    """
    from busledger.decoder.report import whole_file

    text = form_text(form)
    with whole_file(file) as out, tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / "board.toml"
        trial.write_text(text, encoding="utf-8")
        try:
            load_with_bus(trial)
        except BoardError as error:
            raise BoardError(str(error).replace(str(trial), str(file)).rstrip(".")) from error
        out.write(text.encode())


def load_with_bus(file: Path) -> tuple[Board, Profile]:
    """The board and its bus, the board checked against the bus's widths and lines."""
    from busledger.decoder.board import bus_of_board, load_board
    from busledger.decoder.bus import load_profile

    bus = bus_of_board(file)
    profile = load_profile(file.parent / bus if "/" in bus or bus.endswith(".toml") else bus)
    board = load_board(
        file,
        data_bits=profile.data_bits,
        address_bits=profile.address_bits,
        lines=profile.spellings,
        driven=profile.driven,
    )
    return board, profile


def _quoted(text: str) -> str:
    """A TOML basic string; JSON escapes all that TOML wants escaped but the delete character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
