"""Two clips exchanged: said as such where a ROM image tells it, and not where it cannot be known.

That an exchange of data clips is invisible in memory that is written and read over the same clips, and shows only
against contents known otherwise, follows from the wiring alone (each bit comes back on the clip it left by).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from busledger.decoder.pipeline import Request, run_check
from tests.external.waveform import Wave
from tests.pipeline.wide_captures import Access, Memory, wave_8086, wave_68000, write_vcd

ROM = random.Random(11).randbytes(2048)
BOARD = """
[board]
name = "Planetarium drive"
bus = "{bus}"

[[region]]
name = "monitor"
start = {start}
end = {end}
kind = "rom"
image = "monitor.bin"

[[region]]
name = "work"
start = 0x2000
end = 0x27FF
kind = "ram"
"""


def board(folder: Path, bus: str, start: int, size: int = 2048) -> Path:
    (folder / "monitor.bin").write_bytes(ROM[:size])
    path = folder / "board.toml"
    path.write_text(BOARD.format(bus=bus, start=hex(start), end=hex(start + size - 1)), encoding="utf-8")
    return path


def wave_6800(accesses: list[Access]) -> Wave:
    """MC6800 data sheet, figures "Read Data from Memory" and "Write Data in Memory"; 1 MHz."""
    wave = Wave().idle(PHI2=0, RW=1, VMA=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n, access in enumerate(accesses):
        start = 1000 * n + 100
        wave.put(start + 200, "A0-A15", access.address).put(start + 200, "RW", int(not access.write))
        wave.put(start + 500, "PHI2", 1).put(start + 1000, "PHI2", 0)
        wave.put(start + (700 if access.write else 800), "D0-D7", access.data).put(start + 1040, "D0-D7", 0xFF)
    return wave


def program(start: int, bend: int = 0, size: int = 2048) -> list[Access]:
    """Reads all over a byte-wide ROM (``bend``: a lane stuck high), and RAM written and read well."""
    dice = random.Random(2)
    log = []
    for _ in range(400):
        at = dice.randrange(size)
        log.append(Access(False, start + at, 1, ROM[at] | bend))
        value, cell = dice.randrange(256), 0x2000 + dice.randrange(2048)
        log += [Access(True, cell, 1, value), Access(False, cell, 1, value)]
    return log


def exchange(wave: Wave, one: str, two: str) -> Wave:
    """The capture as it comes with two clips exchanged."""
    wave.changes[one], wave.changes[two] = wave.changes[two], wave.changes[one]
    return wave


def swaps(capture: Path, file: Path) -> list[str]:
    result = run_check(Request(capture, file))
    return [warning.text for warning in result.capture.warnings if warning.code == "swapped-clips"]


@pytest.mark.parametrize("pair", [("D3", "D4"), ("D0", "D7"), ("A2", "A3"), ("A0", "A10"), ("A5", "A11")])
def test_the_exchanged_pair_is_named(tmp_path: Path, pair: tuple[str, str]) -> None:
    wave = exchange(wave_6800(program(0xE000)), *pair)
    (text,) = swaps(write_vcd(wave, tmp_path / "run.vcd"), board(tmp_path, "6800", 0xE000))
    assert text.startswith(f"{pair[0]} and {pair[1]} look swapped at the clips: ")


def test_nothing_is_said_of_clips_that_sit_well(tmp_path: Path) -> None:
    capture = write_vcd(wave_6800(program(0xE000)), tmp_path / "run.vcd")
    assert swaps(capture, board(tmp_path, "6800", 0xE000)) == []


def test_a_stuck_lane_is_no_exchange(tmp_path: Path) -> None:
    capture = write_vcd(wave_6800(program(0xE000, bend=0x08)), tmp_path / "run.vcd")
    assert swaps(capture, board(tmp_path, "6800", 0xE000)) == []


def test_a_rom_that_answers_twice_is_no_exchange(tmp_path: Path) -> None:
    """Common practice: an address line left out of the decoding shows the ROM a second time."""
    log = program(0xE000)
    log += [Access(False, a.address | 0x0800, 1, a.data) for a in log if a.address >= 0xE000]
    capture = write_vcd(wave_6800(log), tmp_path / "run.vcd")
    assert swaps(capture, board(tmp_path, "6800", 0xE000)) == []


def test_a_floating_bus_beside_an_empty_rom_is_no_exchange(tmp_path: Path) -> None:
    """Outside the ROM every read gives FF, and so does the erased upper half of its image."""
    log = [Access(False, 0xE000 + at, 1, ROM[at]) for at in range(1024)]
    log += [Access(False, address, 1, 0xFF) for address in range(0xE400, 0xF000)]
    file = board(tmp_path, "6800", 0xE000)
    (tmp_path / "monitor.bin").write_bytes(ROM[:1024] + b"\xff" * 1024)
    assert swaps(write_vcd(wave_6800(log), tmp_path / "run.vcd"), file) == []


SWAPPED_SELECTS = """
[board]
name = "Weather kiosk"
bus = "6800"

[[region]]
name = "work"
start = 0x0000
end = 0x0FFF
kind = "ram"
select = "CS0"

[[region]]
name = "monitor"
start = 0x1000
end = 0x17FF
kind = "rom"
image = "monitor.bin"
select = "CS1"

[[decoder]]
designator = "IC12"
part = "74LS138"
inputs = { A = "A12", B = "A13", C = "A14", G1 = "PHI2", G2A = "A15", G2B = "A15" }
outputs = { Y0 = "CS0", Y1 = "CS1" }
"""


def test_an_answer_that_knows_better_is_not_contradicted_by_its_own_warning(tmp_path: Path) -> None:
    """A decoder's selects are exchanged: the ROM's reads would fit exchanged clips of A11 and A12 as well, those of the
    upper half of the memory do not. What stands in the first line is not to be doubted "before any part is suspected".
    """
    dice = random.Random(5)
    memory: dict[int, int] = {}
    log = []
    for turn in range(1200):
        cell = dice.randrange(0x1000)  # of the RAM by the board file: the ROM answers
        log += [Access(True, cell, 1, dice.randrange(256)), Access(False, cell, 1, ROM[cell % 2048])]
        if turn % 2:
            at = dice.randrange(2048)  # of the ROM: the RAM answers
            log.append(Access(False, 0x1000 + at, 1, memory.setdefault(at, dice.randrange(256))))
    (tmp_path / "monitor.bin").write_bytes(ROM)
    file = tmp_path / "board.toml"
    file.write_text(SWAPPED_SELECTS, encoding="utf-8")
    result = run_check(Request(write_vcd(wave_6800(log), tmp_path / "run.vcd"), file))
    first = result.suspects[0]
    assert (first.fault, first.component) == ("select-swapped", "IC12") and first.probability > 0.95
    texts = [w.text for w in result.capture.warnings if "swapped at the clips" in w.text]
    assert all("before any part is suspected" not in text for text in texts)


def test_without_an_image_nothing_can_be_known(tmp_path: Path) -> None:
    file = board(tmp_path, "6800", 0xE000)
    file.write_text(file.read_text(encoding="utf-8").replace('image = "monitor.bin"\n', ""), encoding="utf-8")
    capture = write_vcd(exchange(wave_6800(program(0xE000)), "D3", "D4"), tmp_path / "run.vcd")
    result = run_check(Request(capture, file))
    assert not [w for w in result.capture.warnings if w.code == "swapped-clips"]
    assert result.mismatch_total == 0


@pytest.mark.parametrize(
    ("bus", "pair"), [("68000", ("D3", "D12")), ("68000", ("A4", "A7")), ("8086-min", ("AD3", "AD12"))]
)
def test_wide_and_multiplexed_buses(tmp_path: Path, bus: str, pair: tuple[str, str]) -> None:
    """On a multiplexed bus an exchange bends address and data at once (8086: AD3 and AD12)."""
    dice = random.Random(4)
    memory = Memory()
    order = "big" if bus == "68000" else "little"
    for _ in range(400):
        at = 2 * dice.randrange(1024)
        memory.log.append(Access(False, 0xE000 + at, 3, int.from_bytes(ROM[at : at + 2], order)))
    wave = exchange((wave_68000 if bus == "68000" else wave_8086)(memory.log), *pair)
    (text,) = swaps(write_vcd(wave, tmp_path / "run.vcd"), board(tmp_path, bus, 0xE000))
    assert text.startswith(f"{pair[0]} and {pair[1]} look swapped at the clips: ")


BANKS = "".join(
    f'[[region]]\nname = "bank{k}"\nstart = {0x4000 + 0x400 * k:#x}\nend = {0x43FF + 0x400 * k:#x}\n'
    f'kind = "ram"\nselect = "CS{k}"\n'
    for k in range(4)
)


@pytest.mark.parametrize("pair", [("A3", "A10"), ("A10", "A12"), ("A10", "A11"), None])
def test_selects_tell_of_exchanged_address_clips(tmp_path: Path, pair: tuple[str, str] | None) -> None:
    """Four banks of 1 KB, their selects clipped: memory itself looks well, the selects come for other addresses."""
    dice = random.Random(6)
    log = []
    for _ in range(300):
        value, cell = dice.randrange(256), 0x4000 + dice.randrange(0x1000)
        log += [Access(True, cell, 1, value), Access(False, cell, 1, value)]
    log += [Access(False, address, 1, 0x3E) for address in range(0x8000, 0x8040)]
    wave = wave_6800(log)
    for k in range(4):
        wave.put(0, f"CS{k}", 1)
    for n, access in enumerate(log):
        for k in range(4):
            wave.put(1000 * n + 330, f"CS{k}", int(access.address >> 10 != 0x10 + k))
    if pair:
        exchange(wave, *pair)
    file = tmp_path / "banks.toml"
    file.write_text(f'[board]\nname = "Winch"\nbus = "6800"\n{BANKS}', encoding="utf-8")
    said = swaps(write_vcd(wave, tmp_path / "run.vcd"), file)
    expected = [f"{pair[0]} and {pair[1]} look swapped at the clips"] if pair else []
    assert [text.split(":")[0] for text in said] == expected


@pytest.mark.parametrize("exchanged", [False, True])
def test_a_select_that_never_comes_is_no_exchange(tmp_path: Path, exchanged: bool) -> None:
    """Bank 1 begins at 7800, right below the ROM's addresses: with A11 and A15 exchanged its accesses would lie outside
    all regions, so that its select need not come; but then bank 1's own would come where it is not expected."""
    dice = random.Random(8)
    log = []
    for _ in range(300):
        value, cell = dice.randrange(256), 0x7000 + dice.randrange(0x1000)
        log += [Access(True, cell, 1, value), Access(False, cell, 1, value)]
    log += [Access(False, address, 1, 0x3E) for address in range(0xF800, 0xF840)]
    wave = wave_6800(log)
    for k, dead in enumerate((False, not exchanged)):
        wave.put(0, f"CS{k}", 1)
        for n, access in enumerate(log):
            wave.put(1000 * n + 330, f"CS{k}", int(dead or access.address >> 11 != 0xE + k))
    if exchanged:
        exchange(wave, "A11", "A15")
    file = tmp_path / "banks.toml"
    banks = "".join(
        f'[[region]]\nname = "bank{k}"\nstart = {0x7000 + 0x800 * k:#x}\nend = {0x77FF + 0x800 * k:#x}\n'
        f'kind = "ram"\nselect = "CS{k}"\n'
        for k in range(2)
    )
    file.write_text(f'[board]\nname = "Tide gauge"\nbus = "6800"\n{banks}', encoding="utf-8")
    said = swaps(write_vcd(wave, tmp_path / "run.vcd"), file)
    assert [text.split(":")[0] for text in said] == ["A11 and A15 look swapped at the clips"] * exchanged
