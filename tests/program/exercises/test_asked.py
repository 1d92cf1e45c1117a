"""What cannot be had is said in one message: which, where, and what would do."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from busledger.captures_demo import scenario_list
from busledger.decoder.board import load_board
from busledger.decoder.errors import UsageError
from busledger.decoder.program import Asked, Program, program_for

BOARD = """
[board]
name = "signal-box memory"
bus = "{bus}"

[[region]]
name = "monitor"
start = {rom:#x}
end = {rom_end:#x}
kind = "rom"

[[region]]
name = "bank0"
start = 0x4000
end = 0x43FF
kind = "ram"

[[region]]
name = "bank1"
start = 0x4400
end = 0x47FF
kind = "ram"

[[region]]
name = "low"
start = 0x0800
end = 0x0BFF
kind = "ram"

[[region]]
name = "lamps"
start = 0x9000
end = 0x900F
kind = "io"
"""


@pytest.fixture
def program(tmp_path):
    def make(bus: str = "z80", clock_hz: float = 1e6, **asked: object) -> Program:
        low = bus in ("z80", "8085", "8080")
        path = tmp_path / "card.toml"
        path.write_text(BOARD.format(bus=bus, rom=0 if low else 0xF800, rom_end=0x7FF if low else 0xFFFF))
        return program_for(load_board(path), Asked(**asked), clock_hz)  # type: ignore[arg-type]

    return make


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "nothing says where the program is to lie; expected --origin ADDRESS"),
        ({"origin": 0x4010, "regions": ("bank0",)},
         "the program itself (4010-4064) lies inside the tested range 4000-43FF"),
        ({"origin": 0x3FF0, "regions": ("bank0",)}, "(3FF0-4044) lies inside the tested range"),
        ({"origin": 0x0100}, "the program would lie in monitor, which is rom"),
        ({"origin": 0x47F0, "regions": ("bank0",)}, "bank1 ends at 47FF; expected an --origin of at most 47AB"),
        ({"origin": 0x4400, "regions": ("bank0", "nowhere")}, "the board file has no region 'nowhere'"),
        ({"origin": 0x4400, "regions": ("bnak0",)}, "Did you mean bank0?"),
        ({"origin": 0x4400, "regions": ("lamps",)},
         "lamps cannot be tested by writing to it: the board file says it is io"),
        ({"origin": 0x4400, "regions": ("monitor",)}, "the board file says it is rom"),
        ({"origin": 0x4400, "regions": ("3F00-40FF",)},
         "no RAM of the board file answers at 3F00, which 3F00-40FF takes in"),
        ({"origin": 0x0800, "regions": ("4000-48FF",)}, "no RAM of the board file answers at 4800"),
        ({"origin": 0x4400, "regions": ("40FF-4000",)}, "the range 40FF-4000 ends before it starts"),
        ({"origin": 0x4400, "processor": "6809"}, "the board's bus is z80, which a 6809 does not drive"),
        ({"origin": 0x4400, "processor": "z8O"}, "there are no templates for a processor 'z8O'"),
        ({"origin": 0x4400, "test": "gallop"}, "there is no test 'gallop'; expected one of march-c, march-y"),
        ({"origin": 0x12345}, "--origin is 12345, beyond what a Z80 can address"),
        ({"origin": 0xFFF0}, "the program would end at 10077, beyond the last address FFFF"),
        ({"origin": 0x4400, "output": 0x4123, "regions": ("bank0",)}, "the monitor's routine (4123) lies inside"),
        ({"origin": 0x4400, "passes": 300}, "300 passes are asked for; expected 1 to 255"),
        ({"origin": 0x4400, "on_failure": "go-on", "stack": 0x43FF, "regions": ("bank0",)},
         "there is no room for the stack: it lies at 43C0-43FF, inside the tested range"),
        ({"origin": 0x4790, "on_failure": "go-on", "regions": ("bank0",)}, "there is no room for the stack"),
        ({"origin": 0x4400, "on_failure": "go-on", "stack": 0x4450, "regions": ("bank0",)},
         "would grow into the program"),
        ({"origin": 0x4400, "rom_size": 2048}, "--origin and --reset-rom were both given"),
        ({"rom_size": 2000}, "no EPROM has 2000 bytes"),
        ({"rom_size": 1024}, "does not fit monitor, which has 2048 bytes at 0000-07FF; expected --reset-rom 2048"),
        ({"rom_size": 4096}, "does not fit monitor, which has 2048 bytes at 0000-07FF; expected --reset-rom 2048"),
        ({"rom_size": 2048, "output": 0x100}, "no monitor to print through"),
        ({"rom_size": 2048, "passes": 3}, "without RAM nothing can count passes"),
        ({"origin": 0x4400, "test": "retention", "pause_s": 900.0}, "longer than the loop can count; expected --pause"),
    ],
)  # fmt: skip
def test_z80(program, asked, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        program(**asked)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"origin": 0x00E0, "regions": ("bank0",)}, "lies over the RAM that its loops need, 00F0-00F3"),
        ({"origin": 0x4400, "regions": ("bank0",), "scratch": 0x4410},
         "--scratch is 4410, out of the reach of the loops of a 6502; expected 0000 to 00FC"),
        ({"rom_size": 256}, "does not fit monitor"),
    ],
)  # fmt: skip
def test_6502(program, asked, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        program("6502", **asked)


@pytest.fixture
def zero_page(tmp_path):
    """A board whose region "low" holds the zero page and the stack of a 6502."""
    path = tmp_path / "zero.toml"
    text = BOARD.format(bus="6502", rom=0xF800, rom_end=0xFFFF)
    path.write_text(text.replace("0x0800", "0x0000").replace("0x0BFF", "0x03FF"))
    return load_board(path)


def test_the_stack_of_a_6502_cannot_be_tested_by_a_program_that_calls(zero_page):
    low = {"origin": 0x4000, "regions": ("low",)}
    with pytest.raises(
        UsageError, match=re.escape("no room for the stack: it lies at 0100-01FF, inside the tested")
    ) as said:
        program_for(zero_page, Asked(**low, on_failure="go-on"), 1e6)
    assert "expected --regions 0000-00FF,0200-03FF." in str(said.value)
    parted = Asked(0x4000, regions=("0000-00FF,0200-03FF",), on_failure="go-on")
    assert program_for(zero_page, parted, 1e6).stack == (0x100, 0x1FF)
    # Without calls it can, and without the zero page that it would else keep its place in.
    made = program_for(zero_page, Asked(**low), 1e6)
    assert (made.stack, made.scratch, made.layout) == (None, None, "page by page")


def test_an_image_that_does_not_fit_is_told(zero_page):
    with pytest.raises(UsageError, match=r"the test takes \d+ bytes, but an EPROM of 1024 bytes has room for 1018"):
        board = replace(zero_page, regions=zero_page.regions[1:])
        program_for(board, Asked(rom_size=1024, test="march-y", on_failure="loop"), 1e6)


def test_several_processors_on_one_bus_are_asked_for(program):
    with pytest.raises(UsageError, match="several processors drive the bus ieee696; expected --processor 8080 or z80"):
        program("ieee696", origin=0x4400)
    assert program("ieee696", origin=0x4400, processor="8080").wanted.processor.name == "8080"
    assert program("z80", origin=0x4400, processor="8080").wanted.processor.name == "8080"
    assert program("8085", origin=0x4400).wanted.processor.name == "8080"


def test_a_bus_without_templates_is_told(program):
    with pytest.raises(UsageError, match="no templates for a processor on the bus scmp"):
        program("scmp", origin=0x4400)


def test_an_image_larger_than_the_monitors_socket_is_refused(program, tmp_path):
    path = tmp_path / "small.toml"
    path.write_text(BOARD.format(bus="z80", rom=0, rom_end=0x3FF))
    with pytest.raises(UsageError, match=re.escape("does not fit monitor, which has 1024 bytes at 0000-03FF")):
        program_for(load_board(path), Asked(rom_size=2048), 1e6)


def test_all_ram_but_the_programs_own_is_tested_joined_where_it_touches(program):
    assert program(origin=0x0800).wanted.ranges == ((0x4000, 0x47FF),)
    assert program(origin=0x4400).wanted.ranges == ((0x0800, 0x0BFF), (0x4000, 0x43FF))
    assert program(origin=0x2000).wanted.ranges == ((0x0800, 0x0BFF), (0x4000, 0x47FF))
    assert program(origin=0x2000, regions=("bank1", "4000-40FF")).wanted.ranges == ((0x4000, 0x40FF), (0x4400, 0x47FF))


BOARDS = Path(scenario_list.__file__).parent


@pytest.mark.parametrize("name", sorted({one.name for one in scenario_list.SCENARIOS if (BOARDS / one.name).is_dir()}))
def test_every_bundled_board_has_a_program_and_an_eprom(name):
    board = load_board(BOARDS / name / "board.toml")
    for asked in (Asked(origin=0xC000), Asked(rom_size=2048)):
        program = program_for(board, asked, 1e6)
        assert {(r.start, r.end) for r in board.regions if r.kind == "ram"}
        assert sum(b - a + 1 for a, b in program.wanted.ranges) == sum(r.size for r in board.regions if r.kind == "ram")
