"""Pins at the slow end of each grade: every output as late, every input as tight as the sheet allows.

The 6502, the 6800 family and the 6809 are in ``test_bus_clocked``, the 8080 in ``test_bus_grants``; here are the buses
with strobes. Figures: Zilog Z80 CPU Product Specification, March 1978; Intel 8085A and 8085A-2 data sheets; Intel 8086
data sheet (231455) p. 16 with TCLCH at its least; M68000 User's Manual section 10 (from memory but for the 8086's).
"""

from __future__ import annotations

import pytest

from tests.external.waveform import Wave, both

# clock, address, MREQ and RD late; set-up of an opcode and of data; write data, WR late.
Z80 = {"Z80": (400, 145, 100, 130, 50, 60, 230, 80), "Z80A": (250, 110, 85, 95, 35, 50, 150, 65)}


@pytest.mark.parametrize("rise", [5, 85])
@pytest.mark.parametrize("grade", Z80)
def test_z80(grade: str, rise: int) -> None:
    """``rise``: how long after its clock edge RD rises; nobody needs to hold data beyond that (tH = 0)."""
    tc, late, mreq, rd, opcode, setup, written, wr = Z80[grade]
    wave = Wave().idle(MREQ=1, IORQ=1, RD=1, WR=1, M1=1, RFSH=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0xFF)
    wanted, now = [], 400
    for n in range(24):
        kind, address, data = ("opcode-fetch", "read", "write")[n % 3], 0x4000 + 37 * n, (91 * n + 5) & 0xFF
        wanted.append((kind, address, data))
        wave.put(now + late, "A0-A15", address)
        if kind == "opcode-fetch":
            wave.put(now + 130 * tc // 400, "M1", 0).put(now + 2 * tc + 130 * tc // 400, "M1", 1)
            wave.pulse("MREQ", now + tc / 2 + mreq, now + 2 * tc + rise).pulse(
                "RD", now + tc / 2 + rd, now + 2 * tc + rise
            )
            wave.put(now + 2 * tc - opcode, "D0-D7", data).put(now + 2 * tc + rise, "D0-D7", 0xFF)
            wave.put(now + 2 * tc + late, "A0-A15", n)
            wave.put(now + 2 * tc + late + 5, "RFSH", 0).put(now + 4 * tc + 40, "RFSH", 1)
            wave.pulse("MREQ", now + 2.5 * tc + mreq, now + 3.5 * tc + 40)
            now += 4 * tc
            continue
        end = now + 2.5 * tc + rise
        wave.pulse("MREQ", now + tc / 2 + mreq, end)
        if kind == "read":
            wave.pulse("RD", now + tc / 2 + rd, end).put(now + 2.5 * tc - setup, "D0-D7", data)
            wave.put(end, "D0-D7", 0xFF)
        else:
            wave.put(now + tc / 2 + written, "D0-D7", data).pulse("WR", now + 1.5 * tc + wr, end)
            wave.put(end + 60 * tc // 400, "D0-D7", 0xFF)
        now += 3 * tc
    rows = both(wave, "z80", grid_ns=5.0)
    assert [row for row in rows if row[0] != "refresh"] == wanted
    assert len(rows) == len(wanted) + 8


# ALE, address before and after its fall, fall to strobe, strobe of a read and of a write, read data before its end and
# after, write data after its begin, after its end.
LATCHED = {
    ("8085", "8085A"): (140, 115, 100, 130, 400, 400, 100, 0, 40, 100),
    ("8085", "8085A-2"): (80, 50, 50, 60, 230, 230, 80, 0, 20, 60),
    ("8086-min", "5 MHz"): (98, 58, 59, 60, 325, 340, 40, 0, 100, 88),
    ("8086-min", "8 MHz (-2)"): (58, 28, 34, 40, 200, 210, 30, 0, 0, 38),
    ("8088-min", "5 MHz"): (98, 58, 59, 60, 325, 340, 40, 0, 100, 88),
}


@pytest.mark.parametrize(("bus", "grade"), LATCHED)
def test_a_bus_whose_address_is_latched(bus: str, grade: str) -> None:
    ale, before, after, gap, read, write, setup, hold, late, kept = LATCHED[bus, grade]
    wide = bus == "8086-min"
    ad, high = ("AD0-AD15", "A16-A19") if wide else ("AD0-AD7", "A8-A15" if bus == "8085" else "A8-A19")
    idle = {
        "8085": {"IOM": 0, "S1": 1, "S0": 0},
        "8086-min": {"MIO": 1, "BHE": 0},
        "8088-min": {"IOM": 0, "DTR": 0, "SSO": 1},
    }
    wave = Wave().idle(ALE=0, RD=1, WR=1, INTA=1, HLDA=0, **idle[bus]).put(0, ad, 0).put(0, high, 0)
    wanted, bits, mask = [], 16 if wide else 8, 0xFFFF if wide else 0xFF
    for n in range(24):
        writes, address, data = n % 2 == 1, 0x1200 + 2 * n, (0x3A5D * n + 0x17) & mask
        wanted.append(("write" if writes else "read", address, data))
        start = 1500 * n + 300
        if bus == "8085":
            wave.put(start - ale, "S1", int(not writes)).put(start - ale, "S0", int(writes))
        elif bus == "8088-min":
            wave.put(start - ale, "DTR", int(writes)).put(start - ale, "SSO", int(not writes))
        wave.pulse("ALE", start - ale, start, level=1)
        wave.put(start - before, ad, address & mask).put(start - before, high, address >> bits)
        wave.put(start + after, ad, ~address & mask)
        begin, width = start + gap, write if writes else read
        wave.pulse("WR" if writes else "RD", begin, begin + width)
        wave.put(begin + late if writes else begin + width - setup, ad, data)
        wave.put(begin + width + (kept if writes else hold), ad, ~data & mask)
    assert both(wave, bus, grid_ns=5.0) == wanted


def test_68000() -> None:
    """8 MHz: address 30 ns before AS (11), data set up 10 ns before S6 ends (27), nothing held once UDS and LDS rise
    (29); write data 30 ns before the strobes (26), kept 30 ns (25), strobes of 140 ns (14A)."""
    wave = Wave().idle(AS=1, UDS=1, LDS=1, RW=1).put(0, "A1-A23", 0).put(0, "D0-D15", 0)
    wanted = []
    for n in range(24):
        writes, address, data = n % 2 == 1, 0x2000 + 2 * n, (0x3A5D * n + 0x17) & 0xFFFF
        wanted.append(("write" if writes else "read", address, data))
        start = 1000 * n + 300
        wave.put(start, "A1-A23", address >> 1)
        wave.put(start + 20, "RW", int(not writes))
        wave.pulse("AS", start + 30, start + 370)
        begin = start + (230 if writes else 30)
        end = start + 370
        for line in ("UDS", "LDS"):
            wave.pulse(line, begin, end)
        wave.put(begin - 30 if writes else end - 12, "D0-D15", data)
        wave.put(end + (30 if writes else 0), "D0-D15", ~data & 0xFFFF).put(end + 40, "RW", 1)
    assert both(wave, "68000", grid_ns=5.0) == wanted
