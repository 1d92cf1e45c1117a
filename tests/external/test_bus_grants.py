"""Cycles of another master, and buses given away: the pins each data sheet names for it (from memory)."""

from __future__ import annotations

import pytest

from tests.external.test_bus_backplanes import strobed
from tests.external.test_bus_clocked import clocked
from tests.external.test_bus_intel import multiplexed
from tests.external.test_bus_others import multiplexed16
from tests.external.waveform import Wave, both


def test_65c816_bus_enable():
    """W65C816S data sheet: BE low floats address, R/W and data."""
    wave = clocked([(0x8000, True, 0x11, {"BE": 1}), (0x8001, True, 0x22, {"BE": 0}), (0x8002, False, 0x33, {})])
    rows = both(wave, "65c816")
    assert [(row[0], row[1] & 0xFFFF, row[2]) for row in rows] == [
        ("read", 0x8000, 0x11),
        ("dma-read", 0x8001, 0x22),
        ("dma-write", 0x8002, 0x33),
    ]


def test_6809e_bus_available_and_three_state_control():
    """MC6809E data sheet: BA high with BS high = halt or bus grant; TSC floats the buses."""
    wave = clocked(
        [
            (0x1000, True, 0x11, {"BA": 0, "BS": 0, "TSC": 0}),
            (0x1001, True, 0x22, {"BA": 1, "BS": 1}),
            (0x1002, False, 0x33, {}),
            (0x1003, True, 0x44, {"BA": 0, "BS": 0, "TSC": 1}),
            (0x1004, False, 0x55, {}),
            (0x1005, True, 0x66, {"TSC": 0}),
        ],
        clock="E",
        late=200,
        drive=0,
        setup=90,
    )
    assert [row[0] for row in both(wave, "6809e")] == ["read", "halt", "dma-write", "halt", "dma-write", "read"]


def strobes(profile, wave, lines, start, read):
    """One 68000 or 68008 cycle of another master: M68000 User's Manual pp. 4-5 and 5-4."""
    data = "D0-D15" if "UDS" in lines else "D0-D7"
    wave.put(start + 125, "RW", read).pulse("AS", start + 125, start + 500)
    for line in lines:
        wave.pulse(line, start + (127 if read else 250), start + 500)
    wave.put(start + 187, data, 0x42).put(start + 560, data, 0).put(start + 560, "RW", 1)


def test_68000_and_68008_bus_grant_and_bus_error():
    for profile, lines, address, data in (
        ("68000", ("UDS", "LDS"), "A1-A23", "D0-D15"),
        ("68008", ("DS",), "A0-A19", "D0-D7"),
    ):
        wave = Wave().idle(AS=1, RW=1, BERR=1, BGACK=1, **dict.fromkeys(lines, 1)).put(0, address, 8).put(0, data, 0)
        wave.put(900, "BGACK", 0).put(2900, "BGACK", 1)
        strobes(profile, wave, lines, 1000, 1)
        strobes(profile, wave, lines, 2000, 0)
        strobes(profile, wave, lines, 3000, 1)
        strobes(profile, wave, lines, 4000, 0)
        strobes(profile, wave, lines, 5000, 1)
        wave.pulse("BERR", 5300, 5600)
        assert [row[0] for row in both(wave, profile)] == ["dma-read", "dma-write", "read", "write", "idle"]


def test_z8000_and_ns32016_bus_acknowledge():
    for profile, latch, grant, idle in (
        ("z8000", "AS", "BUSAK", {"RW": 1, "BW": 0}),
        ("ns32016", "ADS", "HLDA", {"DDIN": 0, "HBE": 0}),
    ):
        wave = Wave().idle(DS=1, **{latch: 1, grant: 1}, **idle).put(0, "AD0-AD15", 0)
        if profile == "ns32016":
            wave.put(0, "A16-A23", 0)
        direction, write = ("RW", 0) if profile == "z8000" else ("DDIN", 1)
        wave.put(900, grant, 0)
        multiplexed16(wave, 1000, 0x2000, 1, 0x1111, "DS", latch)
        wave.put(1900, direction, write)
        multiplexed16(wave, 2000, 0x2002, 0, 0x2222, "DS", latch)
        assert both(wave, profile) == [("dma-read", 0x2000, 0x1111), ("dma-write", 0x2002, 0x2222)]


def test_std_interrupt_acknowledge_with_rd():
    """A card that pulses RD with INTAK (STD bus specification, from memory) is listed once."""
    wave = Wave().idle(RD=1, WR=1, MEMRQ=1, IORQ=1, INTAK=1).put(0, "A0-A15", 0x100).put(0, "D0-D7", 0)
    wave.pulse("INTAK", 1000, 2000).pulse("RD", 1200, 1900).put(1500, "D0-D7", 0xE7).put(2100, "D0-D7", 0)
    assert both(wave, "std") == [("int-ack", 0x100, 0xE7)]


def test_8080_ends_the_read_during_which_hlda_rises():
    """Intel 8080 User's Manual, "HOLD sequences": HLDA rises with phase 1 of T3 of a read, DBIN falls with its phase 2.

    The slow end of the sheet: tDC 120 ns late on DBIN's begin leaves the strobe short, and HLDA in its first half.
    """
    wave = Wave().idle(SYNC=0, DBIN=0, WR=1, WAIT=0, HLDA=0).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n, (address, data) in enumerate([(0x2000, 0x11), (0x2001, 0x22), (0x2002, 0x33)]):
        start = 4000 * n + 200
        wave.put(start + 120, "A0-A15", address).put(start + 220, "D0-D7", 0x82)
        wave.pulse("SYNC", start + 120, start + 600, level=1).put(start + 640, "D0-D7", 0xFF)
        wave.pulse("DBIN", start + 620, start + 1090, level=1).put(start + 700, "D0-D7", data)
        wave.put(start + 1110, "D0-D7", 0xFF)
        if n == 1:
            wave.pulse("HLDA", start + 780, start + 3000, level=1)
    assert both(wave, "8080") == [("read", 0x2000, 0x11), ("read", 0x2001, 0x22), ("read", 0x2002, 0x33)]


def test_a_read_behind_an_8228_that_ends_after_the_grant():
    """8228 page of the 8080 User's Manual: MEMR lasts as long as DBIN, so HLDA rises inside it."""
    wave = Wave().idle(MEMR=1, MEMW=1, IOR=1, IOW=1, INTA=1, HLDA=0, M1=0).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n in range(3):
        start = 3000 * n + 200
        wave.put(start, "A0-A15", 0x100 + n).put(start + 300, "D0-D7", 0x11 * (n + 1))
        wave.pulse("MEMR", start + 150, start + 650).put(start + 700, "D0-D7", 0xFF)
    wave.put(3500, "HLDA", 1)
    rows = both(wave, "8080-8228")
    assert rows == [("read", 0x100, 0x11), ("read", 0x101, 0x22), ("dma-read", 0x102, 0x33)]


@pytest.mark.parametrize("profile", ["8085", "8086-min", "8088-min"])
def test_hlda_that_rises_before_the_strobe_ends(profile):
    """Intel 8085A data sheet, HOLD timing: HLDA is valid tHACK before the clock's edge in T3, where RD still is low.

    Intel 8086 data sheet (231455), HLDA in the middle of T4: tCLHAV of 10 ns after it, 110 ns into a T4 of 200 ns, is
    before the slow end of tCLRH, 150 ns (figures from memory). The share of the strobe that 0.4 leaves is more than any
    sheet allows: whose a strobe is, its begin says.
    """
    wide = profile == "8086-min"
    ad, high = ("AD0-AD15", "A16-A19") if wide else ("AD0-AD7", "A8-A15" if profile == "8085" else "A8-A19")
    memory = {"MIO": 1, "BHE": 0} if wide else {"IOM": 0}
    cycles = [
        ("RD", 0x34, 0x1, 0x3A, memory | {"S1": 1, "S0": 0, "DTR": 0, "SSO": 1}),
        ("RD", 0x36, 0x1, 0x5C, {}),
        ("RD", 0x38, 0x1, 0x7E, {}),
        ("WR", 0x3A, 0x1, 0x11, {"HLDA": 0, "S1": 0, "S0": 1, "DTR": 1, "SSO": 0}),
        ("WR", 0x3C, 0x1, 0x22, {}),
    ]
    idle = {"RD": 1, "WR": 1, "INTA": 1, "HLDA": 0, "HOLD": 0}
    for share in (0.4, 0.7, 0.97):
        wave = multiplexed(cycles, idle, ad, high, ale=140, gap=130, width=400)
        begin = [1500 * n + 100 + 20 + 140 + 130 for n in range(5)]
        wave.put(begin[1] - 100, "HOLD", 1).put(begin[1] + int(400 * share), "HLDA", 1)
        wave.put(begin[3] + int(400 * share), "HLDA", 1)
        rows = both(wave, profile)
        assert [row[0] for row in rows] == ["read", "read", "dma-read", "write", "dma-write"]
        assert [row[2] & 0xFF for row in rows] == [0x3A, 0x5C, 0x7E, 0x11, 0x22]


def test_a_z80_asked_for_its_bus_in_the_middle_of_a_read():
    """Z80 CPU User Manual, "Bus Request/Acknowledge Cycle": BUSRQ is sampled in the last T state, BUSAK follows."""
    lines = {"MREQ": 1, "IORQ": 1, "RD": 1, "WR": 1, "M1": 1, "RFSH": 1, "BUSAK": 1, "BUSRQ": 1}
    wave = Wave().idle(**lines).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n in range(3):
        start = 2000 * n + 1000
        wave.put(start, "A0-A15", 0x4000 + n).put(start + 500, "D0-D7", 0x11 * (n + 1))
        wave.pulse("MREQ", start + 200, start + 945).pulse("RD", start + 205, start + 950)
    wave.put(3500, "BUSRQ", 0).put(3000 + 950 + 20, "BUSAK", 0)  # at its earliest, as RD has just risen
    wanted = [("read", 0x4000, 0x11), ("read", 0x4001, 0x22), ("dma-read", 0x4002, 0x33)]
    assert both(wave, "z80") == wanted
    assert both(wave, "ecb") == wanted


def test_a_6809_asked_to_halt_in_the_middle_of_a_cycle():
    """MC6809 data sheet: HALT is taken at the end of the instruction, BA rises with the cycle after it."""
    cycles = [
        (0x1000, True, 0x11, {"BA": 0, "BS": 0, "HALT": 1}),
        (0x1001, True, 0x22, {"HALT": 0}),
        (0x1002, False, 0x33, {}),
        (0x1003, True, 0x44, {"BA": 1, "BS": 1}),
        (0x1004, False, 0x55, {}),
    ]
    wave = clocked(cycles, clock="E", late=200, drive=0, setup=90)
    assert [row[0] for row in both(wave, "6809")][:3] == ["read", "read", "write"]
    assert "write" not in [row[0] for row in both(wave, "6809")][3:]


def test_a_68000_asked_for_its_bus_in_the_middle_of_a_read():
    """M68000 User's Manual, bus arbitration: BR and BG come in mid-cycle, BGACK only when AS has been negated."""
    wave = Wave().idle(AS=1, RW=1, BERR=1, BGACK=1, BR=1, BG=1, UDS=1, LDS=1).put(0, "A1-A23", 8).put(0, "D0-D15", 0)
    strobes("68000", wave, ("UDS", "LDS"), 1000, 1)
    wave.put(1300, "BR", 0).put(1400, "BG", 0).put(1000 + 500 + 30, "BGACK", 0)
    strobes("68000", wave, ("UDS", "LDS"), 2000, 1)
    strobes("68000", wave, ("UDS", "LDS"), 3000, 0)
    assert [row[0] for row in both(wave, "68000")] == ["read", "dma-read", "dma-write"]


def test_a_z8000_and_an_ns32016_asked_for_their_bus_in_the_middle_of_a_read():
    """The grant follows the end of the strobe; asked for in the middle of one (both sheets from memory)."""
    for profile, latch, ask, grant, idle in (
        ("z8000", "AS", "BUSRQ", "BUSAK", {"RW": 1, "BW": 0}),
        ("ns32016", "ADS", "HOLD", "HLDA", {"DDIN": 0, "HBE": 0}),
    ):
        wave = Wave().idle(DS=1, **{latch: 1, grant: 1, ask: 1}, **idle).put(0, "AD0-AD15", 0)
        if profile == "ns32016":
            wave.put(0, "A16-A23", 0)
        multiplexed16(wave, 1000, 0x2000, 1, 0x1111, "DS", latch)
        wave.put(1300, ask, 0).put(1700, grant, 0)
        multiplexed16(wave, 2000, 0x2002, 1, 0x2222, "DS", latch)
        assert both(wave, profile) == [("read", 0x2000, 0x1111), ("dma-read", 0x2002, 0x2222)]


LATE = (0.4, 0.7, 0.97, 1.02)  # where in the strobe during which the bus is asked for the grant is seen


@pytest.mark.parametrize("late", LATE)
@pytest.mark.parametrize("write", [0, 1])
def test_a_tms9900_asked_for_its_bus_in_the_middle_of_an_access(late, write):
    """TMS9900 Data Manual, "Hold" (from memory): HOLD is looked at in every clock period, HOLDA comes when the memory
    cycle is done. Seen early by a slow clip, it does not make another master's access of the processor's own."""
    wave = Wave().idle(MEMEN=1, DBIN=0, WE=1, IAQ=0, HOLD=1, HOLDA=0).put(0, "A14-A0", 0).put(0, "D15-D0", 0)
    for n in range(3):
        start = 2000 * n + 100
        wave.put(start, "A14-A0", (0x8300 + 2 * n) >> 1).pulse("MEMEN", start + 50, start + 716)
        if write:
            wave.put(start + 100, "D15-D0", 0x1111 * (n + 1)).pulse("WE", start + 250, start + 620)
        else:
            wave.pulse("DBIN", start + 50, start + 716, level=1).put(start + 400, "D15-D0", 0x1111 * (n + 1))
        wave.put(start + 760, "D15-D0", 0)
    begin, wide = (2100 + 250, 370) if write else (2100 + 50, 666)
    wave.put(begin + 100, "HOLD", 0).put(begin + int(late * wide), "HOLDA", 1)
    kind = "write" if write else "read"
    assert both(wave, "tms9900") == [
        (kind, 0x8300, 0x1111),
        (kind, 0x8302, 0x2222),
        (f"dma-{kind}", 0x8304, 0x3333),
    ]


@pytest.mark.parametrize("late", LATE)
@pytest.mark.parametrize("strobe", ["RD", "WR"])
def test_an_std_bus_asked_for_in_the_middle_of_an_access(late, strobe):
    """STD bus specification (from memory): BUSRQ at any time; BUSAK as the processor's card gives it, which is a
    Z80's or an 8085's, whose HLDA rises before RD does."""
    idle = {"RD": 1, "WR": 1, "MEMRQ": 1, "IORQ": 1, "INTAK": 1, "BUSRQ": 1, "BUSAK": 1}
    wave = strobed([(strobe, 0, 0x200 + n, 0x11 * (n + 1), {"MEMRQ": 0}) for n in range(3)], idle)
    begin, end = edges(wave, strobe)[1]
    wave.put(begin + 50, "BUSRQ", 0).put(begin + int(late * (end - begin)), "BUSAK", 0)
    kind = "read" if strobe == "RD" else "write"
    assert both(wave, "std") == [(kind, 0x200, 0x11), (kind, 0x201, 0x22), (f"dma-{kind}", 0x202, 0x33)]


@pytest.mark.parametrize("late", LATE)
@pytest.mark.parametrize(("strobe", "level"), [("PDBIN", 1), ("PWR", 0)])
def test_an_ieee696_bus_asked_for_in_the_middle_of_an_access(late, strobe, level):
    """IEEE 696-1983, HOLD and pHLDA (from memory); from an 8080, HLDA rises while DBIN is still high (Intel 8080 User's
    Manual, "HOLD sequences")."""
    idle = {"PDBIN": 0, "PWR": 1, "SMEMR": int(level), "HOLD": 1, "PHLDA": 0}
    lines = {"data": "DI0-DI7" if level else "DO0-DO7"}
    cycles = [(strobe, level, 0x200 + n, 0x11 * (n + 1), dict(lines)) for n in range(3)]
    wave = strobed(cycles, idle, data_lines="DO0-DO7").put(0, "DI0-DI7", 0)
    begin, end = edges(wave, strobe)[1]
    wave.put(begin + 50, "HOLD", 0).put(begin + int(late * (end - begin)), "PHLDA", 1)
    kind = "read" if level else "write"
    assert both(wave, "ieee696") == [(kind, 0x200, 0x11), (kind, 0x201, 0x22), (f"dma-{kind}", 0x202, 0x33)]


def edges(wave, line):
    """(begin, end) of every strobe drawn on a line, ns."""
    times = sorted(at for at in wave.changes[line] if at)
    return list(zip(times[::2], times[1::2], strict=True))
