"""One cycle of each kind on the backplanes, drawn by hand from the standards' conditions."""

from __future__ import annotations

from busledger.decoder.bus import Flag
from tests.external.waveform import Wave, both


def strobed(cycles, idle, *, address_lines="A0-A15", data_lines="D0-D7", inverted=False):
    """Address and status first, a strobe of 600 ns, data before its end. A cycle is (line, level, address, data lines,
    data, {other lines})."""
    flip = (1 << 24) - 1 if inverted else 0
    wave = Wave().idle(**idle).put(0, address_lines, flip).put(0, data_lines, flip)
    for n, (line, level, address, data, other) in enumerate(cycles):
        start = 1500 * n + 100
        wave.put(start, address_lines, address ^ flip)
        lines = other.pop("data", data_lines)
        for name, value in other.items():
            wave.put(start, name, value)
        wave.pulse(line, start + 300, start + 900, level=level)
        wave.put(start + 500, lines, data ^ flip).put(start + 980, lines, flip)
    return wave


def test_ieee696():
    """IEEE 696-1983, conditions of the bus cycles (from memory): status lines, pDBIN and pWR, DI and DO apart."""
    idle = {"PDBIN": 0, "PWR": 1, "MWRT": 0, "SMEMR": 0, "SM1": 0, "SINP": 0, "SOUT": 0, "SINTA": 0, "SHLTA": 0}
    idle |= {"PHLDA": 0, "SXTRQ": 1, "SIXTN": 1, "RDY": 1}
    into, out = {"data": "DI0-DI7"}, {"data": "DO0-DO7"}
    wave = strobed(
        [
            ("PDBIN", 1, 0x0100, 0xC3, {"SMEMR": 1, "SM1": 1, **into}),
            ("PDBIN", 1, 0x0101, 0x5A, {"SM1": 0, **into}),
            ("PWR", 0, 0x2000, 0xA5, {"SMEMR": 0, **out}),
            ("PDBIN", 1, 0x1010, 0x11, {"SINP": 1, **into}),
            ("PWR", 0, 0x1111, 0x22, {"SINP": 0, "SOUT": 1, **out}),
            ("PDBIN", 1, 0x0102, 0xFF, {"SOUT": 0, "SINTA": 1, **into}),
            ("PDBIN", 1, 0x0103, 0x76, {"SINTA": 0, "SHLTA": 1, **into}),
            ("MWRT", 1, 0x2001, 0x33, {"SHLTA": 0, **out}),
            ("PDBIN", 1, 0x2002, 0x44, {"PHLDA": 1, "SMEMR": 1, **into}),
            ("PWR", 0, 0x2003, 0x55, {"SMEMR": 0, **out}),
            ("PDBIN", 1, 0x2004, 0x66, {"PHLDA": 0, "SMEMR": 1, "SXTRQ": 0, "SIXTN": 0, **into}),
            ("PDBIN", 1, 0x2005, 0x77, {"SXTRQ": 1, "SIXTN": 1, **into}),
        ],
        idle,
        data_lines="DO0-DO7",
    )
    wave.put(0, "DI0-DI7", 0).pulse("RDY", 1500 * 11 + 500, 1500 * 11 + 700)
    rows = both(wave, "ieee696", flags=True)
    assert [row[:3] for row in rows] == [
        ("opcode-fetch", 0x0100, 0xC3),
        ("read", 0x0101, 0x5A),
        ("write", 0x2000, 0xA5),
        ("io-read", 0x10, 0x11),
        ("io-write", 0x11, 0x22),
        ("int-ack", 0x0102, 0xFF),
        ("halt", 0, None),
        ("write", 0x2001, 0x33),
        ("dma-read", 0x2002, 0x44),
        ("dma-write", 0x2003, 0x55),
        ("read", 0x2005, 0x77),
    ]
    assert [row[3] for row in rows] == [Flag(0)] * 10 + [Flag.WAIT]
    assert wave.decode("ieee696")[1].rejected == 1


def test_std():
    """STD bus pin table and specification (from memory): RD or WR with MEMRQ or IORQ."""
    idle = {"RD": 1, "WR": 1, "MEMRQ": 1, "IORQ": 1, "INTAK": 1, "REFRESH": 1, "BUSAK": 1, "WAITRQ": 1}
    wave = strobed(
        [
            ("RD", 0, 0x0100, 0x5A, {"MEMRQ": 0}),
            ("WR", 0, 0x0101, 0xA5, {}),
            ("RD", 0, 0x0010, 0x11, {"MEMRQ": 1, "IORQ": 0}),
            ("WR", 0, 0x0011, 0x22, {}),
            ("INTAK", 0, 0x0102, 0xFF, {"IORQ": 1}),
            ("RD", 0, 0x0200, 0x33, {"MEMRQ": 0, "BUSAK": 0}),
            ("WR", 0, 0x0201, 0x44, {}),
            ("REFRESH", 0, 0x002A, 0x00, {"BUSAK": 1}),
        ],
        idle,
    )
    assert both(wave, "std") == [
        ("read", 0x0100, 0x5A),
        ("write", 0x0101, 0xA5),
        ("io-read", 0x0010, 0x11),
        ("io-write", 0x0011, 0x22),
        ("int-ack", 0x0102, 0xFF),
        ("dma-read", 0x0200, 0x33),
        ("dma-write", 0x0201, 0x44),
        ("refresh", 0x2A, None),
    ]


def test_isa8():
    """IBM PC Technical Reference, I/O Channel Description, pp. 1-20 and 1-21: AEN high = DMA, DACK0 = refresh."""
    idle = {"MEMR": 1, "MEMW": 1, "IOR": 1, "IOW": 1, "AEN": 0, "DACK0": 1, "IOCHRDY": 1}
    wave = strobed(
        [
            ("MEMR", 0, 0xF1234, 0xEA, {}),
            ("MEMW", 0, 0x41235, 0x5A, {}),
            ("IOR", 0, 0x003F8, 0x11, {}),
            ("IOW", 0, 0x003F9, 0x22, {}),
            ("MEMR", 0, 0x0002A, 0x00, {"AEN": 1, "DACK0": 0}),
            ("MEMR", 0, 0x20000, 0x33, {"DACK0": 1}),
            ("MEMW", 0, 0x20001, 0x44, {}),
            ("IOR", 0, 0x20002, 0x55, {}),
            ("MEMR", 0, 0x30000, 0x66, {"AEN": 0}),
        ],
        idle,
        address_lines="A0-A19",
    )
    wave.pulse("IOCHRDY", 1500 * 8 + 450, 1500 * 8 + 800)
    rows = both(wave, "isa8", flags=True)
    assert [row[:3] for row in rows] == [
        ("read", 0xF1234, 0xEA),
        ("write", 0x41235, 0x5A),
        ("io-read", 0x03F8, 0x11),
        ("io-write", 0x03F9, 0x22),
        ("refresh", 0x2A, None),
        ("dma-read", 0x20000, 0x33),
        ("dma-write", 0x20001, 0x44),
        ("read", 0x30000, 0x66),
    ]
    assert rows[-1][3] == Flag.WAIT


def test_multibus():
    """Multibus I specification 9800683 as quoted in the Intel386 DX hardware manual, table 9-1: 50 ns around commands;
    address and data are low-active; an odd byte alone moves on the low data lines (from memory)."""
    idle = {"MRDC": 1, "MWTC": 1, "IORC": 1, "IOWC": 1, "INTA": 1, "BHEN": 1}
    wave = strobed(
        [
            ("MRDC", 0, 0x12344, 0xBEEF, {"BHEN": 0}),
            ("MRDC", 0, 0x12344, 0x005A, {"BHEN": 1}),
            ("MRDC", 0, 0x12345, 0x00A5, {}),
            ("MWTC", 0, 0x12346, 0xCAFE, {"BHEN": 0}),
            ("MWTC", 0, 0x12347, 0x0077, {"BHEN": 1}),
            ("IORC", 0, 0x000C0, 0x0011, {}),
            ("IOWC", 0, 0x000C1, 0x0022, {}),
            ("INTA", 0, 0x00000, 0x0027, {}),
        ],
        idle,
        address_lines="A0-A19",
        data_lines="D0-D15",
        inverted=True,
    )
    assert both(wave, "multibus", width=True) == [
        ("read", 0x12344, 0xBEEF, 3),
        ("read", 0x12344, 0x005A, 1),
        ("read", 0x12345, 0xA500, 2),
        ("write", 0x12346, 0xCAFE, 3),
        ("write", 0x12347, 0x7700, 2),
        ("io-read", 0xC0, 0x11, 1),
        ("io-write", 0xC1, 0x2200, 2),
        ("int-ack", 0, 0x27, 1),
    ]
