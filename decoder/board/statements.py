"""What a board file says of a region that is not plain memory, and of parts that were tested: built, and checked.

Such statements keep innocent behaviour from being compared, so a slip in one must be told, not guessed away.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from busledger.decoder.board.draft import Draft
from busledger.decoder.board.mistakes import shown
from busledger.decoder.board.model import LatchValue, LineLevel, Region, Tested
from busledger.decoder.board.schema import LatchTable, LineLevelTable, TestedTable
from busledger.decoder.text import plain

__all__ = ["build_condition", "build_protection", "build_tested", "check_statements"]


def build_condition(draft: Draft, table: str, raw: Any) -> LineLevel | LatchValue | None:
    """``when``: a line's level, or a latch's value, told apart by their keys."""
    if raw is None:
        return None
    draft.conditional.add(table)
    if isinstance(raw, Mapping) and ("latch" in raw) == ("line" in raw):
        found = "both a line and a latch" if "line" in raw else "neither a line nor a latch"
        draft.mistakes.add(table, "when", found, _WHEN)
        return None
    if not isinstance(raw, Mapping):
        draft.mistakes.add(table, "when", f"found {shown(raw)}", _WHEN)
        return None
    condition: LineLevel | LatchValue | None = None
    if "line" in raw:
        line = draft.mistakes.check(f"{table}, when", LineLevelTable, raw)
        condition = LineLevel(line.line, line.level) if line else None
    else:
        latch = draft.mistakes.check(f"{table}, when", LatchTable, raw)
        condition = LatchValue(latch.latch, latch.space, latch.mask, latch.value) if latch else None
    if condition is not None:
        draft.conditional.discard(table)
    return condition


def build_protection(draft: Draft, table: str, raw: Any) -> LineLevel | bool:
    """``write_protect``: true, false, or a line and the level at which writes do not take."""
    if isinstance(raw, bool):
        return raw
    if not isinstance(raw, Mapping):
        draft.mistakes.add(table, "write_protect", f"found {shown(raw)}", 'true, or { line = "WP", level = 0 }')
        return False
    line = draft.mistakes.check(f"{table}, write_protect", LineLevelTable, raw)
    return LineLevel(line.line, line.level) if line else False


_WHEN = '{ line = "BANK0", level = 1 }, or { latch = 0xC000, mask = 0x03, value = 2 }'


def build_tested(draft: Draft) -> None:
    """Every ``[[tested]]`` that can be built; its part must be on the card, and be named once."""
    parts = dict.fromkeys(chip.designator for _, chip in draft.chips)
    parts |= dict.fromkeys(decoder.designator for _, decoder in draft.decoders)
    parts |= dict.fromkeys(buffer.designator for _, buffer in draft.buffers)
    parts |= dict.fromkeys(regulator.designator for regulator in draft.regulators)
    told: dict[str, str] = {}  # designator → the table that named it first
    for table, raw in draft.tables("tested"):
        row = draft.mistakes.check(table, TestedTable, raw, {"designator": "", "result": "good"})
        if row is None:
            continue
        if row.designator and row.designator not in parts:
            expected = f"a designator of this file{draft.mistakes.nearest(row.designator, parts)}"
            draft.mistakes.add(table, "designator", f'no part "{plain(row.designator)}"', expected)
        before = told.setdefault(row.designator, table)
        if before != table and row.designator:
            found = f'"{plain(row.designator)}" is already {before}'
            draft.mistakes.add(table, "designator", found, "one result a part")
        draft.tested.append((table, Tested(row.designator, row.result, row.how)))


def check_statements(draft: Draft, *, data_bits: int | None, address_bits: int | None) -> None:
    """Add the mistakes of statements that show when regions are seen together."""
    named = {region.name: region for _, region in draft.regions}
    with_parity = {one.region for _, one in draft.parity}
    for table, region in draft.regions:
        if region.mirror_of is not None:
            _check_mirror(draft, table, region, named, with_parity)
        if isinstance(region.when, LatchValue):
            _check_latch(draft, table, region.when, data_bits, address_bits)
        if region.write_protect and region.kind != "ram":
            draft.mistakes.add(table, "write_protect", f"in a region of kind {region.kind}", 'kind = "ram"')


def _check_mirror(
    draft: Draft, table: str, region: Region, named: Mapping[str, Region], with_parity: Collection[str]
) -> None:
    add = draft.mistakes.add
    base = named.get(str(region.mirror_of))
    if base is None:
        wanted = f"a region of this file{draft.mistakes.nearest(str(region.mirror_of), named)}"
        add(table, "mirror_of", f'no region "{plain(str(region.mirror_of))}"', wanted)
        return
    if base is region:
        add(table, "mirror_of", "the region itself", "another region")
    elif base.mirror_of is not None:
        add(table, "mirror_of", f'"{plain(base.name)}" is a mirror itself', f'mirror_of = "{plain(base.mirror_of)}"')
    if region.chips or region.name in with_parity:
        add(table, "chips", "chips in a mirror", f'none: they are those of "{plain(base.name)}"')
    if region.image is not None:
        add(table, "image", "an image in a mirror", f'none: it is that of "{plain(base.name)}"')
    if base.kind != region.kind:
        add(table, "kind", region.kind, f'{base.kind}, as "{plain(base.name)}" has it')
    for one, where in ((base, f'"{plain(base.name)}"'), (region, "the mirror")):
        size = one.end - one.start + 1
        if size > 0 and (size & (size - 1) or one.start % size):
            found = f"{where} is {size} addresses from 0x{one.start:X} on"
            add(table, "mirror_of", found, "a size that is a power of two, and a start that is a multiple of it")
    if region.size < base.size and region.size > 0:
        add(table, "mirror_of", f'{region.size} addresses, fewer than "{plain(base.name)}"', f"at least {base.size}")


def _check_latch(draft: Draft, table: str, latch: LatchValue, data_bits: int | None, address_bits: int | None) -> None:
    if address_bits is not None and latch.latch >> address_bits:
        top = (1 << address_bits) - 1
        draft.mistakes.add(table, "when.latch", f"0x{latch.latch:X} is outside the bus", f"0 to 0x{top:X}")
    if data_bits is not None and latch.mask >> data_bits:
        draft.mistakes.add(table, "when.mask", f"0x{latch.mask:X} is wider than the bus", f"D0-D{data_bits - 1}")
    if not latch.mask:
        draft.mistakes.add(table, "when.mask", "0, which no bit is", "the bits that count, such as 0x03")
    if latch.value & ~latch.mask:
        found = f"0x{latch.value:X}, with bits outside the mask 0x{latch.mask:X}"
        draft.mistakes.add(table, "when.value", found, "a value inside the mask")
