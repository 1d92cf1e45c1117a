"""The program beside the cycles in the browser, on the bundled cut of an independent Z80 core."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.decoder.pipeline import Request, open_session
from busledger.decoder.program.following import Symbols
from busledger.decoder.store import StoreCache
from busledger.tui.program import ProgramView
from busledger.tui.source import StoreSource
from busledger.tui.widgets.cycle_list import heading, program_line

CUT = Path(__file__).parents[1] / "external" / "data" / "signal_lamp_cut.vcd.xz"


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    session = open_session(Request(capture=CUT, profile="z80"), cache=StoreCache(tmp_path_factory.mktemp("cache")))
    return StoreSource(session.store)


def first(source, address):
    return next(n for n in range(source.total) if source.cycles.address[n] == address)


def test_each_line_shows_its_part(source):
    view = ProgramView(source)
    load = first(source, 0x000F) + 1  # behind the JR NZ that stands at 000E
    beside = [view.beside(n) for n in range(load - 2, load)]
    assert beside == ["JR NZ,0009H", "  ·"]
    row = source.row(load - 2)
    text = "".join(segment.text for segment in program_line(row, source, False, view.beside(load - 2)))
    assert text.endswith("JR NZ,0009H")
    assert heading(16, 8, program=True).index("instruction") == text.index("JR NZ")


def test_the_whole_instruction_in_one_sentence(source):
    view = ProgramView(source, Symbols([("FILL", 9)]))
    write = next(n for n in range(20, source.total) if source.cycles.kind[n] == 1)
    assert view.sentence(write) == view.sentence(write - 1)
    assert view.sentence(write).startswith(f"#{write - 1} 77  LD (HL),A, in FILL+3, writes ")
    assert view.name(write) == "LD (HL),A, in FILL+3"
    jump = first(source, 0x000F) - 1
    assert view.beside(jump) == "JR NZ,FILL"


def test_folded_a_line_an_instruction(source):
    view = ProgramView(source)
    *_, (total, rows) = view.folded_rows()
    assert total == source.total
    heads = [n for n in rows.tolist() if view.beside(n)]
    # The core's fetch line marks exactly them: the cut has no prefixes, no interrupt and no other master.
    assert heads == [n for n in range(source.total) if source.cycles.kind[n] == 2]
    view.folded = True
    write = next(n for n in range(20, source.total) if source.cycles.kind[n] == 1)
    address, data = int(source.cycles.address[write]), int(source.cycles.data[write])
    assert view.beside(write - 1) == f"LD (HL),A  w {address:04X}={data:02X}"


def test_stretches_join(source):
    """Whatever is looked at first, a line says the same."""
    middle = source.total // 2
    rows = range(middle - 50, middle + 50)
    forwards = ProgramView(source)
    backwards = ProgramView(source)
    assert [forwards.beside(n) for n in rows] == [backwards.beside(n) for n in reversed(rows)][::-1]
