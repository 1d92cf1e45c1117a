"""Decoders, gates, drivers and latches against what their data sheets print, all rows.

Sources: IN74LS138 function table; National 54LS138/139 (TL/F/6391, June 1989); Intel 8205; TI, The
TTL Data Book: SN7442A, SN74154, SN74155/156, gates, SN74LS365A-368A, SN74LS640-645 (from memory);
Motorola FAST and LS TTL Data pp. 5-387, 5-388 (240/241/244), 5-398 (245), 5-521 (373/374); National
DP8216/8226 (TL/F/8753, June 1990); NTE 6880/6889 and 6885-6888 sheets; Intel 8282/8283, 8286/8287
(from memory).

Where both tables are from memory, their agreement shows that nothing was mistyped, not what the sheet says.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np
import pytest

from busledger.decoder.board import BufferPart, DecoderPart, parts

Levels = dict[str, int]


def _logic(name: str) -> DecoderPart:
    part = parts().get(name)
    assert isinstance(part, DecoderPart)
    return part


def _all_rows(part: DecoderPart) -> list[tuple[Levels, Levels]]:
    """Every combination of input levels with the outputs the library gives."""
    inputs = np.array(list(product((0, 1), repeat=len(part.inputs))), np.uint8)
    words = part.lookup[inputs.astype(np.intp) @ (1 << np.arange(len(part.inputs)))]
    outputs = words[:, None] >> np.arange(len(part.outputs)) & 1
    return [
        (dict(zip(part.inputs, map(int, i), strict=True)), dict(zip(part.outputs, map(int, o), strict=True)))
        for i, o in zip(inputs, outputs, strict=True)
    ]


def _one_low(outputs: list[str], selected: int | None) -> Levels:
    return {name: int(k != selected) for k, name in enumerate(outputs)}


def _y(n: int, before: str = "Y") -> list[str]:
    return [f"{before}{i}" for i in range(n)]


def _3_to_8(x: Levels) -> Levels:
    """G1 high, G2A and G2B low: Yn low for n = CBA; otherwise all high (TL/F/6391; IN74LS138)."""
    on = x["G1"] == 1 and x["G2A"] == 0 and x["G2B"] == 0
    return _one_low(_y(8), x["C"] * 4 + x["B"] * 2 + x["A"] if on else None)


def _8205(x: Levels) -> Levels:
    """E1 and E2 low, E3 high: output n low for n = A2 A1 A0 (Intel 8205)."""
    on = not x["E1"] and not x["E2"] and x["E3"]
    return _one_low(_y(8, "O"), x["A2"] * 4 + x["A1"] * 2 + x["A0"] if on else None)


def _bcd(x: Levels) -> Levels:
    """Output n low for n = DCBA from 0 to 9; all high for the invalid codes (SN7442A)."""
    n = x["D"] * 8 + x["C"] * 4 + x["B"] * 2 + x["A"]
    return _one_low(_y(10), n if n <= 9 else None)


def _dual_2_to_4(x: Levels) -> Levels:
    """Each half: G low enables, Yn low for n = BA (TL/F/6391)."""
    out: Levels = {}
    for h in "12":
        out |= _one_low([f"{h}Y{i}" for i in range(4)], None if x[f"{h}G"] else x[f"{h}B"] * 2 + x[f"{h}A"])
    return out


def _4_to_16(x: Levels) -> Levels:
    """G1 and G2 low: Yn low for n = DCBA (SN74154)."""
    n = x["D"] * 8 + x["C"] * 4 + x["B"] * 2 + x["A"]
    return _one_low(_y(16), None if x["G1"] or x["G2"] else n)


def _common_selects(x: Levels) -> Levels:
    """Half 1: 1G low and 1C high; half 2: 2G low and 2C low; Yn low for n = BA (SN74155/156)."""
    n = x["B"] * 2 + x["A"]
    first = n if not x["1G"] and x["1C"] else None
    second = n if not x["2G"] and not x["2C"] else None
    return _one_low([f"1Y{i}" for i in range(4)], first) | _one_low([f"2Y{i}" for i in range(4)], second)


DECODERS: dict[str, Callable[[Levels], Levels]] = {
    "74LS42": _bcd,
    "74LS138": _3_to_8,
    "8205": _8205,
    "74LS139": _dual_2_to_4,
    "74LS154": _4_to_16,
    "74LS155": _common_selects,
    "74LS156": _common_selects,
}


@pytest.mark.parametrize("name", DECODERS)
def test_every_row_of_a_decoder_is_the_sheets(name: str) -> None:
    for inputs, outputs in _all_rows(_logic(name)):
        assert outputs == DECODERS[name](inputs), inputs


def _nand(*x: int) -> int:
    return int(not all(x))


def _nor(*x: int) -> int:
    return int(not any(x))


GATES: dict[str, tuple[int, int, Callable[..., int], bool]] = {
    # gates a package, inputs a gate, function, open collector
    "74LS00": (4, 2, _nand, False),
    "74LS02": (4, 2, _nor, False),
    "74LS03": (4, 2, _nand, True),
    "74LS04": (6, 1, _nand, False),
    "74LS05": (6, 1, _nand, True),
    "74LS08": (4, 2, lambda *x: int(all(x)), False),
    "74LS09": (4, 2, lambda *x: int(all(x)), True),
    "74LS10": (3, 3, _nand, False),
    "74LS20": (2, 4, _nand, False),
    "74LS27": (3, 3, _nor, False),
    "74LS30": (1, 8, _nand, False),
    "74LS32": (4, 2, lambda *x: int(any(x)), False),
}


@pytest.mark.parametrize("name", GATES)
def test_every_row_of_a_gate_is_the_function_it_is_named_for(name: str) -> None:
    part = _logic(name)
    count, width, function, open_collector = GATES[name]
    prefixes = [str(i) for i in range(1, count + 1)] if count > 1 else [""]
    assert part.kind == "gate" and part.open_collector is open_collector
    assert part.outputs == tuple(f"{p}Y" for p in prefixes)
    for inputs, outputs in _all_rows(part):
        for p in prefixes:
            assert outputs[f"{p}Y"] == function(*(inputs[f"{p}{letter}"] for letter in "ABCDEFGH"[:width]))


def test_the_second_tables_cover_every_decoder_and_gate() -> None:
    found = {part.name for part in parts() if isinstance(part, DecoderPart) and part.kind != "prom"}
    assert found == {*DECODERS, *GATES, "74LS280"}


def test_a_parity_chip_counts_its_nine_inputs() -> None:
    """SN74LS280, from memory: EVEN is high for 0, 2, 4, 6, 8 high inputs, ODD for the others."""
    part = _logic("74LS280")
    assert part.inputs == tuple("ABCDEFGHI")
    for inputs, outputs in _all_rows(part):
        odd = sum(inputs.values()) % 2
        assert outputs == {"EVEN": 1 - odd, "ODD": odd}


@pytest.mark.parametrize(
    ("name", "address", "outputs", "open_collector"),
    # Signetics bipolar PROM data sheets, from memory: words x bits, and which are open collector
    [("82S123", 5, 8, False), ("82S23", 5, 8, True), ("82S129", 8, 4, False), ("82S126", 8, 4, True),
     ("82S131", 9, 4, False)],
)  # fmt: skip
def test_a_prom_has_the_sheets_pins_and_no_contents_of_its_own(
    name: str, address: int, outputs: int, open_collector: bool
) -> None:
    part = _logic(name)
    assert (part.kind, part.open_collector, part.sections) == ("prom", open_collector, ())
    assert {pin for pin in part.pinout if pin[0] == "A"} == {f"A{k}" for k in range(address)}
    assert {pin for pin in part.pinout if pin[0] == "O"} == {f"O{k}" for k in range(1, outputs + 1)}


def test_only_the_156_of_the_decoders_is_open_collector() -> None:
    assert [name for name in DECODERS if _logic(name).open_collector] == ["74LS156"]


PINS = {
    # TI, The TTL Data Book, and Intel 8205, from memory: signal → pin
    "74LS138": {
        "A": 1,
        "B": 2,
        "C": 3,
        "G2A": 4,
        "G2B": 5,
        "G1": 6,
        "Y7": 7,
        "Y6": 9,
        "Y5": 10,
        "Y4": 11,
        "Y3": 12,
        "Y0": 15,
    },
    "8205": {"A0": 1, "A1": 2, "A2": 3, "E1": 4, "E2": 5, "E3": 6, "O7": 7, "O0": 15},
    "74LS139": {"1G": 1, "1A": 2, "1B": 3, "1Y0": 4, "1Y3": 7, "2Y3": 9, "2Y0": 12, "2B": 13, "2A": 14, "2G": 15},
    "74LS154": {"Y0": 1, "Y10": 11, "Y11": 13, "Y15": 17, "G1": 18, "G2": 19, "D": 20, "A": 23},
    "74LS155": {"1C": 1, "1G": 2, "B": 3, "1Y3": 4, "1Y0": 7, "2Y0": 9, "2Y3": 12, "A": 13, "2G": 14, "2C": 15},
    "74LS42": {"Y0": 1, "Y6": 7, "Y7": 9, "Y9": 11, "D": 12, "A": 15},
    "74LS00": {"1A": 1, "1B": 2, "1Y": 3, "2Y": 6, "3Y": 8, "4Y": 11, "4B": 13},
    "74LS02": {"1Y": 1, "1A": 2, "1B": 3, "2Y": 4, "3Y": 10, "4Y": 13},
    "74LS04": {"1A": 1, "1Y": 2, "3Y": 6, "4Y": 8, "6A": 13},
    "74LS10": {"1A": 1, "1B": 2, "1Y": 12, "1C": 13, "2Y": 6, "3Y": 8},
    "74LS20": {"1A": 1, "1Y": 6, "2Y": 8, "2D": 13},
    "74LS30": {"A": 1, "F": 6, "Y": 8, "G": 11, "H": 12},
    "74LS245": {"DIR": 1, "A1": 2, "A8": 9, "B8": 11, "B1": 18, "G": 19},
    "74LS244": {"1G": 1, "1A1": 2, "2Y4": 3, "2A1": 11, "1Y1": 18, "2G": 19},
    "74LS373": {"OE": 1, "Q1": 2, "D1": 3, "LE": 11, "Q8": 19},
    "74LS573": {"OE": 1, "D1": 2, "D8": 9, "LE": 11, "Q8": 12, "Q1": 19},
    "74LS367": {"G1": 1, "A1": 2, "Y1": 3, "Y4": 9, "A4": 10, "G2": 15},
    "8T26": {"RE": 1, "R0": 2, "B0": 3, "D0": 4, "DE": 15},
    "8216": {"CS": 1, "DO0": 2, "DB0": 3, "DI0": 4, "DIEN": 15},
    "8286": {"A0": 1, "A7": 8, "OE": 9, "T": 11, "B7": 12, "B0": 19},
    "8282": {"DI0": 1, "DI7": 8, "OE": 9, "STB": 11, "DO7": 12, "DO0": 19},
}


@pytest.mark.parametrize("name", PINS)
def test_pins_are_where_the_sheet_draws_them(name: str) -> None:
    part = parts().get(name)
    assert {signal: part.pin(signal) for signal in PINS[name]} == PINS[name]


def test_every_pin_of_every_part_is_named_once() -> None:
    for part in parts():
        named = [pin for pin in part.pinout if pin not in ("NC", "GND")]
        assert len(set(named)) == len(named)
        assert part.signals <= set(part.pinout) or not part.pinout, part.name


# kind, channels, inverting, open collector
DRIVERS = {
    "74LS240": ("one-way", 8, True, False),
    "74LS241": ("one-way", 8, False, False),
    "74LS244": ("one-way", 8, False, False),
    "74LS245": ("two-way", 8, False, False),
    "74LS640": ("two-way", 8, True, False),
    "74LS641": ("two-way", 8, False, True),
    "74LS642": ("two-way", 8, True, True),
    "74LS645": ("two-way", 8, False, False),
    "8T26": ("two-way", 4, True, False),
    "8T28": ("two-way", 4, False, False),
    "74LS365": ("one-way", 6, False, False),
    "74LS366": ("one-way", 6, True, False),
    "74LS367": ("one-way", 6, False, False),
    "74LS368": ("one-way", 6, True, False),
    "8T95": ("one-way", 6, False, False),
    "8T96": ("one-way", 6, True, False),
    "8T97": ("one-way", 6, False, False),
    "8T98": ("one-way", 6, True, False),
    "8216": ("two-way", 4, False, False),
    "8226": ("two-way", 4, True, False),
    "8286": ("two-way", 8, False, False),
    "8287": ("two-way", 8, True, False),
    "74LS373": ("latch", 8, False, False),
    "74LS374": ("latch", 8, False, False),
    "74LS573": ("latch", 8, False, False),
    "74LS574": ("latch", 8, False, False),
    "8282": ("latch", 8, False, False),
    "8283": ("latch", 8, True, False),
    # From memory, as the library is: TI SN74LS540/541, Intel 8212, National DM8833/8835
    "74LS540": ("one-way", 8, True, False),
    "74LS541": ("one-way", 8, False, False),
    "8212": ("latch", 8, False, False),
    "DM8833": ("two-way", 4, False, False),
    "DM8835": ("two-way", 4, True, False),
}
ENABLES = {
    # group: pin → level at which it is on
    "74LS240": {"1": {"1G": 0}, "2": {"2G": 0}},
    "74LS241": {"1": {"1G": 0}, "2": {"2G": 1}},
    "74LS244": {"1": {"1G": 0}, "2": {"2G": 0}},
    "74LS245": {"a-to-b": {"G": 0, "DIR": 1}, "b-to-a": {"G": 0, "DIR": 0}},
    "74LS640": {"a-to-b": {"G": 0, "DIR": 1}, "b-to-a": {"G": 0, "DIR": 0}},
    "8T26": {"a-to-b": {"DE": 1}, "b-to-a": {"RE": 0}},
    "8T28": {"a-to-b": {"DE": 1}, "b-to-a": {"RE": 0}},
    "8216": {"a-to-b": {"CS": 0, "DIEN": 0}, "b-to-a": {"CS": 0, "DIEN": 1}},
    "8226": {"a-to-b": {"CS": 0, "DIEN": 0}, "b-to-a": {"CS": 0, "DIEN": 1}},
    "8286": {"a-to-b": {"OE": 0, "T": 1}, "b-to-a": {"OE": 0, "T": 0}},
    "74LS365": {"all": {"G1": 0, "G2": 0}},
    "74LS367": {"1": {"G1": 0}, "2": {"G2": 0}},
    "8T95": {"all": {"G1": 0, "G2": 0}},
    "8T98": {"1": {"G1": 0}, "2": {"G2": 0}},
    "74LS373": {"all": {"OE": 0}},
    "8282": {"all": {"OE": 0}},
    "74LS541": {"all": {"G1": 0, "G2": 0}},
    "8212": {"all": {"DS1": 0, "DS2": 1}},
    "DM8835": {"a-to-b": {"DD": 0}, "b-to-a": {"RD": 0}},
}


def _driver(name: str) -> BufferPart:
    part = parts().get(name)
    assert isinstance(part, BufferPart)
    return part


@pytest.mark.parametrize("name", DRIVERS)
def test_drivers_pass_invert_and_group_as_printed(name: str) -> None:
    part = _driver(name)
    assert (part.kind, part.channels, part.inverting, part.open_collector) == DRIVERS[name]
    if name in ENABLES:
        assert {g.name: {e.pin: e.active for e in g.enables} for g in part.groups} == ENABLES[name]


def test_the_second_table_covers_every_driver() -> None:
    assert {part.name for part in parts() if isinstance(part, BufferPart)} == set(DRIVERS)


def test_hex_drivers_are_grouped_four_and_two_or_all_together() -> None:
    """NTE 6885-6888 sheet: 95 and 96 one enable for all six, 97 and 98 four and two."""
    assert [len(g.inputs) for g in _driver("8T97").groups] == [4, 2]
    assert [len(g.inputs) for g in _driver("74LS368").groups] == [4, 2]
    assert [len(g.inputs) for g in _driver("8T96").groups] == [6]


def test_latches_follow_or_take_as_printed() -> None:
    """373: follows while LE is high; 374: takes D when CP rises; 8282: follows while STB is high."""
    told = {name: _driver(name).latch for name in ("74LS373", "74LS573", "74LS374", "74LS574", "8282")}
    assert {n: (t.pin, t.style, t.level) for n, t in told.items() if t} == {
        "74LS373": ("LE", "transparent", 1),
        "74LS573": ("LE", "transparent", 1),
        "74LS374": ("CP", "edge", 1),
        "74LS574": ("CP", "edge", 1),
        "8282": ("STB", "transparent", 1),
    }


def test_two_way_parts_turn_as_printed() -> None:
    """245: DIR high is A to B (Motorola p. 5-398); 8216: DIEN low is DI to DB; 8T26 has no direction pin."""
    assert _driver("74LS245").direction.a_to_b == 1  # type: ignore[union-attr]
    assert _driver("8216").direction.a_to_b == 0  # type: ignore[union-attr]
    assert _driver("8T26").direction is None


# ns: part, path, gate levels: tPLH typ/max, tPHL typ/max (TI SN74LS138, SN74LS139, SDLS144, SN74LS245, 640, 373, 374)
DELAYS = [
    ("74LS138", "select", 2, 11, 20, 18, 41),
    ("74LS138", "select", 3, 21, 27, 20, 39),
    ("74LS138", "enable", 2, 12, 18, 20, 32),
    ("74LS138", "enable", 3, 14, 26, 13, 38),
    ("74LS139", "select", 2, 13, 20, 22, 33),
    ("74LS139", "select", 3, 18, 29, 25, 38),
    ("74LS139", "enable", None, 16, 24, 21, 32),
    ("74LS240", "data", None, 9, 14, 12, 18),
    ("74LS244", "data", None, 12, 18, 12, 18),
    ("74LS245", "data", None, 8, 12, 8, 12),
    ("74LS640", "data", None, 6, 10, 8, 15),
    ("74LS373", "data", None, 12, 18, 12, 18),
    ("74LS373", "latch", None, 20, 30, 18, 30),
    ("74LS374", "latch", None, 15, 28, 19, 28),
    ("74LS367", "data", None, 10, 16, 9, 22),
]


@pytest.mark.parametrize(("name", "path", "levels", "lh_typ", "lh_max", "hl_typ", "hl_max"), DELAYS)
def test_delays_are_the_sheets(
    name: str, path: str, levels: int | None, lh_typ: float, lh_max: float, hl_typ: float, hl_max: float
) -> None:
    (found,) = (d for d in parts().get(name).delays if d.path == path and d.levels == levels)
    assert (found.tplh_typ, found.tplh_max, found.tphl_typ, found.tphl_max) == (lh_typ, lh_max, hl_typ, hl_max)


def test_delays_in_doubt_are_marked() -> None:
    """74LS154, 74LS155, 74LS42, 8T26/8T28 and 8216 maxima: editions disagree or memory is weak."""
    for name in ("74LS154", "74LS155", "74LS42", "8T26", "8T28", "8216", "8226"):
        assert parts().get(name).delays and all(d.doubtful for d in parts().get(name).delays), name


@pytest.mark.parametrize(
    ("marking", "name"),
    [
        ("SN74LS138", "74LS138"),
        ("DM74LS138N", "74LS138"),
        ("74138", "74LS138"),
        ("74LS138N", "74LS138"),
        ("sn74ls154", "74LS154"),
        ("N8T26A", "8T26"),
        ("MC6880AL", "8T26"),
        ("MC6889", "8T28"),
        ("MC6887P", "8T97"),
        ("DP8216", "8216"),
        ("P8226", "8226"),
        ("7430", "74LS30"),
        ("SN74LS244N", "74LS244"),
        ("3205", "8205"),
    ],
)
def test_markings_on_packages_lead_to_the_part(marking: str, name: str) -> None:
    assert parts().get(marking).name == name


def test_another_family_keeps_the_table_and_claims_no_delays() -> None:
    fast = _logic("74HCT138")
    assert fast.delays == () and "74HCT" in fast.notes[-1]
    assert np.array_equal(fast.lookup, _logic("74LS138").lookup)
