"""What the tables of a board file must mean together: ranges, lanes, sizes, names, lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping

from busledger.decoder.board.circles import check_circles
from busledger.decoder.board.draft import Draft, strings_in
from busledger.decoder.board.images import fill_images
from busledger.decoder.board.lanes import lane_names
from busledger.decoder.board.model import Buffer, Chip, Decoder, LineLevel, Region
from busledger.decoder.board.overlaps import check_overlaps
from busledger.decoder.board.schema import line_name
from busledger.decoder.board.statements import check_statements
from busledger.decoder.text import plain

__all__ = ["check_draft"]

_NUMBERED = re.compile(r"([AD])(\d{1,2})")


def check_draft(
    draft: Draft,
    *,
    data_bits: int | None,
    address_bits: int | None,
    lines: Collection[str] | None,
    driven: Collection[str] = (),
) -> None:
    """Add every mistake that shows only when tables are seen together."""
    wide = data_bits or _guess_width(draft)
    for table, region in draft.regions:
        _check_range(draft, table, region, address_bits)
        _check_lanes(draft, table, region, data_bits)
        _check_parity(draft, table, region)
        _check_size(draft, table, region, wide)
        for key, condition in (("when", region.when), ("write_protect", region.write_protect)):
            if isinstance(condition, LineLevel):
                _check_line(draft, table, f"{key}.line", condition.line, data_bits, address_bits, lines)
    fill_images(draft, wide)
    check_statements(draft, data_bits=data_bits, address_bits=address_bits)
    check_overlaps(draft)
    _check_names(draft)
    used = draft.used_lines()
    for table, decoder in draft.decoders:
        _check_outputs_used(draft, table, decoder, used)
        for pin, line in decoder.outputs.items():
            if line in driven:
                found = f'"{plain(line)}" is a line of the bus, which its master drives'
                draft.mistakes.add(table, f"outputs.{pin}", found, "a name of the card's own, such as CS0")
        for pin, line in decoder.inputs.items():
            _check_line(draft, table, f"inputs.{pin}", line, data_bits, address_bits, lines)
    _check_drivers(draft)
    check_circles(draft)
    if lines is not None:
        _check_wiring(draft, lines)
    for table, buffer in draft.buffers:
        _check_buffer(draft, table, buffer, data_bits)
        for line in buffer.lines:
            _check_line(draft, table, "lines", line, data_bits, address_bits, lines)
        for key, level in (("direction", buffer.direction), ("enable", buffer.enable)):
            if level:
                _check_line(draft, table, f"{key}.line", level.line, data_bits, address_bits, lines)


def _guess_width(draft: Draft) -> int:
    """The data bus as far as the board file shows it, where the profile is not known."""
    lanes = [b for _, r in draft.regions for b in r.lanes] + [b for _, u in draft.buffers for b in u.lanes]
    return 8 if not lanes else 8 * (max(lanes) // 8 + 1)


def _span(region: Region) -> str:
    return f"{region.start:04X}-{region.end:04X}"


def _check_range(draft: Draft, table: str, region: Region, address_bits: int | None) -> None:
    if region.end < region.start:
        draft.mistakes.add(
            table, "end", f"0x{region.end:X}, before the start 0x{region.start:X}", "end at or after start"
        )
    if address_bits is not None and max(region.start, region.end) >> address_bits:
        key = "start" if region.start >> address_bits else "end"
        top = (1 << address_bits) - 1
        draft.mistakes.add(
            table,
            key,
            f"0x{getattr(region, key):X} is outside the bus",
            f"0 to 0x{top:X} ({address_bits} address lines)",
        )


def _check_lanes(draft: Draft, table: str, region: Region, data_bits: int | None) -> None:
    """Within every byte its chips touch, a region needs one chip a lane."""
    lanes = [bit for chip in region.chips for bit in chip.lanes]
    twice = sorted(bit for bit, times in Counter(lanes).items() if times > 1)
    for bit in twice:
        owners = ", ".join(plain(c.designator) for c in region.chips if bit in c.lanes)
        draft.mistakes.add(
            table, "chips", f"D{bit} has two chips ({owners})", "one chip a lane; a deeper region is written as two"
        )
    if data_bits is not None and any(bit >= data_bits for bit in lanes):
        draft.mistakes.add(table, "chips", f"D{max(lanes)} is outside the bus", f"D0-D{data_bits - 1}")
    if region.chips and table not in draft.incomplete:
        bytes_used = {bit // 8 for bit in lanes}
        needed = {b for byte in bytes_used for b in range(byte * 8, byte * 8 + 8) if data_bits is None or b < data_bits}
        missing = needed - set(lanes)
        if missing:
            draft.mistakes.add(
                table,
                "chips",
                f"no chip carries {lane_names(sorted(missing))}",
                f"a chip for each of {lane_names(sorted(needed))}",
            )


def _check_parity(draft: Draft, table: str, region: Region) -> None:
    """A byte has one ninth bit, and a region of several bytes says whose each is."""
    bytes_used = sorted({bit // 8 for bit in region.lanes})
    taken: dict[int | None, str] = {}
    for where, one in draft.parity:
        if where != table:
            continue
        name = plain(one.chip.designator)
        if one.byte is not None and bytes_used and one.byte not in bytes_used:
            wanted = ", ".join(f"P{byte}" for byte in bytes_used)
            found = f"{name} holds the parity of {lane_names(one.lanes)}, which no chip of the region carries"
            draft.mistakes.add(table, "chips", found, wanted)
        other = taken.get(one.byte, taken.get(None) if one.byte is not None else next(iter(taken.values()), None))
        if other is not None:
            of = "all lanes" if one.byte is None else lane_names(one.lanes)
            wanted = "one chip a byte" + (': "P0" for D0-D7, "P1" for D8-D15' if len(bytes_used) > 1 else "")
            draft.mistakes.add(table, "chips", f"{other} and {name} both hold the parity of {of}", wanted)
        taken.setdefault(one.byte, name)


def _addresses_per_word(wide: int) -> int:
    return max(1, wide // 8)


def _check_size(draft: Draft, table: str, region: Region, wide: int) -> None:
    step = _addresses_per_word(wide)
    for chip in region.chips:
        if chip.part and region.size > chip.part.words * step:
            holds = chip.part.words * step
            owner = f"{plain(chip.designator)} ({chip.part.name})"
            draft.mistakes.add(
                table,
                "end",
                f"{region.size} addresses ({_span(region)}), more than {owner} holds",
                f"at most {holds}, so end = 0x{region.start + holds - 1:X}",
            )


def _check_names(draft: Draft) -> None:
    seen: dict[str, str] = {}
    for table, region in draft.regions:
        if region.name and region.name in seen:
            draft.mistakes.add(
                table, "name", f'"{plain(region.name)}" is also the name of {seen[region.name]}', "a name of its own"
            )
        seen.setdefault(region.name, table)
    owners: dict[str, tuple[str, Chip | Decoder | Buffer]] = {}
    everything: list[tuple[str, Chip | Decoder | Buffer]] = [*draft.chips, *draft.decoders, *draft.buffers]
    for table, thing in everything:
        before = owners.setdefault(thing.designator, (table, thing))
        if thing.designator and before[1] is not thing and not _halves(before[1], thing):
            draft.mistakes.add(
                table, "designator", f'"{plain(thing.designator)}" is also {before[0]}', "a designator of its own"
            )


def _halves(one: Chip | Decoder | Buffer, other: Chip | Decoder | Buffer) -> bool:
    """Two tables may describe two halves of one package: same part, no output or lane in both."""
    if isinstance(one, Decoder) and isinstance(other, Decoder):
        return one.part == other.part and not set(one.outputs) & set(other.outputs)
    if isinstance(one, Buffer) and isinstance(other, Buffer):
        carried = [*one.lanes, *one.lines, *other.lanes, *other.lines]
        return one.part == other.part and len(set(carried)) == len(carried) <= one.part.channels
    return False


def _check_outputs_used(draft: Draft, table: str, decoder: Decoder, used: Collection[str]) -> None:
    for pin, line in decoder.outputs.items():
        if line not in used:
            draft.mistakes.add(
                table,
                f"outputs.{pin}",
                f'no region or other line uses "{plain(line)}"',
                f"a region's select, another part's input, or a line in [wiring]{draft.mistakes.nearest(line, used)}",
            )


def _check_drivers(draft: Draft) -> None:
    """Two outputs on one line fight, unless all of them are open collector."""
    drivers: dict[str, tuple[str, Decoder]] = {}
    for table, decoder in draft.decoders:
        for pin, line in decoder.outputs.items():
            first = drivers.setdefault(line, (table, decoder))
            again = first[1] is not decoder or list(decoder.outputs.values()).count(line) > 1
            shared = first[1].part.open_collector and decoder.part.open_collector
            if again and not shared and (table, pin) != (first[0], _first_pin(first[1], line)):
                draft.mistakes.add(
                    table, f"outputs.{pin}", f'"{plain(line)}" is already driven by {first[0]}', "one output a line"
                )


def _first_pin(decoder: Decoder, line: str) -> str:
    return next(pin for pin, named in decoder.outputs.items() if named == line)


def _check_wiring(draft: Draft, lines: Collection[str]) -> None:
    """A wired line must be one that the bus or the board has."""
    tables = [draft.raw.get(kind, []) for kind in ("region", "decoder", "buffer")]
    own = {line_name(text) for text in strings_in(tables)}
    known = {*lines, *own}
    wired = draft.raw.get("wiring")
    for line in wired if isinstance(wired, Mapping) else ():
        if not {line, line_name(line)} & known:
            expected = f"a line of the bus or of this board{draft.mistakes.nearest(line, sorted(known))}"
            draft.mistakes.add("[wiring]", plain(line), "unknown line", expected)


def _check_buffer(draft: Draft, table: str, buffer: Buffer, data_bits: int | None) -> None:
    carried = buffer.lanes or buffer.lines
    key = "lanes" if buffer.lanes else "lines"
    if len(carried) > buffer.part.channels:
        most = f"at most {buffer.part.channels}, the channels of part {buffer.part.name}"
        draft.mistakes.add(table, key, f"{len(carried)} {key}", most)
    if data_bits is not None and buffer.lanes and max(buffer.lanes) >= data_bits:
        draft.mistakes.add(table, key, f"D{max(buffer.lanes)} is outside the bus", f"D0-D{data_bits - 1}")
    for line in {line for line in buffer.lines if buffer.lines.count(line) > 1}:
        draft.mistakes.add(table, "lines", f'"{plain(line)}" is named twice', "each line once")
    known = {f"D{bit}" for bit in buffer.lanes} | set(buffer.lines)
    for near, far in buffer.far_side.items():
        if near not in known:
            draft.mistakes.add(
                table,
                f"far_side.{plain(near)}",
                f"{buffer.designator} does not carry it",
                f"one of {', '.join(sorted(known))}",
            )
        if near == far:
            draft.mistakes.add(
                table,
                f"far_side.{plain(near)}",
                "the line on the far side has the name of the near one",
                "another name",
            )


def _check_line(
    draft: Draft,
    table: str,
    key: str,
    line: str,
    data_bits: int | None,
    address_bits: int | None,
    lines: Collection[str] | None,
) -> None:
    """A line must exist on the bus if its name says that it is one of the bus's."""
    numbered = _NUMBERED.fullmatch(line)
    width = {"A": address_bits, "D": data_bits}[numbered[1]] if numbered else None
    if numbered and width is not None and int(numbered[2]) >= width:
        draft.mistakes.add(table, key, f'unknown line "{line}"', f"{numbered[1]}0-{numbered[1]}{width - 1} on this bus")
    elif lines is not None and line not in lines and (meant := _misspelt(line, lines)):
        draft.mistakes.add(
            table, key, f'unknown line "{plain(line)}"', f"a line of the bus or of this board, such as {meant}"
        )


def _misspelt(line: str, lines: Collection[str]) -> str | None:
    """The bus line that ``line`` differs from by one letter or by two letters exchanged; None if none.

    Cards have lines of their own, so only names of four letters or more that
    hold no digit are judged: PHI1 beside PHI2 is no slip, MERQ beside MREQ is.
    """
    if len(line) < 4 or not line.isalpha():
        return None
    for known in lines:
        wrong = [i for i, (a, b) in enumerate(zip(line, known, strict=False)) if a != b]
        exchanged = len(wrong) == 2 and line[wrong[0]] == known[wrong[1]] and line[wrong[1]] == known[wrong[0]]
        if len(line) == len(known) and (len(wrong) == 1 or exchanged):
            return known
    return None
