"""A test as fragments in order: loops over the ranges, what happens at a failure, the end of a pass.

Every layout of the processor is tried with branches near and far, and with or without loops that do two elements;
the shortest program is taken.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise, product

from busledger.decoder.errors import UsageError
from busledger.decoder.program.exercises.columns import Program, Range, Wanted
from busledger.decoder.program.exercises.library import layouts_of
from busledger.decoder.program.exercises.notation import Element, elements_of, turned_pairs
from busledger.decoder.program.exercises.rows import OutOfReach, Row, parse_fragment
from busledger.decoder.program.exercises.schema import LayoutFile
from busledger.decoder.program.exercises.sheet import Scope, Sheet

__all__ = ["PAGE", "make_program"]

PAGE = 256
_STACK_BYTES = 64  # a few calls of ours, and what the monitor's routine needs
_WALKS = 8
_WITHOUT = dict.fromkeys(("mark", "print", "helpers"), "way to print through a monitor")
_SEGMENT = 4  # bits by which a segment register's figure is short of an address


class _Missing(Exception):  # noqa: N818 - not an error: another layout is tried
    """The layout has no such fragment."""


def make_program(wanted: Wanted) -> Program:
    """The shortest program that the processor's templates give.

    Raises
    ------
    UsageError
        the templates cannot do what is asked.
    """
    made: list[Program] = []
    missing: set[str] = set()
    for layout, near, paired in product(layouts_of(wanted.processor), (True, False), (True, False)):
        if not _suits(layout, wanted):
            continue
        try:
            made.append(_Composer(wanted, layout, near, paired).program())
        except OutOfReach:
            continue
        except _Missing as error:
            missing.add(str(error))
    if made:
        return min(made, key=lambda program: len(program.data))
    how = "without RAM " if wanted.rom else ""
    raise UsageError(
        f"the templates of the {wanted.processor.title} cannot do {wanted.test.name} {how}as asked "
        f"(there is no {' or '.join(sorted(missing)) or 'layout for these ranges'})",
        expected="another --test, --on-failure or --regions, or no --output",
    )


def _suits(layout: LayoutFile, wanted: Wanted) -> bool:
    if wanted.on_failure not in layout.on_failure:
        return False
    if layout.pages and any(first % PAGE or (last + 1) % PAGE for first, last in wanted.ranges):
        return False
    if not layout.needs_ram:
        return True
    last = wanted.scratch + layout.scratch_bytes - 1
    tested = any(wanted.scratch <= end and last >= start for start, end in wanted.ranges)
    return not (wanted.rom or tested)


@dataclass
class _Composer:
    wanted: Wanted
    layout: LayoutFile
    near: bool
    paired: bool

    def program(self) -> Program:
        """Raises OutOfReach or _Missing where this layout cannot."""
        self._sheet = Sheet(self.wanted.processor)
        self._common = self._figures()
        self._test()
        self._failure()
        self._places()
        sheet, wanted = self._sheet, self.wanted
        if self._has("stack") and wanted.calls:
            end = wanted.origin + sheet.size - 1
            # Even: some processors want it so.
            top = end + _STACK_BYTES & ~1 if wanted.stack is None else wanted.stack
            self._common["stack"] = top
            stack: Range | None = (top - _STACK_BYTES + 1, top)
        else:
            page = wanted.processor.stack_page
            stack = (page, page + PAGE - 1) if wanted.calls and page is not None else None
        lines = sheet.lines(wanted.origin)
        scratch = None
        if self.layout.scratch:
            scratch = (wanted.scratch, wanted.scratch + self.layout.scratch_bytes - 1)
            sheet.labels.update({name: wanted.scratch + at for name, at in self.layout.scratch.items()})
        elements = elements_of(wanted.test.elements)
        return Program(
            wanted, wanted.origin, lines, dict(sheet.labels), sheet.clocks, self._common["pauses"],
            sum(1 for element in elements if not element.ops), self.layout.name, stack, scratch,
        )  # fmt: skip

    # -- parts ------------------------------------------------------------------
    def _figures(self) -> dict[str, int]:
        wanted = self.wanted
        waits = any(not element.ops for element in elements_of(wanted.test.elements))
        pauses = math.ceil(wanted.pause_s * wanted.clock_hz / wanted.processor.pause_clocks) if waits else 0
        if pauses > wanted.processor.most_pauses:
            most = wanted.processor.most_pauses * wanted.processor.pause_clocks / wanted.clock_hz
            raise UsageError(f"a wait of {wanted.pause_s:g} s is longer than the loop can count",
                             expected=f"--pause of at most {most:.0f} s")  # fmt: skip
        value = 1 if wanted.test.walk else 0
        figures = {
            "v0": value,
            "v1": value ^ 0xFF,
            "v01": value << 8 | (value ^ 0xFF),
            "v10": (value ^ 0xFF) << 8 | value,
            "pauses": pauses,
            "passes": wanted.passes or 0,
        }
        figures |= {name: wanted.scratch + at for name, at in self.layout.scratch.items()}
        if wanted.output is not None:
            figures["output"] = wanted.output
        if wanted.back is not None:
            figures |= {"back": wanted.back, "backseg": wanted.back >> _SEGMENT & 0xF000}
        return figures

    def _has(self, name: str) -> bool:
        return name in self.layout.fragment

    def _rows(self, name: str) -> tuple[Row, ...]:
        if not self._has(name):
            raise _Missing(_WITHOUT.get(name, f"'{name}'"))
        return parse_fragment(self.layout.fragment[name])

    def _put(self, name: str, *, times: int = 1) -> None:
        self._sheet.put(self._rows(name), self._common, times=times)

    def _test(self) -> None:
        wanted, test, sheet = self.wanted, self.wanted.test, self._sheet
        sheet.label("START", sheet.labels)
        self._put("begin", times=0)
        if wanted.calls and self._has("stack"):
            self._put("stack", times=0)
        if wanted.calls and self._has("call_begin"):
            self._put("call_begin", times=0)
        if wanted.passes is not None and wanted.passes > 1:
            self._put("passes_begin", times=0)
        sheet.label("PASS", sheet.labels)
        if self._has("pass_open"):
            self._put("pass_open")
        if not test.data:
            self._put("value")
        if test.walk:
            sheet.label("ROUND", sheet.labels)
        elements = elements_of(test.elements)
        turn = self.paired and not (test.data or test.walk) and self._has("flip")
        rounds = _WALKS if test.walk else 1
        for group in turned_pairs(elements) if turn else [(element,) for element in elements]:
            pair: Scope = {}
            sheet.label("again", pair)
            self._element(group, pair, rounds * len(group))
            if len(group) == 2:
                sheet.put(self._rows("flip"), self._common, scopes=(pair,), times=2)
        if test.walk:
            self._put("next_value", times=rounds)
        if wanted.output is not None:
            self._put("mark")
        if wanted.passes is None:
            self._put("forever")
            return
        if wanted.passes > 1:
            self._put("passes_end")
        self._put("done" if wanted.back is None else "back", times=0)

    def _element(self, group: tuple[Element, ...], pair: Scope, times: int) -> None:
        element = group[0]
        if not element.ops:
            self._put("pause")
            return
        way = "down" if element.down else "up"
        words = (("element", ", then ".join(one.text for one in group)),)
        pieces = self._pieces()
        for first, last in reversed(pieces) if element.down else pieces:
            figures = {
                **self._common, "first": first, "last": last, "after": last + 1, "before": first - 1,
                "count": last + 1 - first, "page": first & ~(PAGE - 1),
                "segment": first >> _SEGMENT & 0xF000,
                "sum": first + (first >> 8), "other": 0x55 if first & 1 else 0xAA,
            }  # fmt: skip
            loop: Scope = {}
            cells = times * (last + 1 - first)
            self._sheet.put(self._rows(f"{way}_open"), figures, scopes=(loop, pair), words=words, times=times)
            data = self.wanted.test.data
            if data and self._has(f"{data}_open"):
                self._sheet.put(self._rows(f"{data}_open"), figures, times=times)
            self._sheet.label("loop", loop)
            if self._has(f"{way}_next"):
                self._in_loop(self._rows(f"{way}_next"), figures, loop, cells)
            if data:
                self._in_loop(self._rows(data), figures, loop, cells)
            for op in element.ops:
                self._in_loop(self._op(op), figures, loop, cells)
            self._in_loop(self._rows(f"{way}_close"), figures, loop, cells)

    def _in_loop(self, rows: tuple[Row, ...], figures: Mapping[str, int], loop: Scope, cells: int) -> None:
        self._sheet.put(rows, figures, scopes=(loop,), times=cells)

    def _pieces(self) -> list[Range]:
        piece = self.layout.piece
        if piece is None:
            return list(self.wanted.ranges)
        cut = []
        for first, last in self.wanted.ranges:
            edges = [first, *range(first - first % piece + piece, last + 1, piece), last + 1]
            cut += [(low, high - 1) for low, high in pairwise(edges)]
        return cut

    def _op(self, op: str) -> tuple[Row, ...]:
        """The rows of one operation, in the way that the failure is to be met."""
        ways = self.layout.op[op]
        if op[0] == "w":
            return parse_fragment(ways["plain"])
        plain = ("near", "far") if self.near else ("far",)
        wanted = self.wanted
        match (wanted.rom, wanted.on_failure):
            case (True, "go-on"):
                asked: tuple[str, ...] = ("blind",)
            case (True, "stop"):
                asked = ("rom_stop", *plain)
            case (False, "go-on"):
                asked = ("call",)
            case (_, "loop"):
                asked = ("loop",) if "loop" in ways else plain
            case _:
                asked = plain
        for way in asked:
            if way in ways:
                return parse_fragment(ways[way])
        raise _Missing(f"way to read with '{asked[0]}'")

    def _failure(self) -> None:
        wanted, sheet = self.wanted, self._sheet
        ends = {"stop": "stop" if wanted.back is None else "back", "go-on": "go", "loop": "loop"}
        if wanted.rom:
            if sheet.asks("FAIL1") and self._has("rom_fail1"):
                self._put("rom_fail1", times=0)
            if sheet.asks("FAIL0") or sheet.asks("FAIL1"):
                self._put("rom_loop" if wanted.on_failure == "loop" else "rom_stop", times=0)
            return
        if sheet.asks("FAIL1"):
            self._put("fail1", times=0)
        if sheet.asks("FAIL0") or sheet.asks("RECORD"):
            self._put("fail0", times=0)
            if wanted.output is not None:
                around = wanted.on_failure == "go-on"
                for name in ("save", "print", "restore") if around else ("print",):
                    self._put(name, times=0)
            self._put(f"fail_{ends[wanted.on_failure]}", times=0)
        if wanted.output is not None:
            self._put("helpers", times=0)

    def _places(self) -> None:
        """Bytes for what failed and for the passes left, behind the program."""
        wanted, sheet = self.wanted, self._sheet
        rows = []
        if not wanted.rom and sheet.asks("FADDR") and "FADDR" not in self.layout.scratch:
            order = "low byte first" if wanted.processor.word_order == "low first" else "high byte first"
            rows += [
                Row("FADDR", (0,) * wanted.processor.address_bytes, "", 0, f"where it failed, {order}"),
                Row("FWROTE", (0,), "", 0, "what was written there"),
                Row("FREAD", (0,), "", 0, "read: as written = nothing failed"),
            ]
        if sheet.asks("FSEG"):
            rows.append(Row("FSEG", (0, 0), "", 0, "its segment, low byte first"))
        if sheet.asks("PLACE"):
            rows.append(Row("PLACE", (0, 0), "", 0, "the address, to look at its halves"))
        if sheet.asks("PASSES"):
            rows.append(Row("PASSES", (0,), "", 0, "passes left"))
        if rows and wanted.rom:
            raise _Missing("way to do it in registers alone")
        sheet.put(rows, self._common, times=0, code=False)
