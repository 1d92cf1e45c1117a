"""A good board file gives the card; each mistake of the contract is named, all of them at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder.board import load_board
from busledger.decoder.errors import BoardError
from tests.board.card import GOOD, spoil

Write = Callable[[str], Path]


def _mistakes(path: Path, **known: object) -> list[str]:
    with pytest.raises(BoardError) as caught:
        load_board(path, **known)  # type: ignore[arg-type]
    return str(caught.value).splitlines()


def test_a_good_file_gives_the_whole_card(board_file: Write) -> None:
    board = load_board(board_file(GOOD), data_bits=8, address_bits=16, lines=["A0", "MREQ", "RD"])
    assert (board.name, board.bus, board.description) == (
        "Tide-gauge memory card",
        "z80",
        "two rows of 1K x 4 static RAM",
    )
    assert dict(board.wiring) == {"A0": "ch0", "MREQ": "probe 17"}
    assert [(r.name, r.start, r.end, r.kind, r.space, r.select) for r in board.regions] == [
        ("monitor", 0, 0x3FF, "rom", "memory", None),
        ("bank0", 0x4000, 0x43FF, "ram", "memory", "CS0"),
        ("bank1", 0x4400, 0x47FF, "ram", "memory", "CS1"),
        ("ports", 0, 0x0F, "io", "io", None),
    ]
    u1, u2 = board.regions[1].chips
    assert (u1.designator, u1.lanes, u1.grade, u1.access_ns, u1.row, u1.column) == (
        "U1",
        (0, 1, 2, 3),
        "450ns",
        450,
        1,
        2,
    )
    assert (u2.part and u2.part.name, u2.grade, u2.access_ns) == ("2114", "300ns", 300)  # from the marking 2114L-3
    assert board.regions[2].chips[0].lanes == (0, 1, 2, 3)
    assert board.regions[2].chips[1].lanes == (7, 6, 5, 4)


def test_decoders_and_buffers_carry_the_parts_own_pin_names(board_file: Write) -> None:
    board = load_board(board_file(GOOD))
    (decoder,) = board.decoders
    assert dict(decoder.inputs) == {"A": "A10", "B": "A11", "C": "A12", "G1": "A14", "G2A": "A15", "G2B": "MREQ"}
    assert dict(decoder.outputs) == {"Y0": "CS0", "Y1": "CS1"}
    data, address = board.buffers
    assert data.lanes == tuple(range(8)) and data.lines == ()
    assert data.direction and (data.direction.line, data.direction.level) == ("RD", 0)
    assert data.enable and (data.enable.line, data.enable.level) == ("CARD", 0)
    assert dict(data.far_side) == {"D0": "MD0", "D1": "MD1"}
    assert address.lines == tuple(f"A{i}" for i in range(8)) and address.lanes == ()
    assert address.serves == ("monitor", "bank0", "bank1", "ports")  # not said: all
    assert data.serves == ("bank0", "bank1")
    assert board.select_source(board.regions[2]) == (decoder, "Y1")
    assert set(board.lines()) >= {"CS0", "CS1", "A10", "MREQ", "CARD", "RD", "MD0", "A7"}
    assert len(set(board.lines())) == len(board.lines())


def test_active_low_marks_and_case_lead_to_the_same_line(board_file: Write) -> None:
    text = spoil(('Y1 = "CS1"', 'Y1 = "/cs1"'), ('G2B*" = "MREQ"', 'G2B*" = "mreq_n"'))
    board = load_board(board_file(text))
    assert board.decoders[0].outputs["Y1"] == "CS1"
    assert board.decoders[0].inputs["G2B"] == "MREQ"


def test_a_pin_may_be_tied_to_a_level(board_file: Write) -> None:
    board = load_board(board_file(spoil(('G1 = "A14"', "G1 = 1"))))
    assert dict(board.decoders[0].tied) == {"G1": 1}
    assert "G1" not in board.decoders[0].inputs


def test_a_region_without_chips_is_allowed(board_file: Write) -> None:
    board = load_board(board_file('[board]\nname="n"\nbus="6502"\n[[region]]\nname="r"\nstart=0\nend=9\nkind="ram"\n'))
    assert board.regions[0].chips == () and board.regions[0].size == 10


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            [("start  = 0x4400", "start  = 0x4300"), ("end    = 0x47FF", "end    = 0x46FF")],
            '[[region]] number 3 "bank1", start: 4300-46FF overlaps region "bank0" (4000-43FF) at 4300-43FF; expected',
        ),
        (
            [('"2114L-3", lanes = "D4-D7"', '"2114L-3", lanes = "D4-D6"')],
            '[[region]] number 2 "bank0", chips: no chip carries D7; expected a chip for each of D0-D7',
        ),
        (
            [('"2114L-3", lanes = "D4-D7"', '"2114L-3", lanes = "D3-D6"')],
            '[[region]] number 2 "bank0", chips: D3 has two chips (U1, U2); expected one chip a lane',
        ),
        (
            [("end    = 0x47FF", "end    = 0x4BFF")],
            '[[region]] number 3 "bank1", end: 2048 addresses (4400-4BFF), more than U3 (2114) holds; '
            "expected at most 1024, so end = 0x47FF",
        ),
        (
            [('"2708", lanes = "D0-D7"', '"2708", lanes = "D0-D8"')],
            '[[region]] number 1 "monitor", chips number 1 "U5", lanes: D0-D8: 9 lanes; expected at most 8',
        ),
        (
            [('"U4", part = "2114"', '"U4", part = "2141"')],
            '[[region]] number 3 "bank1", chips number 2 "U4", part: unknown part "2141"; expected a part of the '
            "library, such as ",
        ),
        (
            [('part      = "74LS245"', 'part      = "2114"')],
            '[[buffer]] number 1 "U10", part: 2114 is a memory part; expected a bus driver or latch',
        ),
        (
            [('Y1 = "CS1"', 'Y1 = "CS1", Y2 = "CS2"')],
            '[[decoder]] number 1 "U9", outputs.Y2: no region or other line uses "CS2"; expected a region\'s select',
        ),
        (
            [("end    = 0x43FF", "end    = 0x3FFF")],
            '[[region]] number 2 "bank0", end: 0x3FFF, before the start 0x4000; expected end at or after start',
        ),
        (
            [('inputs  = { A = "A10"', 'inputs  = { A = ""')],
            '[[decoder]] number 1 "U9", inputs.A: found ""; expected a line\'s name',
        ),
        (
            [('line = "CARD"', 'line = "my card"')],
            '[[buffer]] number 1 "U10", enable, line: found "my card", which cannot be a line name',
        ),
        (
            [('inputs  = { A = "A10"', 'inputs  = { A0 = "A9", A = "A10"')],
            '[[decoder]] number 1 "U9", inputs.A: pin A is named twice',
        ),
        (
            [('Y1 = "CS1"', 'Y1 = "CS1", Q1 = "CS0"')],
            '[[decoder]] number 1 "U9", outputs.Q1: no such pin among the outputs of part 74LS138; expected one of Y0',
        ),
        (
            [('Y1 = "CS1"', 'Y1 = "CS1", Y2 = "CS0"')],
            '[[decoder]] number 1 "U9", outputs.Y2: "CS0" is already driven by [[decoder]] number 1 "U9"',
        ),
        ([('name   = "bank1"', 'name   = "bank0"')], 'name: "bank0" is also the name of [[region]] number 2 "bank0"'),
        (
            [('designator = "U4"', 'designator = "U1"')],
            'chips number 2 "U1", designator: "U1" is also [[region]] number 2 "bank0", chips number 1 "U1"',
        ),
        (
            [('serves    = ["bank0", "bank1"]', 'serves    = ["bank0", "bnak1"]')],
            '[[buffer]] number 1 "U10", serves: no region "bnak1"; expected a region of this file; nearest: bank1',
        ),
        ([("to_cpu = 0", "to_cpu = 2")], '[[buffer]] number 1 "U10", direction, to_cpu: found 2; expected 0 or 1'),
        ([("active = 0", "active = true")], '[[buffer]] number 1 "U10", enable, active: found True; expected 0 or 1'),
        (
            [('kind   = "io"', 'kind   = "port"')],
            '[[region]] number 4 "ports", kind: found "port"; expected ram, rom or io',
        ),
        (
            [('space  = "io"', 'space  = "IO"')],
            '[[region]] number 4 "ports", space: found "IO"; expected memory, io or',
        ),
        ([("start  = 0x4400", 'start  = "4400"')], 'start: found "4400"; expected an address, such as 0x4000'),
        ([("start  = 0x4400", "startt = 0x4400")], "startt: no such key; expected one of"),
        ([("start  = 0x4400", "startt = 0x4400")], "start: the key is missing; expected an address"),
        ([('grade = "450ns"', 'grade = "451ns"')], 'grade: "451ns" is no grade of part 2114; expected 450ns, 300ns'),
        (
            [('lanes     = "D0-D7"', 'lanes     = "D0-Q7"')],
            '[[buffer]] number 1 "U10", lanes: found "D0-Q7" is no lane',
        ),
        ([('lanes     = "D0-D7"\n', "")], '"U10", lanes: neither lanes nor lines; expected lanes for a data driver'),
        ([('"74LS244"', '"8T97"')], '[[buffer]] number 2 "U11", lines: 8 lines; expected at most 6, the channels of'),
        ([("far_side  = { D0", "far_side  = { D9")], "far_side.D9: U10 does not carry it; expected one of D0"),
        ([('D0 = "MD0"', 'D0 = "D0"')], "far_side.D0: the line on the far side has the name of the near one"),
        ([("[[decoder]]", "[decoder]")], "[[decoder]]: found [decoder]; expected [[decoder]], in double brackets"),
        (
            [('[[buffer]]\ndesignator = "U11"', '[[bufer]]\ndesignator = "U11"')],
            "bufer: no such table; expected [board]",
        ),
        ([('bus  = "z80"', "")], "[board], bus: the key is missing; expected a profile's name, or the path of one"),
        ([('A0 = "ch0"', "A0 = 3")], "[wiring], A0: found 3; expected the name of a channel, in quotes"),
        ([('A0 = "ch0"', '"A 0" = "x"')], "[wiring], A 0: this cannot be a line's name"),
    ],
)
def test_each_mistake_says_where_what_and_what_was_expected(
    board_file: Write, changes: list[tuple[str, str]], said: str
) -> None:
    path = board_file(spoil(*changes))
    lines = _mistakes(path)
    hits = [line for line in lines if said in line]
    assert hits, lines
    assert hits[0].startswith(f"{path}, ") and "; expected " in hits[0]


def test_all_mistakes_come_at_once_one_a_line(board_file: Write) -> None:
    text = spoil(
        ("end    = 0x43FF", "end    = 0x3FFF"),
        ('kind   = "ram"\nselect = "CS1"', 'kind   = "rma"\nselect = "CS1"'),
        ('"U4", part = "2114"', '"U4", part = "2141"'),
        ('G1 = "A14"', 'G1 = ""'),
        ("to_cpu = 0", "to_cpu = 5"),
        ('serves    = ["bank0", "bank1"]', 'serves    = ["bank9"]'),
        ('bus  = "z80"', ""),
    )
    lines = _mistakes(board_file(text))
    keys = ("end:", "kind:", "part:", "inputs.G1:", "to_cpu:", "serves:", "bus:")
    assert sorted(next(k for k in keys if k in line) for line in lines) == sorted(keys)


def test_a_wrong_chip_does_not_also_miss_its_lanes(board_file: Write) -> None:
    lines = _mistakes(board_file(spoil(('"2114L-3", lanes = "D4-D7"', '"2114L-3", lanes = "4-7"'))))
    assert len(lines) == 1 and 'lanes: found "4-7" is no lane' in lines[0]


def test_what_the_profile_knows_is_held_against_the_file(board_file: Write) -> None:
    known = {"data_bits": 8, "address_bits": 15, "lines": ["MREQ", "RD", "WR", "A10", "A0"]}
    text = spoil(
        ('"G2B*" = "MREQ"', '"G2B*" = "MERQ"'),
        ('MREQ = "probe 17"', 'MRQE = "probe 17"'),
        ("end    = 0x0F", "end    = 0xFFFF"),
        ('part      = "74LS245"\nlanes     = "D0-D7"', 'part      = "74LS245"\nlanes     = "D8-D15"'),
        ('{ D0 = "MD0", D1 = "MD1" }', "{}"),
    )
    lines = _mistakes(board_file(text), **known)
    for said in (
        'inputs.G2B: unknown line "MERQ"; expected a line of the bus or of this board, such as MREQ',
        "[wiring], MRQE: unknown line; expected a line of the bus or of this board; nearest: MREQ",
        '[[region]] number 4 "ports", end: 0xFFFF is outside the bus; expected 0 to 0x7FFF (15 address lines)',
        '[[buffer]] number 1 "U10", lanes: D15 is outside the bus; expected D0-D7',
        'inputs.G2A: unknown line "A15"; expected A0-A14 on this bus',
    ):
        assert any(said in line for line in lines), (said, lines)


def test_two_regions_of_a_wide_bus_may_share_addresses_in_different_bytes(board_file: Write) -> None:
    text = """
[board]
name = "Loom card"
bus = "68000"
[[region]]
name = "even"
start = 0x0000
end = 0x0FFF
kind = "ram"
chips = [{ designator = "U1", part = "6116", lanes = "D8-D15" }]
[[region]]
name = "odd"
start = 0x0000
end = 0x0FFF
kind = "ram"
chips = [{ designator = "U2", part = "6116", lanes = "D0-D7" }]
"""
    board = load_board(board_file(text), data_bits=16, address_bits=24)
    assert [r.lanes for r in board.regions] == [tuple(range(8, 16)), tuple(range(8))]
    wrong = _mistakes(board_file(text.replace('lanes = "D8-D15"', 'lanes = "D0-D7"')), data_bits=16)
    assert any("overlaps" in line for line in wrong)
    deep = _mistakes(board_file(text.replace("end = 0x0FFF", "end = 0x1FFF")), data_bits=16)
    assert sum("more than" in line and "at most 4096" in line for line in deep) == 2


def test_two_halves_of_one_package_may_stand_in_two_tables(board_file: Write) -> None:
    text = spoil(
        ('part    = "74LS138"', 'part    = "74LS139"'),
        (
            'inputs  = { A = "A10", B = "A11", C = "A12", G1 = "A14", "/G2A" = "A15", "G2B*" = "MREQ" }',
            'inputs  = { 1A = "A10", 1B = "A11", 1G = "HALF" }',
        ),
        (
            'outputs = { Y0 = "CS0", Y1 = "CS1" }',
            'outputs = { 1Y0 = "CS0", 1Y1 = "CS1" }\n[[decoder]]\ndesignator = "U9"\npart = "74LS139"\n'
            'inputs = { 2A = "A12", 2G = "MREQ" }\noutputs = { 2Y0 = "HALF" }',
        ),
    )
    board = load_board(board_file(text))
    assert [d.designator for d in board.decoders] == ["U9", "U9"]


def test_the_contents_of_a_prom_come_from_the_board_file(board_file: Write) -> None:
    text = spoil(
        ('part    = "74LS138"', 'part    = "82S129"\ntable = [1, 2, 3, 0]'),
        (
            'inputs  = { A = "A10", B = "A11", C = "A12", G1 = "A14", "/G2A" = "A15", "G2B*" = "MREQ" }',
            'inputs  = { A0 = "A10", A1 = "A11" }',
        ),
        ('outputs = { Y0 = "CS0", Y1 = "CS1" }', 'outputs = { O1 = "CS0", O2 = "CS1" }'),
    )
    part = load_board(board_file(text)).decoders[0].part
    assert (part.kind, part.inputs, part.outputs) == ("prom", ("A0", "A1"), ("O1", "O2"))
    assert part.lookup.tolist() == [1, 2, 3, 0]
    short = _mistakes(board_file(text.replace("[1, 2, 3, 0]", "[1, 2, 3]")))
    assert "table: 3 entries; expected 4, for 2 inputs" in short[0]
    large = _mistakes(board_file(text.replace("[1, 2, 3, 0]", "[1, 2, 4, 0]")))
    assert "table: the entry 4; expected at most 3, for 2 outputs" in large[0]


def test_a_prom_may_come_from_an_image(board_file: Write) -> None:
    text = spoil(
        ('part    = "74LS138"', 'part    = "82S129"\nimage = "prom.bin"\nimage_offset = 1'),
        (
            'inputs  = { A = "A10", B = "A11", C = "A12", G1 = "A14", "/G2A" = "A15", "G2B*" = "MREQ" }',
            'inputs  = { A0 = "A10", A1 = "A11" }',
        ),
        ('outputs = { Y0 = "CS0", Y1 = "CS1" }', 'outputs = { O1 = "CS0", O2 = "CS1" }'),
    )
    path = board_file(text)
    path.with_name("prom.bin").write_bytes(bytes([9, 0xFD, 0xFE, 0xFF, 0x00]))
    assert load_board(path).decoders[0].part.lookup.tolist() == [1, 2, 3, 0]
    path.with_name("prom.bin").write_bytes(bytes([9, 0xFD, 0xFE, 0xFF]))
    assert "image: 3 entries; expected 4, for 2 inputs" in _mistakes(path)[0]
