"""One cycle of each kind on the clocked buses, drawn by hand from the data sheets' diagrams.

All delays are typical or worst-case figures of the sheet that the function names; from memory where the
sheet was not at hand.
"""

from __future__ import annotations

import pytest

from busledger.decoder.bus import Flag, load_profile
from tests.external.waveform import Wave, both


def clocked(cycles, clock="PHI2", period=1000, address_lines="A0-A15", late=140, drive=150, setup=200, hold=40):
    """Address, R/W and status ``late`` after the clock falls; write data ``drive`` after it rises, read data ``setup``
    before it falls; data gone ``hold`` after. A cycle is (address, read?, data, {other lines})."""
    wave = Wave().idle(RW=1).put(0, clock, 0).put(0, address_lines, 0).put(0, "D0-D7", 0)
    for n, (address, read, data, other) in enumerate(cycles):
        start = period * n + 100
        wave.put(start + late, address_lines, address).put(start + late, "RW", int(read))
        for line, level in other.items():
            wave.put(start + late, line, level)
        wave.put(start + period // 2, clock, 1).put(start + period, clock, 0)
        wave.put(start + (period - setup if read else period // 2 + drive), "D0-D7", data)
        wave.put(start + period + hold, "D0-D7", 0xFF)
    return wave


def test_6800():
    """MC6800 data sheet, figures "Read Data from Memory or Peripherals" and "Write Data in Memory or Peripherals"."""
    wave = clocked(
        [
            (0x1234, True, 0x5A, {"VMA": 1, "BA": 0}),
            (0x1235, False, 0xA5, {}),
            (0x1235, True, 0x77, {"VMA": 0}),
            (0xFFFF, True, 0x00, {"VMA": 0, "BA": 1}),
            (0x4000, False, 0x12, {"VMA": 1}),
            (0x4001, True, 0x34, {}),
        ],
        late=270,
        drive=225,
        setup=110,
    )
    assert both(wave, "6800") == [
        ("read", 0x1234, 0x5A),
        ("write", 0x1235, 0xA5),
        ("idle", 0x1235, 0x77),
        ("halt", 0xFFFF, None),
        ("dma-write", 0x4000, 0x12),
        ("dma-read", 0x4001, 0x34),
    ]


def test_6802():
    """MC6802 data sheet, figures "Read/Write Timing"; VMA low = dead cycle, 0000-007F is RAM on the chip."""
    wave = clocked(
        [
            (0x8000, True, 0x01, {"VMA": 1, "BA": 0}),
            (0x8001, False, 0x02, {}),
            (0x0010, True, 0x03, {}),
            (0x8001, True, 0x04, {"VMA": 0}),
            (0x8002, True, 0x05, {"BA": 1}),
        ],
        clock="E",
        late=300,
        drive=200,
        setup=110,
    )
    cycles, _ = wave.decode("6802")
    assert both(wave, "6802") == [
        ("read", 0x8000, 0x01),
        ("write", 0x8001, 0x02),
        ("read", 0x0010, 0x03),
        ("idle", 0x8001, 0x04),
        ("halt", 0x8002, None),
    ]
    profile = load_profile("6802")
    assert [profile.compares(r) for r in cycles.rule.tolist()] == [True, True, False, False, False]


@pytest.mark.parametrize("sync", [True, False])
def test_6502(sync):
    """MCS6500 data sheet, May 1976, figures "Timing for Reading Data" and "... Writing Data"; RDY repeats a read."""
    status = [{"SYNC": 1, "RDY": 1}, {"SYNC": 0}, {"RDY": 0}, {}, {"RDY": 1}, {}] if sync else [{}] * 6
    wave = clocked(
        [
            (0x0200, True, 0xAD, status[0]),
            (0x0201, True, 0x34, status[1]),
            (0x4000, True, 0x11, status[2]),
            (0x4000, True, 0x22, status[3]),
            (0x4000, True, 0x33, status[4]),
            (0x4001, False, 0x44, status[5]),
        ],
        late=300,
        drive=200,
        setup=110,
    )
    if sync:
        assert both(wave, "6502", flags=True) == [
            ("opcode-fetch", 0x0200, 0xAD, Flag(0)),
            ("read", 0x0201, 0x34, Flag(0)),
            ("read", 0x4000, 0x33, Flag.WAIT),
            ("write", 0x4001, 0x44, Flag(0)),
        ]
    else:
        assert [row[0] for row in both(wave, "6502")] == ["read"] * 5 + ["write"]


def test_6510_gives_its_bus_away():
    """AEC low: another master's address is on the bus (6510 data sheet, from memory)."""
    wave = clocked([(0x0400, True, 1, {"AEC": 1}), (0x0500, True, 2, {"AEC": 0}), (0x0501, False, 3, {})])
    assert both(wave, "6502") == [("read", 0x0400, 1), ("dma-read", 0x0500, 2), ("dma-write", 0x0501, 3)]


def test_65c816():
    """W65C816S data sheet, general timing diagram: D0-D7 hold BA0-BA7 while PHI2 is low, data while it is high."""
    wave = Wave().idle(PHI2=0, RW=1, VDA=0, VPA=0, RDY=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    cycles = [
        (0x12_8000, 1, 1, 1, 0xA9),
        (0x12_8001, 1, 0, 1, 0x55),
        (0x12_8001, 1, 0, 0, 0x00),
        (0x7E_1234, 1, 1, 0, 0x66),
        (0x7E_1235, 0, 1, 0, 0x99),
    ]
    for n, (address, read, vda, vpa, data) in enumerate(cycles):
        start = 500 * n + 100
        wave.put(start + 30, "A0-A15", address & 0xFFFF).put(start + 30, "RW", read)
        wave.put(start + 30, "VDA", vda).put(start + 30, "VPA", vpa).put(start + 33, "D0-D7", address >> 16)
        wave.put(start + 250, "PHI2", 1).put(start + 500, "PHI2", 0)
        wave.put(start + 262, "D0-D7", 0xFF).put(start + 280, "D0-D7", data).put(start + 511, "D0-D7", 0x00)
    assert both(wave, "65c816") == [
        ("opcode-fetch", 0x128000, 0xA9),
        ("read", 0x128001, 0x55),
        ("idle", 0x128001, 0x00),
        ("read", 0x7E1234, 0x66),
        ("write", 0x7E1235, 0x99),
    ]


def test_6809():
    """MC6809 data sheet, figure "Read Data from Memory or Peripherals"; Q leads E by a quarter; FFFF, BS low: dummy."""
    cycles = [
        (0x1000, True, 0x8E, {"BA": 0, "BS": 0}),
        (0x1001, False, 0x12, {}),
        (0xFFFF, True, 0x00, {}),
        (0xFFFE, True, 0xC0, {"BS": 1}),
        (0xFFFF, True, 0x00, {"BS": 1}),
        (0x2000, True, 0x00, {"BA": 1, "BS": 1}),
        (0x2001, False, 0x5C, {}),
        (0x1002, True, 0x39, {"BA": 0, "BS": 0}),
    ]
    wave = clocked(cycles, clock="E", late=200, drive=0, setup=90)
    for n in range(len(cycles)):
        wave.pulse("Q", 1000 * n + 350, 1000 * n + 850, level=1)
    wave.put(0, "Q", 0)
    assert both(wave, "6809") == [
        ("read", 0x1000, 0x8E),
        ("write", 0x1001, 0x12),
        ("idle", 0xFFFF, 0x00),
        ("read", 0xFFFE, 0xC0),
        ("read", 0xFFFF, 0x00),
        ("halt", 0x2000, None),
        ("dma-write", 0x2001, 0x5C),
        ("read", 0x1002, 0x39),
    ]


def test_6809e():
    """MC6809E data sheet: AVMA high = the next cycle uses the bus; LIC high = the next one fetches an opcode."""
    cycles = [
        (0x1000, True, 0x12, {"AVMA": 1, "LIC": 0, "BA": 0, "BS": 0, "TSC": 0}),
        (0x1001, True, 0x34, {"AVMA": 0}),
        (0x1001, True, 0x56, {"AVMA": 1, "LIC": 1}),
        (0x1002, True, 0x9D, {"LIC": 0}),
        (0x0040, False, 0x77, {}),
        (0xFFFF, True, 0x39, {}),
    ]
    wave = clocked(cycles, clock="E", late=200, drive=0, setup=90)
    rows = both(wave, "6809e", flags=True)
    # Whether the first cycle uses the bus was said before the capture began.
    assert rows[0] == ("idle", 0x1000, None, Flag.UNKNOWN)
    assert [row[:3] for row in rows[1:]] == [
        ("read", 0x1001, 0x34),
        ("idle", 0x1001, 0x56),
        ("opcode-fetch", 0x1002, 0x9D),
        ("write", 0x0040, 0x77),
        ("idle", 0xFFFF, 0x39),
    ]


def test_6801_multiplexed():
    """MC6801 data sheet, figure "Multiplexed Bus Timing": A0-A7 on the data lines, latched as AS falls."""
    wave = Wave().idle(E=0, AS=0, RW=1).put(0, "A8-A15", 0).put(0, "D0-D7", 0)
    cycles = [(0x8001, 1, 0x5A), (0x8002, 0, 0xA5), (0xFFFF, 1, 0xFF), (0x0012, 1, 0x01), (0x0090, 0, 0x02)]
    for n, (address, read, data) in enumerate(cycles):
        start = 1000 * n + 100
        wave.pulse("AS", start + 120, start + 360, level=1)
        wave.put(start + 200, "D0-D7", address & 0xFF).put(start + 200, "A8-A15", address >> 8)
        wave.put(start + 200, "RW", read)
        wave.put(start + 385, "D0-D7", 0x00)
        wave.put(start + 500, "E", 1).put(start + 1000, "E", 0)
        wave.put(start + (890 if read else 725), "D0-D7", data).put(start + 1022, "D0-D7", 0x00)
    assert both(wave, "6801") == [
        ("read", 0x8001, 0x5A),
        ("write", 0x8002, 0xA5),
        ("idle", 0xFFFF, 0xFF),
        ("read", 0x0012, 0x01),
        ("write", 0x0090, 0x02),
    ]


# bus, clock, cycle, address delay, write data delay after the clock rises, read set-up, hold: the slow end of each
# grade in ns, every output as late and every input as tight as the sheet allows. MCS6500, MC6800, MC6802 and MC6809
# data sheets, from memory.
SLOW_ENDS = [
    ("6502", "PHI2", 1000, 300, 200, 100, 10),
    ("6502", "PHI2", 500, 150, 100, 50, 10),
    ("6800", "PHI2", 1000, 270, 225, 100, 10),
    ("6800", "PHI2", 667, 180, 200, 60, 10),
    ("6800", "PHI2", 500, 150, 160, 40, 10),
    ("6802", "E", 1000, 340, 225, 100, 10),
    ("6802", "E", 500, 200, 160, 60, 10),
    ("6809", "E", 1000, 200, 0, 80, 10),
    ("6809", "E", 667, 140, 10, 60, 10),
    ("6809", "E", 500, 110, 30, 40, 10),
]


@pytest.mark.parametrize("slow", SLOW_ENDS)
def test_pins_at_the_slow_end_of_each_grade(slow: tuple[str, str, int, int, int, int, int]) -> None:
    bus, clock, period, late, drive, setup, hold = slow
    cycles = [(0x1000 + 3 * n, n % 3 != 1, (37 * n) & 0xFF, {}) for n in range(40)]
    wave = clocked(cycles, clock, period, late=late, drive=drive, setup=setup, hold=hold)
    if bus == "6809":
        for n in range(len(cycles)):
            start = period * n + 100
            wave.put(start + period // 4, "Q", 1).put(start + 3 * period // 4, "Q", 0)
    expected = [("read" if read else "write", address, data) for address, read, data, _ in cycles]
    assert both(wave, bus, grid_ns=5.0) == expected
