"""Sixteen data lanes and byte lanes through the whole engine: from pins to the named chip.

The order of bytes is the processors' own: on the 68000 the even byte is on D8-D15 (M68000 User's Manual p. 4-3), on
the 8086 on D0-D7 (Intel 8086 data sheet 231455, BHE and A0 table).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from busledger.decoder.pipeline import Request, run_check
from busledger.tui.commands.main import main
from tests.pipeline.wide_captures import (
    Access,
    Memory,
    wave_65c816,
    wave_8086,
    wave_68000,
    write_vcd,
)

EVEN_HIGH, EVEN_LOW = "68000", "8086-min"
WAVES = {EVEN_HIGH: wave_68000, EVEN_LOW: wave_8086}

ONE_REGION = """
[[region]]
name = "warp"
start = 0x2000
end = 0x2FFF
kind = "ram"
chips = [
  { designator = "U1", part = "6116", lanes = "D0-D7" },
  { designator = "U2", part = "6116", lanes = "D8-D15" },
]
"""
TWO_REGIONS = """
[[region]]
name = "low bytes"
start = 0x2000
end = 0x2FFF
kind = "ram"
chips = [{ designator = "U1", part = "6116", lanes = "D0-D7" }]

[[region]]
name = "high bytes"
start = 0x2000
end = 0x2FFF
kind = "ram"
chips = [{ designator = "U2", part = "6116", lanes = "D8-D15" }]
"""


def board(folder: Path, bus: str, regions: str) -> Path:
    path = folder / "board.toml"
    path.write_text(f'[board]\nname = "Loom controller"\nbus = "{bus}"\n{regions}', encoding="utf-8")
    return path


def lanes_at(bus: str, address: int) -> int:
    """The byte lane (1 low, 2 high) on which a byte access moves."""
    return 1 if (address % 2 == 0) == (bus == EVEN_LOW) else 2


def exercise(bus: str, memory: Memory, start: int = 0x2000, words: int = 48, seed: int = 7) -> Memory:
    """Words written and read, then single bytes of both halves, then the words again."""
    dice = random.Random(seed)
    for k in range(words):
        memory.write(start + 2 * k, dice.randrange(1 << 16))
    for k in range(words):
        memory.read(start + 2 * k)
    for k in range(words):
        lanes, byte = lanes_at(bus, start + k), dice.randrange(256)
        memory.write(start + k, byte << 8 if lanes == 2 else byte, lanes)
        memory.read(start + k, lanes)
    for k in range(words):
        memory.read(start + 2 * k)
    return memory


def wrong_reads(memory: Memory, lane: int) -> tuple[int, int]:
    """(reads that move ``lane``, those of them where the fault shows), counted from what was written."""
    words: dict[int, int] = {}
    reads = wrong = 0
    for access in memory.log:
        if access.lanes >> lane // 8 & 1:
            if access.write:
                word = words.get(access.address >> 1, 0)
                words[access.address >> 1] = (word & ~(1 << lane)) | (access.data & 1 << lane)
            else:
                reads += 1
                wrong += (access.data ^ words[access.address >> 1]) >> lane & 1
    return reads, wrong


@pytest.mark.parametrize("bus", [EVEN_HIGH, EVEN_LOW])
@pytest.mark.parametrize("lane", [3, 11])
def test_a_stuck_lane_is_counted_on_its_lane_and_laid_to_its_chip(tmp_path: Path, bus: str, lane: int) -> None:
    memory = exercise(bus, Memory(lambda _, word: word & ~(1 << lane)))
    capture = write_vcd(WAVES[bus](memory.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, bus, ONE_REGION)))
    (warp,) = result.regions
    reads, wrong = wrong_reads(memory, lane)
    assert wrong > 20
    assert [c.lane for c in warp.lanes] == [f"D{n}" for n in range(16)]
    for n, count in enumerate(warp.lanes):
        assert count.compared == wrong_reads(memory, n)[0], count.lane
        assert (count.low_for_high, count.high_for_low) == ((wrong, 0) if n == lane else (0, 0)), count.lane
    assert (warp.mismatches, warp.reads, warp.writes) == (wrong, 3 * 48, 2 * 48)
    first = result.suspects[0]
    assert (first.component, first.fault, first.lanes) == ("U2" if lane > 7 else "U1", "stuck-low", (f"D{lane}",))
    assert first.explains == wrong
    assert reads == 48 * 2 + 24


@pytest.mark.parametrize("bus", [EVEN_HIGH, EVEN_LOW])
def test_two_regions_may_share_addresses_and_each_is_judged_on_its_own_byte(tmp_path: Path, bus: str) -> None:
    memory = exercise(bus, Memory(lambda _, word: word & ~(1 << 11)))
    capture = write_vcd(WAVES[bus](memory.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, bus, TWO_REGIONS)))
    low, high = result.regions
    reads, wrong = wrong_reads(memory, 11)
    assert (low.reads, low.mismatches, high.reads, high.mismatches) == (reads, 0, reads, wrong)
    assert [c.compared for c in low.lanes] == [reads] * 8 + [0] * 8
    assert [c.compared for c in high.lanes] == [0] * 8 + [reads] * 8
    first = result.suspects[0]
    assert (first.component, first.region, first.lanes) == ("U2", "high bytes", ("D11",))
    assert result.mismatch_total == wrong


def test_a_chip_on_one_byte_lane_is_not_blamed_for_the_empty_other_half(tmp_path: Path) -> None:
    """Words move both halves; where no chip stands the bus floats, which is no fault."""
    alone = TWO_REGIONS.split("[[region]]")[1]
    memory = exercise(EVEN_HIGH, Memory(lambda address, word: (word & 0xFF) | (0xA500 if address % 4 else 0x5A00)))
    capture = write_vcd(wave_68000(memory.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, EVEN_HIGH, "[[region]]" + alone)))
    (low,) = result.regions
    assert low.mismatches == 0 and result.suspects == ()
    assert low.reads_compared == wrong_reads(memory, 0)[0]


@pytest.mark.parametrize("bus", [EVEN_HIGH, EVEN_LOW])
def test_an_image_lies_on_the_bytes_of_its_chips(tmp_path: Path, bus: str) -> None:
    """The even EPROM and the odd one hold every second byte each."""
    even, odd = random.Random(1).randbytes(32), random.Random(2).randbytes(32)
    (tmp_path / "even.bin").write_bytes(even)
    (tmp_path / "odd.bin").write_bytes(odd)
    top, bottom = ("even", "odd") if bus == EVEN_HIGH else ("odd", "even")
    regions = "".join(
        f'[[region]]\nname = "{name}"\nstart = 0x8000\nend = 0x803F\nkind = "rom"\nimage = "{name}.bin"\n'
        f'chips = [{{ designator = "U{n}", lanes = "{lanes}" }}]\n\n'
        for n, (name, lanes) in enumerate([(top, "D8-D15"), (bottom, "D0-D7")], 1)
    )
    memory = Memory(lambda _, word: word | 0x0010)
    for k in range(32):
        high, low = (even[k], odd[k]) if bus == EVEN_HIGH else (odd[k], even[k])
        memory.words[0x4000 + k] = high << 8 | low
        memory.read(0x8000 + 2 * k)
        if k % 2 == 0:
            memory.read(0x8000 + k, lanes_at(bus, 0x8000 + k))
    capture = write_vcd(WAVES[bus](memory.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, bus, regions)))
    by_name = {region.name: region for region in result.regions}
    assert by_name[top].mismatches == 0 and by_name[top].reads_compared > 30
    shown = [a for a in memory.log if a.lanes & 1 and not memory.words[a.address >> 1] & 0x10]
    assert by_name[bottom].mismatches == by_name[bottom].lanes[4].high_for_low == len(shown) > 5


def test_one_half_rom_one_half_ram(tmp_path: Path) -> None:
    """A word write changes the RAM byte only; the ROM byte keeps its image."""
    image = random.Random(3).randbytes(2048)
    (tmp_path / "odd.bin").write_bytes(image)
    regions = TWO_REGIONS.replace('kind = "ram"', 'kind = "rom"\nimage = "odd.bin"', 1)
    memory = Memory(lambda address, word: (word & 0xFF00) | image[(address & 0xFFF) >> 1])
    exercise(EVEN_HIGH, memory)
    capture = write_vcd(wave_68000(memory.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, EVEN_HIGH, regions)))
    rom, ram = result.regions
    reads = wrong_reads(memory, 0)[0]
    assert (rom.reads_compared, rom.mismatches, rom.writes) == (reads, 0, 0)
    assert (ram.reads_compared, ram.mismatches, ram.writes) == (reads, 0, 48 + 24)


def test_the_list_shows_four_digits_and_question_marks_for_the_byte_that_did_not_move(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    memory = Memory()
    memory.write(0x2000, 0xBEEF)
    memory.write(0x2002, 0x12FF, 2)
    memory.read(0x2000)
    memory.read(0x2001, 1)
    memory.read(0x2002, 2)
    capture = write_vcd(wave_68000(memory.log), tmp_path / "run.vcd")
    asked = ["cycles", str(capture), "--board", str(board(tmp_path, EVEN_HIGH, ONE_REGION)), "--csv", "-", "--quiet"]
    assert main(asked) == 0
    rows = [line.split(",")[2:8] for line in capsys.readouterr().out.splitlines()[1:]]
    assert rows == [
        ["write", "002000", "BEEF", "warp", "", ""],
        ["write", "002002", "12??", "warp", "", ""],
        ["read", "002000", "BEEF", "warp", "BEEF", "0000"],
        ["read", "002001", "??EF", "warp", "??EF", "0000"],
        ["read", "002002", "12??", "warp", "12??", "0000"],
    ]


def test_banks_of_the_65c816_are_part_of_the_address(tmp_path: Path) -> None:
    """The same sixteen address pins in two banks are two cells (W65C816S data sheet: bank address in PHI2 low)."""
    regions = "".join(
        f'[[region]]\nname = "bank {bank:02X}"\nstart = 0x{bank:02X}4000\nend = 0x{bank:02X}47FF\nkind = "ram"\n'
        f'chips = [{{ designator = "U{bank}", part = "6116", lanes = "D0-D7" }}]\n\n'
        for bank in (1, 0x7E)
    )
    memory: dict[int, int] = {}
    plain = Memory()
    dice = random.Random(5)
    for write in (True, False):
        for bank in (1, 0x7E):
            for k in range(64):
                address = bank << 16 | 0x4000 | k
                if write:
                    memory[address] = dice.randrange(256)
                    plain.log.append(Access(True, address, 1, memory[address]))
                else:
                    bend = 0x40 if bank == 0x7E else 0
                    plain.log.append(Access(False, address, 1, memory[address] & ~bend))
    capture = write_vcd(wave_65c816(plain.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, "65c816", regions)))
    one, two = result.regions
    wrong = sum(value >> 6 & 1 for address, value in memory.items() if address >> 16 == 0x7E)
    assert (one.writes, one.reads_compared, one.mismatches) == (64, 64, 0)
    assert (two.writes, two.reads_compared, two.mismatches) == (64, 64, wrong)
    assert result.suspects[0].component == "U126"


@pytest.mark.parametrize("regions", [ONE_REGION, TWO_REGIONS])
def test_an_address_line_stuck_at_the_odd_chip(tmp_path: Path, regions: str) -> None:
    """A5 of the chip on D0-D7 is held low: bytes of two addresses share a cell there, the other chip is well."""

    class OneBent(Memory):
        def write(self, address: int, data: int, lanes: int = 3) -> None:
            super().write(address, data, lanes)
            if lanes & 1 and address & 0x20:
                bent = (address & ~0x20) >> 1
                self.words[bent] = (self.words.get(bent, 0) & 0xFF00) | (data & 0xFF)

    memory = OneBent()
    memory.bend = lambda address, word: (word & 0xFF00) | (memory.words.get((address & ~0x20) >> 1, 0) & 0xFF)
    exercise(EVEN_HIGH, memory)
    capture = write_vcd(wave_68000(memory.log), tmp_path / "run.vcd")
    result = run_check(Request(capture, board(tmp_path, EVEN_HIGH, regions)))
    first = result.suspects[0]
    assert (first.fault, first.region, first.address_lines) in {
        ("address-stuck", region.name, ("A5",)) for region in result.regions
    }
    # Where the chip is all of its region, the region's line and the chip's are one to every observer.
    alike = [first, *(s for s in result.suspects if s.rank in first.tied_with)]
    assert any((s.component, s.fault, s.address_lines) == ("U1", "address-stuck", ("A5",)) for s in alike)
    assert all(c.low_for_high == c.high_for_low == 0 for region in result.regions for c in region.lanes[8:])


def test_a_page_for_a_board_with_odd_bytes_only(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A 2 KB chip on one half of the bus spans 4 KB of addresses: no mistake in the board file."""
    alone = "[[region]]" + TWO_REGIONS.split("[[region]]")[1]
    memory = exercise(EVEN_HIGH, Memory(lambda _, word: word & ~8))
    capture = write_vcd(wave_68000(memory.log), tmp_path / "run.vcd")
    page = tmp_path / "page.html"
    file = board(tmp_path, EVEN_HIGH, alone)
    assert main(["check", str(capture), "--board", str(file), "--html", str(page), "--quiet"]) == 1
    assert "U1" in page.read_text(encoding="utf-8")
    assert "D3" in capsys.readouterr().out
