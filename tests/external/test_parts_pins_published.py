"""Pin-outs against tables that others have published.

Two sources, both read here: the library ``lib/TTL_74xx_DIL.m4`` of the PCB layout program (github.com/bert/pcb, commit
02a720280796), whose pin lists are typed below in its own spelling; and TI's data sheet of the SN7489 (bulletin DL-S
7511386, December 1972, revised May 1975, at dtsheet.com/doc/1196105), with its typical dissipation of 375 mW at 5 V.
A third: TI's sheet of the memories SN54S/74S189 to 309 (bulletin DL-S 7512257, May 1975, at dtsheet.com/doc/1196204).
"""

from __future__ import annotations

import re

import pytest

from busledger.decoder.board import parts, supply_figures

PCB = {
    "74LS138": "A B C /G2A /G2B G1 Y7 Gnd Y6 Y5 Y4 Y3 Y2 Y1 Y0 Vcc",
    "74LS139": "/G1 A1 B1 Y10 Y11 Y12 Y13 Gnd Y23 Y22 Y21 Y20 B2 A2 /G2 Vcc",
    "74LS154": "0 1 2 3 4 5 6 7 8 9 10 Gnd 11 12 13 14 15 /G1 /G2 D C B A Vcc",
    "74LS155": "1C /1G B 1Y3 1Y2 1Y1 1Y0 Gnd 2Y0 2Y1 2Y2 2Y3 A /2G /2C Vcc",
    "74LS156": "1C /1G B 1Y3 1Y2 1Y1 1Y0 Gnd 2Y0 2Y1 2Y2 2Y3 A /2G /2C Vcc",
    "74LS240": "/1G 1A1 2Y4 1A2 2Y3 1A3 2Y2 1A4 2Y1 Gnd 2A1 1Y4 2A2 1Y3 2A3 1Y2 2A4 1Y1 /2G Vcc",
    "74LS241": "/1G 1A1 2Y4 1A2 2Y3 1A3 2Y2 1A4 2Y1 Gnd 2A1 1Y4 2A2 1Y3 2A3 1Y2 2A4 1Y1 /2G Vcc",
    "74LS244": "/1G 1A1 2Y4 1A2 2Y3 1A3 2Y2 1A4 2Y1 Gnd 2A1 1Y4 2A2 1Y3 2A3 1Y2 2A4 1Y1 /2G Vcc",
    "74LS245": "Dir A1 A2 A3 A4 A5 A6 A7 A8 Gnd B8 B7 B6 B5 B4 B3 B2 B1 /G Vcc",
    "74LS280": "G H NC I SumEven SumOdd Gnd A B C D E F Vcc",
    "74LS365": "/G1 1A 1Y 2A 2Y 3A 3Y Gnd 4Y 4A 5Y 5A 6Y 6A /G2 Vcc",
    "74LS366": "/G1 1A 1Y 2A 2Y 3A 3Y Gnd 4Y 4A 5Y 5A 6Y 6A /G2 Vcc",
    "74LS367": "/G1 1A1 1Y1 1A2 1Y2 1A3 1Y3 Gnd 1Y4 1A4 2Y1 2A1 2Y2 2A2 /G2 Vcc",
    "74LS368": "/G1 1A1 1Y1 1A2 1Y2 1A3 1Y3 Gnd 1Y4 1A4 2Y1 2A1 2Y2 2A2 /G2 Vcc",
    "74LS373": "/OC 1Q 1D 2D 2Q 3Q 3D 4D 4Q Gnd C 5Q 5D 6D 6Q 7Q 7D 8D 8Q Vcc",
    "74LS374": "/OC 1Q 1D 2D 2Q 3Q 3D 4D 4Q Gnd C 5Q 5D 6D 6Q 7Q 7D 8D 8Q Vcc",
    "74LS540": "/G1 A1 A2 A3 A4 A5 A6 A7 A8 Gnd Y8 Y7 Y6 Y5 Y4 Y3 Y2 Y1 /G2 Vcc",
    "74LS541": "/G1 A1 A2 A3 A4 A5 A6 A7 A8 Gnd Y8 Y7 Y6 Y5 Y4 Y3 Y2 Y1 /G2 Vcc",
}
SAME = {  # our spelling of a pin, where it is another
    "74LS139": {"G1": "1G", "G2": "2G", **{f"{p}{n}": f"{n}{p}" for p in "AB" for n in "12"}}
    | {f"Y{n}{k}": f"{n}Y{k}" for n in "12" for k in range(4)},
    "74LS154": {str(n): f"Y{n}" for n in range(16)},
    "74LS280": {"SUMEVEN": "EVEN", "SUMODD": "ODD"},
    **{part: {f"{n}{p}": f"{p}{n}" for n in range(1, 7) for p in "AY"} for part in ("74LS365", "74LS366")},
    **{
        part: {f"1{p}{n}": f"{p}{n}" for n in range(1, 5) for p in "AY"}
        | {f"2{p}{n}": f"{p}{n + 4}" for n in (1, 2) for p in "AY"}
        for part in ("74LS367", "74LS368")
    },
}
TI_SN7489 = "A0 CS WE DI0 DO0 DI1 DO1 GND DO2 DI2 DO3 DI3 A3 A2 A1 VCC"
"""The sheet's AD A, ME, WE, DI1, DO1, DI2, DO2, GND, DO3, DI3, DO4, DI4, AD D, AD C, AD B, VCC in our names."""

TI_SN74S201 = {
    "AD A": 1,
    "AD B": 2,
    "CE1": 3,
    "CE2": 4,
    "CE3": 5,
    "DO": 6,
    "AD D": 7,
    "GND": 8,
    "AD E": 9,
    "AD F": 10,
    "AD G": 11,
    "R/W": 12,
    "DI": 13,
    "AD H": 14,
    "AD C": 15,
    "VCC": 16,
}
"""As the sheet's drawing of the 256-bit memories has them."""


def spelled(part: str, pins: str) -> list[str]:
    """Their names in ours: no mark for active low, upper-case, halves numbered before the pin."""
    table = SAME.get(part, {})
    bare = [pin.lstrip("/").upper() for pin in pins.split()]
    return [table.get(pin, pin) for pin in bare]


def bare(pins: tuple[str, ...]) -> list[str]:
    """Latches: 1D and D1, 1Q and Q1, OC and OE, C with the clock's names, are one pin each."""
    names = {"OE": "OC", "LE": "C", "CLK": "C", "CP": "C", "G": "C"}
    found = [re.sub(r"^([DQ])(\d)$", r"\2\1", pin) for pin in pins]
    return [names.get(pin, pin) for pin in found]


@pytest.mark.parametrize("part", PCB)
def test_pins_as_the_published_library_has_them(part: str) -> None:
    ours = parts().get(part).pinout
    theirs = spelled(part, PCB[part])
    latch = part in ("74LS373", "74LS374")
    assert (bare(ours) if latch else list(ours)) == theirs


def test_the_7489_as_its_data_sheet_has_it() -> None:
    assert " ".join(parts().get("7489").pinout) == TI_SN7489
    figures = supply_figures()["7489"]
    assert figures[0].typ == pytest.approx(375 / 5)


def test_the_74s189_as_its_data_sheet_has_it() -> None:
    """The same sheet draws it with the pins of the 7489: CE for ME, R/W for WE, DI1 to DI4 our DI0 to DI3."""
    assert " ".join(parts().get("74189").pinout) == TI_SN7489


def test_the_74s201_as_its_data_sheet_has_it() -> None:
    """Address A is our A0; the output gives the complement, so the sheet speaks of inverted cells."""
    ours = {f"AD {letter}": f"A{n}" for n, letter in enumerate("ABCDEFGH")}
    ours |= {"CE1": "S1", "CE2": "S2", "CE3": "S3", "DO": "DO0", "DI": "DI0", "R/W": "WE"}
    part = parts().get("74S201")
    assert {pin: part.pinout.index(ours.get(pin, pin)) + 1 for pin in TI_SN74S201} == TI_SN74S201
