"""One cycle of each kind on the other strobed buses, drawn by hand from the manuals' diagrams."""

from __future__ import annotations

import pytest

from busledger.decoder.bus import Flag
from tests.external.waveform import Wave, both


def test_z80_every_kind():
    """Z80 CPU User Manual, figures "Instruction Op Code Fetch", "Memory Read or Write", "Input or Output Cycles",
    "Interrupt Request/Acknowledge Cycle", "Bus Request/Acknowledge Cycle"; 2.5 MHz."""
    lines = {"MREQ": 1, "IORQ": 1, "RD": 1, "WR": 1, "M1": 1, "RFSH": 1, "HALT": 1, "WAIT": 1, "BUSAK": 1}
    wave = Wave().idle(**lines).put(0, "A0-A15", 0).put(0, "D0-D7", 0)

    def access(start, strobe, request, address, data, m1=1, late=700):
        wave.put(start, "A0-A15", address).put(start, "M1", m1)
        wave.pulse(request, start + 200, start + 945).pulse(strobe, start + 205, start + 950)
        wave.put(start + (late if strobe == "RD" else 250), "D0-D7", data).put(start + 1010, "M1", 1)

    access(1000, "RD", "MREQ", 0x0100, 0x3E, m1=0)
    wave.put(2030, "A0-A15", 0x7F2A).pulse("RFSH", 2050, 2900).pulse("MREQ", 2250, 2700)
    access(3000, "RD", "MREQ", 0x0101, 0x55)
    access(5000, "WR", "MREQ", 0x4000, 0x66)
    access(7000, "RD", "IORQ", 0x1210, 0x77)
    access(9000, "WR", "IORQ", 0x1311, 0x88)
    # Interrupt acknowledge: M1 first, IORQ two waits later, no RD.
    wave.put(11000, "A0-A15", 0x0102).pulse("M1", 11100, 12960).pulse("IORQ", 12200, 12950).put(12700, "D0-D7", 0xFF)
    wave.put(14000, "HALT", 0)
    access(14100, "RD", "MREQ", 0x0103, 0x76, m1=0)
    wave.put(15900, "HALT", 1)
    wave.put(16000, "BUSAK", 0)
    access(16100, "WR", "MREQ", 0x8000, 0x99)
    access(18100, "RD", "MREQ", 0x8001, 0xAA)
    wave.put(19900, "BUSAK", 1)
    access(20000, "RD", "MREQ", 0x0104, 0xBB)
    wave.pulse("WAIT", 20300, 20600)
    expected = [
        ("opcode-fetch", 0x0100, 0x3E),
        ("refresh", 0x2A, None),
        ("read", 0x0101, 0x55),
        ("write", 0x4000, 0x66),
        ("io-read", 0x1210, 0x77),
        ("io-write", 0x1311, 0x88),
        ("int-ack", 0x0102, 0xFF),
        ("halt", 0x0103, None),
        ("dma-write", 0x8000, 0x99),
        ("dma-read", 0x8001, 0xAA),
        ("read", 0x0104, 0xBB),
    ]
    for profile in ("z80", "ecb"):
        rows = both(wave, profile, flags=True)
        assert [row[:3] for row in rows] == expected
        assert [row[3] for row in rows] == [Flag(0)] * 10 + [Flag.WAIT]


def test_1802():
    """CDP1802 data sheet, figure "Basic machine cycle" (eight clocks; TPA in the first, TPB in the last; memory)."""
    wave = Wave().idle(TPA=0, TPB=0, MRD=1, MWR=1, SC0=0, SC1=0, N0=0, N1=0, N2=0)
    wave.put(0, "MA0-MA7", 0).put(0, "D0-D7", 0)
    cycles = [
        ("MRD", 0x1234, 0xF8, 0, 0),  # S0 fetch
        ("MRD", 0x1235, 0x5A, 1, 0),  # S1 memory read
        ("MWR", 0x8001, 0xA5, 1, 0),  # S1 memory write
        ("MRD", 0x8002, 0x77, 1, 4),  # OUT 4
        ("MWR", 0x8003, 0x88, 1, 5),  # INP 5
        ("MRD", 0x9000, 0x99, 2, 0),  # S2 DMA out
        ("MWR", 0x9001, 0xAA, 2, 0),  # S2 DMA in
        (None, 0x0000, 0x00, 3, 0),  # S3 interrupt
        (None, 0x0001, 0x00, 1, 0),  # S1 without memory
    ]
    clock = 500
    for n, (strobe, address, data, state, port) in enumerate(cycles):
        start = 8 * clock * n + 200
        wave.put(start, "SC0, SC1", state).put(start, "N0-N2", port)
        wave.put(start + 150, "MA0-MA7", address >> 8).pulse("TPA", start + 500, start + 1000, level=1)
        wave.put(start + 1200, "MA0-MA7", address & 0xFF)
        wave.pulse("TPB", start + 3200, start + 3700, level=1)
        if strobe == "MRD":
            wave.pulse("MRD", start + 300, start + 3950).put(start + 2500, "D0-D7", data)
        elif strobe == "MWR":
            wave.put(start + 2400, "D0-D7", data).pulse("MWR", start + 2900, start + 3400)
        wave.put(start + 3980, "D0-D7", 0)
    assert sorted(both(wave, "1802")) == sorted(
        [
            ("opcode-fetch", 0x1234, 0xF8),
            ("read", 0x1235, 0x5A),
            ("write", 0x8001, 0xA5),
            ("read", 0x8002, 0x77),
            ("io-write", 4, 0x77),
            ("write", 0x8003, 0x88),
            ("io-read", 5, 0x88),
            ("dma-read", 0x9000, 0x99),
            ("dma-write", 0x9001, 0xAA),
            ("int-ack", 0, None),
            ("idle", 0x0001, None),
        ]
    )


def test_scmp():
    """SC/MP data sheet (from memory): as NADS rises D0-D3 are A12-A15, D4 read, D5 fetch, D7 halt."""
    wave = Wave().idle(NADS=1, NRDS=1, NWDS=1, NHOLD=1).put(0, "A0-A11", 0).put(0, "D0-D7", 0)
    cycles = [("NRDS", 0x1234, 0x30, 0xC4), ("NRDS", 0x0801, 0x10, 0x5A)]
    cycles += [("NWDS", 0x0802, 0x00, 0xA5), (None, 0, 0x90, 0)]
    for n, (strobe, address, status, data) in enumerate(cycles):
        start = 3000 * n + 200
        wave.put(start, "A0-A11", address & 0xFFF).put(start, "D0-D7", status | address >> 12)
        wave.pulse("NADS", start + 200, start + 500).put(start + 600, "D0-D7", 0)
        if strobe:
            wave.pulse(strobe, start + 900, start + 1700)
            wave.put(start + (1400 if strobe == "NRDS" else 800), "D0-D7", data).put(start + 1800, "D0-D7", 0)
    wave.pulse("NHOLD", 4200, 4500)
    rows = both(wave, "scmp", flags=True)
    assert rows == [
        ("opcode-fetch", 0x1234, 0xC4, Flag(0)),
        ("read", 0x0801, 0x5A, Flag.WAIT),
        ("write", 0x0802, 0xA5, Flag(0)),
        ("halt", 0, None, Flag(0)),
    ]


def test_2650():
    """2650 manual (from memory): everything is valid while OPREQ is high, write data while WRP is."""
    wave = Wave().idle(OPREQ=0, WRP=0, RW=0, MIO=1, INTACK=0).put(0, "A0-A14", 0).put(0, "D0-D7", 0)
    cycles = [
        (0x1234, 0, 1, 0, 0x5A),
        (0x1235, 1, 1, 0, 0xA5),
        (0x2042, 0, 0, 0, 0x11),
        (0x2043, 1, 0, 0, 0x22),
        (0x0000, 0, 1, 1, 0x80),
    ]
    for n, (address, write, memory, acknowledge, data) in enumerate(cycles):
        start = 2000 * n + 100
        wave.put(start, "A0-A14", address).put(start, "RW", write).put(start, "MIO", memory)
        wave.put(start, "INTACK", acknowledge).pulse("OPREQ", start + 100, start + 1500, level=1)
        if write:
            wave.put(start + 300, "D0-D7", data).pulse("WRP", start + 600, start + 1200, level=1)
        else:
            wave.put(start + 1200, "D0-D7", data)
        wave.put(start + 1600, "D0-D7", 0)
    assert both(wave, "2650") == [
        ("read", 0x1234, 0x5A),
        ("write", 0x1235, 0xA5),
        ("io-read", 0x42, 0x11),
        ("io-write", 0x43, 0x22),
        ("int-ack", 0, 0x80),
    ]


def test_tms9900():
    """TMS9900 Data Manual, figure "Memory Interface Timing" and "CRU Interface Timing" (from memory); A0 and D0 are the
    most significant bits."""
    wave = Wave().idle(MEMEN=1, DBIN=0, WE=1, IAQ=0, HOLDA=0, WAIT=0, CRUCLK=0, CRUOUT=0)
    wave.put(0, "A14-A0", 0).put(0, "D15-D0", 0)
    cycles = [
        ("fetch", 0x0080, 0x02E0),
        ("read", 0x8300, 0x1234),
        ("write", 0x8302, 0xABCD),
        ("cru", 0x0402, 1),
        ("dma-write", 0x8304, 0x5555),
        ("dma-read", 0x8306, 0x6666),
    ]
    for n, (kind, address, data) in enumerate(cycles):
        start = 2000 * n + 100
        wave.put(start, "A14-A0", address >> 1).put(start, "HOLDA", int(kind.startswith("dma")))
        if kind == "cru":
            wave.put(start, "CRUOUT", data).pulse("CRUCLK", start + 400, start + 600, level=1)
            continue
        wave.put(start, "IAQ", int(kind == "fetch")).pulse("MEMEN", start + 50, start + 716)
        if kind.endswith("write"):
            wave.put(start + 100, "D15-D0", data).pulse("WE", start + 300, start + 620)
        else:
            wave.pulse("DBIN", start + 50, start + 716, level=1).put(start + 500, "D15-D0", data)
        wave.put(start + 760, "D15-D0", 0)
    assert both(wave, "tms9900", width=True) == [
        ("opcode-fetch", 0x0080, 0x02E0, 3),
        ("read", 0x8300, 0x1234, 3),
        ("write", 0x8302, 0xABCD, 3),
        ("io-write", 0x0402 >> 1, 1, 1),
        ("dma-write", 0x8304, 0x5555, 3),
        ("dma-read", 0x8306, 0x6666, 3),
    ]


def test_68000():
    """M68000 User's Manual p. 5-4 (read, S0-S7) and p. 4-5 (write: strobes one clock later; TAS); 8 MHz."""
    idle = {"AS": 1, "UDS": 1, "LDS": 1, "RW": 1, "DTACK": 1, "BERR": 1, "BGACK": 1}
    wave = Wave().idle(**idle).put(0, "FC0-FC2", 6).put(0, "A1-A23", 0).put(0, "D0-D15", 0)
    cycles = [
        (0x001000, "UL", 1, 6, 0x4E71),  # supervisor program, word
        (0x0FF000, "U", 1, 5, 0x5A00),  # supervisor data, even byte
        (0x0FF001, "L", 1, 5, 0x00A5),  # odd byte
        (0x0FF002, "UL", 0, 5, 0xBEEF),
        (0x0FF004, "U", 0, 1, 0x7777),  # the other half is driven too, but counts for nothing
        (0x0FF005, "L", 0, 1, 0x8888),
        (0xFFFFF5, "L", 1, 7, 0x0040),  # interrupt acknowledge
    ]
    for n, (address, strobes, read, function, data) in enumerate(cycles):
        start = 1000 * n + 100
        wave.put(start, "FC0-FC2", function).put(start + 62, "A1-A23", address >> 1)
        wave.pulse("AS", start + 125, start + 500).put(start + 125, "RW", read).put(start + 560, "RW", 1)
        for letter, line in (("U", "UDS"), ("L", "LDS")):
            if letter in strobes:
                wave.pulse(line, start + (127 if read else 250), start + (502 if line == "UDS" else 500))
        wave.put(start + (420 if read else 187), "D0-D15", data).put(start + 560, "D0-D15", 0)
    # TAS: AS stays low over a byte read and a byte write.
    start = 8100
    wave.put(start + 62, "A1-A23", 0x0FF006 >> 1).put(start, "FC0-FC2", 5).pulse("AS", start + 125, start + 1250)
    wave.pulse("UDS", start + 127, start + 500).put(start + 420, "D0-D15", 0x1200).put(start + 560, "D0-D15", 0)
    wave.put(start + 800, "RW", 0).put(start + 880, "D0-D15", 0x9292).pulse("UDS", start + 1000, start + 1250)
    wave.put(start + 1310, "RW", 1).put(start + 1310, "D0-D15", 0)
    # A read that ends with a bus error, then DMA.
    start = 10100
    wave.put(start + 62, "A1-A23", 0x700000 >> 1).pulse("AS", start + 125, start + 500)
    wave.pulse("UDS", start + 127, start + 500).pulse("LDS", start + 127, start + 500)
    wave.pulse("BERR", start + 300, start + 560)
    start = 11100
    wave.put(start, "BGACK", 0).put(start + 62, "A1-A23", 0x0FF008 >> 1).put(start + 125, "RW", 0)
    wave.pulse("AS", start + 125, start + 500).put(start + 187, "D0-D15", 0x3344)
    wave.pulse("UDS", start + 250, start + 500).pulse("LDS", start + 250, start + 500)
    wave.put(start + 560, "RW", 1).put(start + 600, "BGACK", 1)
    assert both(wave, "68000", width=True) == [
        ("opcode-fetch", 0x001000, 0x4E71, 3),
        ("read", 0x0FF000, 0x5A00, 2),
        ("read", 0x0FF001, 0x00A5, 1),
        ("write", 0x0FF002, 0xBEEF, 3),
        ("write", 0x0FF004, 0x7700, 2),
        ("write", 0x0FF005, 0x0088, 1),
        ("int-ack", 0xFFFFF5, 0x0040, 1),
        ("read", 0x0FF006, 0x1200, 2),
        ("write", 0x0FF006, 0x9200, 2),
        ("idle", 0x700000, 0, 3),
        ("dma-write", 0x0FF008, 0x3344, 3),
    ]


def test_68008():
    """M68000 User's Manual, 8-bit section, pp. 4-5: DS in place of UDS and LDS; all address bits."""
    wave = Wave().idle(AS=1, DS=1, RW=1, BERR=1).put(0, "FC0-FC2", 6).put(0, "A0-A19", 0).put(0, "D0-D7", 0)
    for n, (address, read, function, data) in enumerate(
        [(0x01001, 1, 6, 0x4E), (0x8F000, 1, 5, 0x5A), (0x8F001, 0, 5, 0xA5), (0xFFFFB, 1, 7, 0x42)]
    ):
        start = 1000 * n + 100
        wave.put(start, "FC0-FC2", function).put(start + 62, "A0-A19", address).put(start + 125, "RW", read)
        wave.pulse("AS", start + 125, start + 500).pulse("DS", start + (127 if read else 250), start + 500)
        wave.put(start + (420 if read else 187), "D0-D7", data).put(start + 560, "D0-D7", 0).put(start + 560, "RW", 1)
    assert both(wave, "68008") == [
        ("opcode-fetch", 0x01001, 0x4E),
        ("read", 0x8F000, 0x5A),
        ("write", 0x8F001, 0xA5),
        ("int-ack", 0xFFFFB, 0x42),
    ]


def multiplexed16(wave, start, address, read, data, strobe, latch, ad="AD0-AD15"):
    """Address on AD until after the latch rises, then data around the strobe."""
    wave.put(start + 20, ad, address).pulse(latch, start + 40, start + 150)
    wave.put(start + 230, ad, 0).pulse(strobe, start + 300, start + 700)
    wave.put(start + (600 if read else 260), ad, data).put(start + 760, ad, 0)


def test_z8000():
    """Z8000 CPU Technical Manual, figures "Memory Read and Write", "I/O", "Refresh", "Interrupt Acknowledge"."""
    wave = Wave().idle(AS=1, DS=1, RW=1, BW=0, BUSAK=1, WAIT=1).put(0, "ST0-ST3", 8)
    wave.put(0, "AD0-AD15", 0).put(0, "SN0-SN6", 0)
    cycles = [
        (0x1000, 1, 0, 0b1101, 2, 0x2101),  # first word of an instruction
        (0x1002, 1, 0, 0b1100, 2, 0x1234),  # a later word
        (0x2000, 1, 1, 0b1000, 3, 0x5A00),  # even byte
        (0x2001, 1, 1, 0b1000, 3, 0x00A5),  # odd byte
        (0x2002, 0, 0, 0b1001, 3, 0xBEEF),  # stack
        (0x2003, 0, 1, 0b1000, 3, 0x7777),
        (0x00F1, 1, 1, 0b0010, 0, 0x0042),
        (0x00F0, 0, 0, 0b0010, 0, 0x4321),
        (0x0000, 1, 0, 0b0111, 0, 0x0080),  # vectored interrupt acknowledge
    ]
    for n, (address, read, byte, status, segment, data) in enumerate(cycles):
        start = 1000 * n + 100
        wave.put(start, "ST0-ST3", status).put(start, "RW", read)
        wave.put(start, "BW", byte).put(start, "SN0-SN6", segment)
        multiplexed16(wave, start, address, read, data, "DS", "AS")
    wave.put(9100, "ST0-ST3", 1).put(9120, "AD0-AD15", 0x01FE).pulse("AS", 9140, 9250).put(9330, "AD0-AD15", 0)
    assert both(wave, "z8000", width=True) == [
        ("opcode-fetch", 0x021000, 0x2101, 3),
        ("read", 0x021002, 0x1234, 3),
        ("read", 0x032000, 0x5A00, 2),
        ("read", 0x032001, 0x00A5, 1),
        ("write", 0x032002, 0xBEEF, 3),
        ("write", 0x032003, 0x0077, 1),
        ("io-read", 0x00F1, 0x0042, 1),
        ("io-write", 0x00F0, 0x4321, 3),
        ("int-ack", 0, 0x0080, 3),
        ("refresh", 0x01FE, None, 0),
    ]


def test_ns32016():
    """NS32016 data sheet, figures "Read Cycle" and "Write Cycle" (from memory, doubtful)."""
    wave = Wave().idle(ADS=1, DS=1, DDIN=0, HBE=0, HLDA=1).put(0, "ST0-ST3", 10)
    wave.put(0, "AD0-AD15", 0).put(0, "A16-A23", 0)
    cycles = [
        (0x1000, 0x12, 1, 0, 0b1001, 0x1234),
        (0x2000, 0x34, 1, 1, 0b1010, 0x005A),
        (0x2001, 0x34, 1, 0, 0b1010, 0xA500),
        (0x2002, 0x34, 0, 0, 0b1010, 0xBEEF),
        (0xFE00, 0xFF, 1, 1, 0b0100, 0x0007),
    ]
    for n, (low, high, read, hbe, status, data) in enumerate(cycles):
        start = 1000 * n + 100
        wave.put(start, "ST0-ST3", status).put(start, "DDIN", 1 - read)
        wave.put(start, "HBE", hbe).put(start + 20, "A16-A23", high)
        multiplexed16(wave, start, low, read, data, "DS", "ADS")
    assert both(wave, "ns32016", width=True) == [
        ("opcode-fetch", 0x121000, 0x1234, 3),
        ("read", 0x342000, 0x005A, 1),
        ("read", 0x342001, 0xA500, 2),
        ("write", 0x342002, 0xBEEF, 3),
        ("int-ack", 0, 0x0007, 1),
    ]


@pytest.mark.parametrize("write_first", [True, False])
def test_static_ram_pins(write_first):
    """HT6116-70 data sheet, 3 July 1997, p. 4: a write ends with the first of CS and WE to rise."""
    wave = Wave().idle(CE=1, OE=1, WE=1).put(0, "A0-A10", 0).put(0, "D0-D7", 0)
    for n in range(6):
        start = 600 * n + 100
        wave.put(start, "A0-A10", 0x100 + n)
        if (n % 2 == 0) == write_first:
            first, last = ("WE", "CE") if n % 4 < 2 else ("CE", "WE")
            wave.put(start + 20, "CE", 0).put(start + 40, "WE", 0).put(start + 60, "D0-D7", 0xA0 + n)
            wave.put(start + 200, first, 1).put(start + 230, last, 1).put(start + 260, "D0-D7", 0)
        else:
            wave.put(start + 20, "CE", 0).put(start + 60, "OE", 0).put(start + 120, "D0-D7", 0xB0 + n)
            wave.put(start + 250, "OE", 1).put(start + 260, "CE", 1).put(start + 300, "D0-D7", 0)
    rows = both(wave, "sram")
    kinds = ["write", "read"] if write_first else ["read", "write"]
    assert rows == [(kinds[n % 2], 0x100 + n, (0xA0 if kinds[n % 2] == "write" else 0xB0) + n) for n in range(6)]


def test_static_ram_without_output_enable():
    """2114 data sheet (from memory): CS and WE only; while WE is low the chip does not drive."""
    wave = Wave().idle(CS=1, WE=1).put(0, "A0-A9", 0).put(0, "D0-D3", 0)
    wave.put(100, "A0-A9", 0x12).pulse("CS", 120, 800).pulse("WE", 300, 700).put(320, "D0-D3", 9).put(760, "D0-D3", 0)
    wave.put(1000, "A0-A9", 0x12).pulse("CS", 1120, 1800).put(1500, "D0-D3", 9)
    assert [(*row[:2], row[2] & 0xF) for row in both(wave, "sram")] == [("write", 0x12, 9), ("read", 0x12, 9)]


def test_dynamic_ram_pins():
    """21256 data sheet, functional text (early write, late write), and common practice for the refresh kinds."""
    wave = Wave().idle(RAS=1, CAS=1, WE=1).put(0, "A0-A8", 0).put(0, "D0", 0).put(0, "Q0", 0)

    def row(start, address):
        wave.put(start - 30, "A0-A8", address).put(start, "RAS", 0).put(start + 60, "A0-A8", 0)

    def column(start, address):
        wave.put(start - 30, "A0-A8", address).put(start, "CAS", 0).put(start + 60, "A0-A8", 0)

    row(1000, 0x155)  # read
    column(1150, 0x0AA)
    wave.put(1250, "Q0", 1).put(1400, "CAS", 1).put(1410, "RAS", 1).put(1450, "Q0", 0)
    row(2000, 0x156)  # early write
    wave.put(2100, "WE", 0).put(2090, "D0", 1)
    column(2150, 0x0AB)
    wave.put(2300, "D0", 0).put(2320, "WE", 1).put(2400, "CAS", 1).put(2410, "RAS", 1)
    row(3000, 0x157)  # late write
    column(3150, 0x0AC)
    wave.put(3270, "D0", 1).pulse("WE", 3300, 3420).put(3430, "D0", 0).put(3500, "CAS", 1).put(3510, "RAS", 1)
    row(4000, 0x158)  # page mode: two columns in one row
    column(4150, 0x001)
    wave.put(4250, "Q0", 1).put(4350, "CAS", 1).put(4380, "Q0", 0)
    column(4500, 0x002)
    wave.put(4600, "Q0", 1).put(4700, "CAS", 1).put(4710, "RAS", 1).put(4750, "Q0", 0)
    row(5000, 0x007)  # RAS-only refresh
    wave.put(5200, "RAS", 1)
    wave.put(6000, "CAS", 0).put(6050, "RAS", 0).put(6250, "RAS", 1).put(6300, "CAS", 1)  # CAS before RAS
    row(7000, 0x159)  # hidden refresh after a read
    column(7150, 0x003)
    wave.put(7250, "Q0", 1).put(7400, "RAS", 1).put(7600, "RAS", 0).put(7800, "RAS", 1).put(7900, "CAS", 1)
    rows = [(kind, address, None if data is None else data & 1) for kind, address, data in both(wave, "dram", 5.0)]
    assert rows == [
        ("read", 0x155 << 9 | 0x0AA, 1),
        ("write", 0x156 << 9 | 0x0AB, 1),
        ("write", 0x157 << 9 | 0x0AC, 1),
        ("read", 0x158 << 9 | 0x001, 1),
        ("read", 0x158 << 9 | 0x002, 1),
        ("refresh", 0x007, None),
        ("refresh", 0, None),
        ("read", 0x159 << 9 | 0x003, 1),
        ("refresh", 0, None),
    ]
