"""Pins in a wiring, halves of packages, and outputs that may not be: each said in the file's own words.

Pin names: the processors' data sheets (NMOS 6502: PHI1, NMI; Z80: BUSRQ, INT; 8080A: READY, HOLD), from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder.board import load_board
from busledger.decoder.bus import line_needs, load_profile, profile_names
from busledger.decoder.capture import Signal
from busledger.decoder.errors import BoardError
from busledger.decoder.wiring import bind, canonical

Write = Callable[[str], Path]
HEAD = """
[board]
name = "Winch control"
bus = "{bus}"
[[region]]
name = "bank0"
start = 0
end = 0x3FF
kind = "ram"
select = "CS0"
"""


def loaded(path: Path, bus: str = "z80") -> object:
    profile = load_profile(bus)
    return load_board(path, data_bits=8, address_bits=16, lines=profile.spellings, driven=profile.driven)


def mistakes(path: Path) -> str:
    with pytest.raises(BoardError) as caught:
        loaded(path)
    return str(caught.value)


def decoder(designator: str, part: str, inputs: str, outputs: str) -> str:
    pins = f"inputs = {{ {inputs} }}\noutputs = {{ {outputs} }}\n"
    return f'[[decoder]]\ndesignator = "{designator}"\npart = "{part}"\n{pins}'


@pytest.mark.parametrize(
    ("bus", "pins"),
    [
        ("6502", ["PHI1", "NMI", "IRQ", "RES"]),
        ("8080", ["PHI1", "PHI2", "READY", "HOLD", "INTE"]),
        ("8085", ["HOLD", "TRAP", "SID"]),
        ("z80", ["BUSRQ", "/INT", "NMI"]),
        ("68000", ["BR", "BG", "IPL2"]),
    ],
)
def test_a_wiring_may_name_any_pin_of_the_processor(board_file: Write, bus: str, pins: list[str]) -> None:
    wiring = "".join(f'"{pin}" = "probe {k}"\n' for k, pin in enumerate(pins))
    path = board_file(HEAD.format(bus=bus) + '[wiring]\nCS0 = "cs"\n' + wiring)
    assert loaded(path, bus) is not None
    bare = {canonical(pin)[0] for pin in pins}
    signals = [Signal(f"probe {k}") for k in range(len(pins))]
    needs = [need for need in line_needs(load_profile(bus), any_subset=True) if need.name in bare]
    assert set(bind(signals, needs, table={p: f"probe {k}" for k, p in enumerate(pins)}).lines) == bare


def test_a_pin_that_the_processor_does_not_have_is_still_unknown(board_file: Write) -> None:
    path = board_file(HEAD.format(bus="z80") + '[wiring]\nCS0 = "cs"\nPHI1 = "x"\n')
    assert "[wiring], PHI1: unknown line" in mistakes(path)


@pytest.mark.parametrize("name", profile_names())
def test_no_pin_is_a_line_as_well(name: str) -> None:
    profile = load_profile(name)
    lines = {n for line in profile.lines.values() for n in (line.name, *line.aliases)}
    assert not lines & set(profile.file.pins)
    assert len(set(profile.file.pins)) == len(profile.file.pins)
    assert all(canonical(pin) and canonical(pin)[0] == pin for pin in profile.file.pins)


def test_one_half_needs_no_number(board_file: Write) -> None:
    text = decoder("U9", "74LS139", 'A = "A10", "/G" = "A15", B = "A11"', 'Y0 = "CS0"')
    (half,) = loaded(board_file(HEAD.format(bus="z80") + text)).decoders
    assert dict(half.inputs) == {"1A": "A10", "1G": "A15", "1B": "A11"}
    assert dict(half.outputs) == {"1Y0": "CS0"}


def test_a_second_table_without_numbers_is_the_other_half(board_file: Write) -> None:
    text = decoder("U9", "74LS139", 'A = "A10", G = "A15"', 'Y0 = "ROW"') + decoder(
        "U9", "74LS139", 'A = "A11", G = "ROW"', 'Y0 = "CS0"'
    )
    one, other = loaded(board_file(HEAD.format(bus="z80") + text)).decoders
    assert dict(one.outputs) == {"1Y0": "ROW"} and dict(other.outputs) == {"2Y0": "CS0"}


def test_halves_that_differ_need_their_number(board_file: Write) -> None:
    """74LS155: 1C must be high and 2C low, so which half it is matters."""
    text = decoder("U9", "74LS155", 'A = "A10", C = "A15"', 'Y0 = "CS0"')
    assert "no such pin among the inputs of part 74LS155" in mistakes(board_file(HEAD.format(bus="z80") + text))


def test_an_output_named_like_a_line_of_the_bus(board_file: Write) -> None:
    text = decoder("U9", "74LS138", 'A = "A10"', 'Y0 = "CS0", Y1 = "MREQ", Y2 = "A15"')
    said = mistakes(board_file(HEAD.format(bus="z80") + text))
    assert (
        'outputs.Y1: "MREQ" is a line of the bus, which its master drives; expected a name of the card\'s own' in said
    )
    assert 'outputs.Y2: "A15" is a line of the bus' in said


def test_what_the_card_answers_to_the_processor_is_no_mistake(board_file: Write) -> None:
    text = decoder("U9", "74LS138", 'A = "A10"', 'Y0 = "CS0", Y1 = "WAIT"')
    board = loaded(board_file(HEAD.format(bus="z80") + '[wiring]\nWAIT = "w"\n' + text))
    assert dict(board.decoders[0].outputs)["Y1"] == "WAIT"


def test_an_output_that_drives_itself(board_file: Write) -> None:
    text = decoder("U9", "74LS138", 'A = "A10", G2A = "CS0"', 'Y0 = "CS0"')
    said = mistakes(board_file(HEAD.format(bus="z80") + text))
    assert "outputs.Y0: CS0 (U9 Y0) from CS0: the output hangs on itself" in said


def test_decoders_in_a_circle_are_told_once(board_file: Write) -> None:
    text = decoder("U9", "74LS138", 'A = "A10", G2A = "ROW"', 'Y0 = "CS0"')
    text += decoder("U8", "74LS00", '"1A" = "A15", "1B" = "CS0"', '"1Y" = "ROW"')
    said = mistakes(board_file(HEAD.format(bus="z80") + text))
    assert said.count("hangs on itself") == 1
    assert "CS0 (U9 Y0) from ROW (U8 1Y) from CS0" in said


def test_two_halves_of_one_package_in_a_row_are_no_circle(board_file: Write) -> None:
    inputs = '"1A" = "A10", "1G" = "A15", "2A" = "A11", "2G" = "ROW"'
    text = decoder("U9", "74LS139", inputs, '"1Y0" = "ROW", "2Y0" = "CS0"')
    assert loaded(board_file(HEAD.format(bus="z80") + text)) is not None
