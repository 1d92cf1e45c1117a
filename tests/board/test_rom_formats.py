"""ROM images in Intel HEX and Motorola S-records: told apart by content, placed by address, never half taken.

Sources: Intel "Hexadecimal Object File Format Specification" rev. A, 1988 (record layout, checksum: two's complement
of the sum); Motorola M68000 Family Programmer's Reference Manual, appendix C (S-records; checksum: ones' complement).
The records below are built from those rules, not by the library that reads them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder.board import load_board
from busledger.decoder.errors import BoardError

Write = Callable[[str], Path]
CARD = """
[board]
name = "Loom controller"
bus = "6502"
[[region]]
name = "monitor"
start = 0xF000
end = 0xF03F
kind = "rom"
image = "monitor.dat"
"""
CONTENT = bytes((7 * i + 1) & 0xFF for i in range(64))


def intel_hex(start: int, data: bytes) -> str:
    """Lines of 16 bytes, then the end record: colon, count, address, type, data, two's complement of the sum."""
    lines = []
    for at in range(0, len(data), 16):
        row = data[at : at + 16]
        record = bytes([len(row)]) + (start + at).to_bytes(2, "big") + b"\0" + row
        lines.append(":" + (record + bytes([-sum(record) & 0xFF])).hex().upper())
    return "\n".join([*lines, ":00000001FF", ""])


def s_record(start: int, data: bytes) -> str:
    """S0, lines of 16 bytes as S1, S9: type, count, address, data, ones' complement of the sum."""
    lines = ["S00600004844521B"]  # the header record of the manual's example
    for at in range(0, len(data), 16):
        row = data[at : at + 16]
        record = bytes([len(row) + 3]) + (start + at).to_bytes(2, "big") + row
        lines.append("S1" + (record + bytes([~sum(record) & 0xFF])).hex().upper())
    return "\r\n".join([*lines, "S9030000FC", ""])


def mistakes(path: Path) -> str:
    with pytest.raises(BoardError) as caught:
        load_board(path)
    return str(caught.value)


@pytest.mark.parametrize("form", [intel_hex, s_record])
@pytest.mark.parametrize("start", [0xF000, 0], ids=["addresses of the bus", "addresses of the chip"])
def test_a_file_of_records_is_known_by_its_content(
    board_file: Write, form: Callable[[int, bytes], str], start: int
) -> None:
    path = board_file(CARD)
    path.with_name("monitor.dat").write_text(form(start, CONTENT))
    assert load_board(path).regions[0].image == CONTENT


@pytest.mark.parametrize("form", [intel_hex, s_record])
def test_a_file_of_the_whole_memory_gives_the_region_its_window(
    board_file: Write, form: Callable[[int, bytes], str]
) -> None:
    path = board_file(CARD)
    path.with_name("monitor.dat").write_text(form(0xEFF0, bytes(16) + CONTENT + bytes(16)))
    assert load_board(path).regions[0].image == CONTENT


def test_an_offset_says_where_in_the_file_the_region_begins(board_file: Write) -> None:
    path = board_file(CARD + "image_offset = 0x2000\n")
    path.with_name("monitor.dat").write_text(intel_hex(0x2000, CONTENT))
    assert load_board(path).regions[0].image == CONTENT


def test_extended_addresses_are_added(board_file: Write) -> None:
    path = board_file(CARD.replace("6502", "8088-min").replace("0xF0", "0xFF0"))
    text = ":02000002F0000C\n" + intel_hex(0xF000, CONTENT)  # type 02: segment F000, so FF000
    path.with_name("monitor.dat").write_text(text.replace(":02000002F0000C", ":02000002F0000C"))
    assert load_board(path, address_bits=20).regions[0].image == CONTENT


def test_a_hole_has_a_message_and_can_be_filled(board_file: Write) -> None:
    path = board_file(CARD)
    text = intel_hex(0xF000, CONTENT[:16]).replace(":00000001FF\n", "") + intel_hex(0xF020, CONTENT[32:])
    path.with_name("monitor.dat").write_text(text)
    said = mistakes(path)
    assert "the Intel HEX file lacks 16 of the region's 64 bytes (F010-F01F)" in said
    assert "image_fill = 0xFF" in said
    path.write_text(CARD + "image_fill = 0xFF\n")
    assert load_board(path).regions[0].image == CONTENT[:16] + b"\xff" * 16 + CONTENT[32:]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (intel_hex(0x4000, CONTENT), "the Intel HEX file holds 4000-403F, nothing for F000-F03F"),
        (intel_hex(0, CONTENT * 2), "the Intel HEX file holds 0000-007F, more than F000-F03F takes"),
        (intel_hex(0xF000, CONTENT).replace("0108", "0109", 1), '"monitor.dat" is Intel HEX, but line 1 is damaged'),
        (s_record(0xF000, CONTENT).replace("0108", "0109", 1), '"monitor.dat" is S-record, but line 2 is damaged'),
        (intel_hex(0xF000, CONTENT) + "what is this\n", "but line 6 is damaged"),
        (intel_hex(0xF000, CONTENT[:16]) + intel_hex(0xF000, CONTENT), "contradicts itself"),
        (":00000001FF\n", '"monitor.dat" is Intel HEX without data'),
        (CONTENT * 2, "128 bytes in the file, more than F000-F03F takes; expected 64 bytes, or image_offset"),
    ],
)
def test_what_does_not_fit_is_a_mistake(board_file: Write, content: str | bytes, said: str) -> None:
    path = board_file(CARD)
    path.with_name("monitor.dat").write_bytes(content if isinstance(content, bytes) else content.encode())
    assert said in mistakes(path)


def test_a_raw_image_may_begin_with_a_colon(board_file: Write) -> None:
    path = board_file(CARD)
    raw = b":S1" + CONTENT[3:]
    path.with_name("monitor.dat").write_bytes(raw)
    assert load_board(path).regions[0].image == raw


def test_half_of_a_wide_bus_takes_a_chip_of_records(board_file: Write) -> None:
    path = board_file("""
[board]
name = "Planetarium drive"
bus = "68000"
[[region]]
name = "odd"
start = 0x1000
end = 0x107F
kind = "rom"
image = "odd.hex"
chips = [{ designator = "U2", part = "2764", lanes = "D0-D7" }]
""")
    path.with_name("odd.hex").write_text(intel_hex(0, CONTENT))
    assert load_board(path, data_bits=16).regions[0].image == CONTENT


def test_a_prom_decoder_reads_records_too(board_file: Write) -> None:
    path = board_file("""
[board]
name = "Loom controller"
bus = "6502"
[[region]]
name = "bank0"
start = 0
end = 0xFF
kind = "ram"
select = "CS0"
[[decoder]]
designator = "U3"
part = "82S123"
inputs = { A0 = "A12", A1 = "A13", A2 = "A14", A3 = "A15", A4 = "VMA" }
outputs = { O1 = "CS0" }
image = "prom.hex"
""")
    path.with_name("prom.hex").write_text(intel_hex(0, bytes([1] * 31 + [0])))
    (decoder,) = load_board(path).decoders
    assert decoder.part.lookup.tolist() == [1] * 31 + [0]
    path.with_name("prom.hex").write_text(intel_hex(0, bytes(40)))
    assert "40 entries; expected 32, for 5 inputs" in mistakes(path)


def test_a_prom_of_the_library_wants_its_contents_and_knows_its_size(board_file: Write) -> None:
    head = """
[board]
name = "Loom controller"
bus = "6502"
[[region]]
name = "bank0"
start = 0
end = 0xFF
kind = "ram"
select = "CS0"
[[decoder]]
designator = "U3"
part = "N82S23N"
inputs = { A0 = "A15" }
outputs = { O1 = "CS0" }
"""
    path = board_file(head)
    assert "table: what is in the PROM 82S23 is not said; expected table, a list of its words, or image" in mistakes(
        path
    )
    path.write_text(head + "table = [0, 1]\n")
    (decoder,) = load_board(path).decoders
    assert decoder.part.open_collector and decoder.part.title == "32 x 8 PROM, open collector"
    six = ", ".join(f'A{k} = "A{10 + k}"' for k in range(6))
    path.write_text(head.replace('A0 = "A15"', six) + f"table = {[0] * 64}\n")
    assert "inputs: 6 inputs; expected at most 5, as a 82S23 has" in mistakes(path)
