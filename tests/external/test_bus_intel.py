"""One cycle of each kind on the Intel-style buses, drawn by hand from the data sheets' diagrams."""

from __future__ import annotations

from busledger.decoder.bus import Flag, load_profile
from tests.external.waveform import Wave, both


def test_8080_raw():
    """Intel 8080 User's Manual, figure "Basic 8080 Instruction Cycle" and Table 4-1 (status bits); clock 480 ns.

    Status on D0-D7 while SYNC is high, read data until DBIN falls, write data around WR.
    """
    wave = Wave().idle(SYNC=0, DBIN=0, WR=1, WAIT=0, HLDA=0).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    cycles = [
        (0xA2, 0x0100, 0x3E),  # instruction fetch
        (0x82, 0x2000, 0x11),  # memory read
        (0x00, 0x2001, 0x22),  # memory write
        (0x86, 0x23FE, 0x33),  # stack read
        (0x04, 0x23FD, 0x44),  # stack write
        (0x42, 0x1010, 0x55),  # input
        (0x10, 0x1111, 0x66),  # output
        (0x23, 0x0102, 0xFF),  # interrupt acknowledge
        (0x8A, 0x0103, 0x00),  # halt acknowledge
    ]
    for n, (status, address, data) in enumerate(cycles):
        start = 2000 * n + 200
        wave.put(start + 120, "A0-A15", address).put(start + 220, "D0-D7", status)
        wave.pulse("SYNC", start + 120, start + 600, level=1)
        if status == 0x8A:
            continue
        if status & 0x02:
            wave.put(start + 640, "D0-D7", 0xFF)
            wave.pulse("DBIN", start + 620, start + 1090, level=1).put(start + 800, "D0-D7", data)
            wave.put(start + 1110, "D0-D7", 0xFF)
        else:
            wave.put(start + 700, "D0-D7", data).pulse("WR", start + 1080, start + 1500)
            wave.put(start + 1560, "D0-D7", 0xFF)
    wave.put(2200, "WAIT", 0).put(2900, "WAIT", 1).put(3000, "WAIT", 0)
    rows = both(wave, "8080", flags=True)
    assert [row[:3] for row in rows] == [
        ("opcode-fetch", 0x0100, 0x3E),
        ("read", 0x2000, 0x11),
        ("write", 0x2001, 0x22),
        ("read", 0x23FE, 0x33),
        ("write", 0x23FD, 0x44),
        ("io-read", 0x10, 0x55),
        ("io-write", 0x11, 0x66),
        ("int-ack", 0x0102, 0xFF),
        ("halt", 0, None),
    ]
    assert [row[3] for row in rows] == [Flag(0), Flag.WAIT] + [Flag(0)] * 7


def strobed(cycles, idle, period=1500, data_lines="D0-D7", address_lines="A0-A15"):
    """Buses whose strobe says it all: address first, strobe 300-900 ns, read data late, write data early."""
    wave = Wave().idle(**idle).put(0, address_lines, 0).put(0, data_lines, 0)
    for n, (strobe, level, address, data, other) in enumerate(cycles):
        start = period * n + 100
        wave.put(start, address_lines, address)
        for line, value in other.items():
            wave.put(start, line, value)
        wave.pulse(strobe, start + 300, start + 900, level=level)
        wave.put(start + 600, data_lines, data).put(start + 980, data_lines, 0)
    return wave


def test_8080_with_8228():
    """8228 System Controller page, 8080 User's Manual: MEMR, MEMW, I/OR, I/OW, INTA; HLDA gives the buses away."""
    wave = strobed(
        [
            ("MEMR", 0, 0x0100, 0x11, {}),
            ("MEMW", 0, 0x0101, 0x22, {}),
            ("IOR", 0, 0x3434, 0x33, {}),
            ("IOW", 0, 0x3535, 0x44, {}),
            ("INTA", 0, 0x0102, 0xFF, {}),
            ("MEMR", 0, 0x0103, 0x55, {"HLDA": 1}),
            ("MEMW", 0, 0x0104, 0x66, {}),
            ("MEMR", 0, 0x0105, 0x77, {"HLDA": 0, "M1": 1}),
        ],
        {"MEMR": 1, "MEMW": 1, "IOR": 1, "IOW": 1, "INTA": 1, "HLDA": 0, "M1": 0},
    )
    assert both(wave, "8080-8228") == [
        ("read", 0x0100, 0x11),
        ("write", 0x0101, 0x22),
        ("io-read", 0x34, 0x33),
        ("io-write", 0x35, 0x44),
        ("int-ack", 0x0102, 0xFF),
        ("dma-read", 0x0103, 0x55),
        ("dma-write", 0x0104, 0x66),
        ("opcode-fetch", 0x0105, 0x77),
    ]


def multiplexed(cycles, idle, ad, high, *, ale=140, gap=130, width=400, late_write=40):
    """Address on the data lines while ALE is high, held after it falls; then a strobe with data.

    A cycle is (strobe or None, address on ``ad``, address on ``high``, data, {other lines}).
    """
    wave = Wave().idle(ALE=0, **idle).put(0, ad, 0).put(0, high, 0)
    for n, (strobe, low, top, data, other) in enumerate(cycles):
        start = 1500 * n + 100
        wave.put(start + 20, "ALE", 1).put(start + 20 + ale, "ALE", 0)
        wave.put(start + 40, ad, low).put(start + 30, high, top)
        for line, value in other.items():
            wave.put(start + 10, line, value)
        if strobe is None:
            continue
        begin = start + 20 + ale + gap
        writes = strobe.startswith(("WR", "MWTC", "IOWC", "AMWC", "AIOWC"))
        wave.put(begin - 20, ad, 0)
        wave.pulse(strobe, begin, begin + width)
        wave.put(begin + (late_write if writes else width - 160), ad, data)
        wave.put(begin + width + (110 if writes else 20), ad, 0)
    return wave


def test_8085():
    """Intel 8085A data sheet, figures "8085A Basic System Timing" and "Read/Write Operation"; write data tWDL late."""
    cycles = [
        ("RD", 0x34, 0x12, 0x3A, {"IOM": 0, "S1": 1, "S0": 1}),
        ("RD", 0x35, 0x12, 0x00, {"S0": 0}),
        ("WR", 0x00, 0x40, 0x5A, {"S1": 0, "S0": 1}),
        ("RD", 0x21, 0x21, 0x77, {"IOM": 1, "S1": 1, "S0": 0}),
        ("WR", 0x22, 0x22, 0x88, {"S1": 0, "S0": 1}),
        ("INTA", 0x36, 0x12, 0xCF, {"IOM": 1, "S1": 1, "S0": 1}),
        (None, 0x37, 0x12, 0x00, {"IOM": 0, "S1": 0, "S0": 0}),
        ("WR", 0x80, 0x40, 0x99, {"HLDA": 1, "S0": 1}),
        ("RD", 0x81, 0x40, 0x66, {"S1": 1}),
    ]
    wave = multiplexed(cycles, {"RD": 1, "WR": 1, "INTA": 1, "HLDA": 0}, "AD0-AD7", "A8-A15")
    assert both(wave, "8085") == [
        ("opcode-fetch", 0x1234, 0x3A),
        ("read", 0x1235, 0x00),
        ("write", 0x4000, 0x5A),
        ("io-read", 0x21, 0x77),
        ("io-write", 0x22, 0x88),
        ("int-ack", 0, 0xCF),
        ("halt", 0, None),
        ("dma-write", 0x4080, 0x99),
        ("dma-read", 0x4081, 0x66),
    ]


def test_8085_with_few_lines_clipped():
    """Without S0, S1 and IO/M every RD is a read and every WR a write."""
    cycles = [("RD", 0x34, 0x12, 0x3A, {}), ("WR", 0x00, 0x40, 0x5A, {})]
    wave = multiplexed(cycles, {"RD": 1, "WR": 1}, "AD0-AD7", "A8-A15")
    assert both(wave, "8085") == [("read", 0x1234, 0x3A), ("write", 0x4000, 0x5A)]


def test_what_a_multiplexed_bus_keeps_is_what_was_there_as_the_strobe_began():
    cycles = [("RD", 0x34, 0x12, 0x3A, {})] * 3
    wave = multiplexed(cycles, {"RD": 1, "WR": 1}, "AD0-AD7", "A8-A15")
    cycles, _ = wave.decode("8085")
    assert cycles.kept.tolist() == [0, 0, 0]


def test_8086_minimum_mode():
    """Intel 8086 data sheet (231455), figure "8086 Bus Timing - Minimum Mode System"; BHE and A0 choose the bytes."""
    cycles = [
        ("RD", 0x1234, 0xF, 0xBEEF, {"MIO": 1, "BHE": 0}),
        ("RD", 0x1235, 0xF, 0x5A00, {}),
        ("RD", 0x1236, 0xF, 0x00A5, {"BHE": 1}),
        ("WR", 0x4000, 0x0, 0xCAFE, {"BHE": 0}),
        ("WR", 0x4001, 0x0, 0x7F00, {}),
        ("RD", 0x0060, 0x0, 0x0012, {"MIO": 0, "BHE": 1}),
        ("WR", 0x0061, 0x0, 0x3400, {"BHE": 0}),
        ("INTA", 0x0000, 0x0, 0x0000, {}),
        ("INTA", 0x0000, 0x0, 0x0020, {}),
        ("WR", 0x5000, 0x0, 0x0101, {"MIO": 1, "HLDA": 1}),
        ("RD", 0x5000, 0x0, 0x0101, {}),
    ]
    idle = {"RD": 1, "WR": 1, "INTA": 1, "HLDA": 0}
    wave = multiplexed(cycles, idle, "AD0-AD15", "A16-A19", ale=100, gap=100, width=350)
    assert both(wave, "8086-min", width=True) == [
        ("read", 0xF1234, 0xBEEF, 3),
        ("read", 0xF1235, 0x5A00, 2),
        ("read", 0xF1236, 0x00A5, 1),
        ("write", 0x04000, 0xCAFE, 3),
        ("write", 0x04001, 0x7F00, 2),
        ("io-read", 0x60, 0x12, 1),
        ("io-write", 0x61, 0x3400, 2),
        ("int-ack", 0, 0x00, 1),
        ("int-ack", 0, 0x20, 1),
        ("dma-write", 0x05000, 0x0101, 3),
        ("dma-read", 0x05000, 0x0101, 3),
    ]
    cycles, _ = wave.decode("8086-min")
    assert cycles.data_unknown[1] == 0xFFFF00FF


def test_8088_minimum_mode():
    """iAPX 88 data sheet, status table of minimum mode (IO/M, DT/R, SSO) and figure "Bus Timing - Minimum Mode"."""
    cycles = [
        ("RD", 0x34, 0xF12, 0xEA, {"IOM": 0, "DTR": 0, "SSO": 0}),
        ("RD", 0x35, 0x412, 0x5B, {"SSO": 1}),
        ("WR", 0x36, 0x412, 0xF0, {"DTR": 1, "SSO": 0}),
        ("RD", 0x60, 0x000, 0x1C, {"IOM": 1, "DTR": 0, "SSO": 1}),
        ("WR", 0x61, 0x000, 0x4C, {"DTR": 1, "SSO": 0}),
        ("INTA", 0x00, 0x000, 0x08, {"DTR": 0, "SSO": 0}),
        ("RD", 0x37, 0x412, 0x01, {"IOM": 0, "SSO": 1, "HLDA": 1}),
        ("WR", 0x38, 0x412, 0x02, {}),
    ]
    idle = {"RD": 1, "WR": 1, "INTA": 1, "HLDA": 0}
    wave = multiplexed(cycles, idle, "AD0-AD7", "A8-A19", ale=100, gap=100, width=350)
    assert both(wave, "8088-min") == [
        ("opcode-fetch", 0xF1234, 0xEA),
        ("read", 0x41235, 0x5B),
        ("write", 0x41236, 0xF0),
        ("io-read", 0x60, 0x1C),
        ("io-write", 0x61, 0x4C),
        ("int-ack", 0, 0x08),
        ("dma-read", 0x41237, 0x01),
        ("dma-write", 0x41238, 0x02),
    ]


def test_8088_maximum_mode():
    """Intel 8086 data sheet (231455) p. 9, S2-S0 table, and figure "Bus Timing - Maximum Mode System (Using 8288)"."""
    cycles = [
        ("MRDC", 0x34, 0xF12, 0xEA, {"S2": 1, "S1": 0, "S0": 0}),
        ("MRDC", 0x35, 0x412, 0x5B, {"S0": 1}),
        ("MWTC", 0x36, 0x412, 0xF0, {"S1": 1, "S0": 0}),
        ("IORC", 0x60, 0x000, 0x1C, {"S2": 0, "S1": 0, "S0": 1}),
        ("IOWC", 0x61, 0x000, 0x4C, {"S1": 1, "S0": 0}),
        ("INTA", 0x00, 0x000, 0x08, {"S1": 0}),
        (None, 0x00, 0x000, 0x00, {"S1": 1, "S0": 1}),
        ("MRDC", 0x37, 0x412, 0x01, {"S2": 1, "S1": 0, "AEN": 1}),
        ("AMWC", 0x38, 0x412, 0x66, {"S1": 1, "S0": 0, "AEN": 0}),
    ]
    idle = {"MRDC": 1, "MWTC": 1, "AMWC": 1, "IORC": 1, "IOWC": 1, "INTA": 1, "AEN": 0}
    wave = multiplexed(cycles, idle, "AD0-AD7", "A8-A19", ale=100, gap=100, width=350, late_write=100)
    assert both(wave, "8088-max") == [
        ("opcode-fetch", 0xF1234, 0xEA),
        ("read", 0x41235, 0x5B),
        ("write", 0x41236, 0xF0),
        ("io-read", 0x60, 0x1C),
        ("io-write", 0x61, 0x4C),
        ("int-ack", 0, 0x08),
        ("halt", 0, None),
        ("write", 0x41238, 0x66),
    ]


def test_8051():
    """Intel MCS-51 data sheet, figures "External Program Memory Read Cycle", "External Data Memory Read / Write"."""
    cycles = [
        ("PSEN", 0x34, 0x12, 0x75, {}),
        ("RD", 0x00, 0x80, 0x5A, {}),
        ("WR", 0x01, 0x80, 0xA5, {}),
    ]
    wave = multiplexed(cycles, {"PSEN": 1, "RD": 1, "WR": 1}, "AD0-AD7", "A8-A15", gap=80, late_write=-15)
    assert both(wave, "8051") == [("opcode-fetch", 0x1234, 0x75), ("read", 0x8000, 0x5A), ("write", 0x8001, 0xA5)]
    cycles, _ = wave.decode("8051")
    profile = load_profile("8051")
    assert [profile.space(r) for r in cycles.rule.tolist()] == ["program", "memory", "memory"]


def test_8048():
    """Intel MCS-48 User's Manual, figures "Instruction Fetch", "Read from / Write to External Data Memory" (memory)."""
    cycles = [("PSEN", 0x34, 0x2, 0x23, {}), ("RD", 0x55, 0x0, 0x5A, {}), ("WR", 0x56, 0xF, 0xA5, {})]
    wave = multiplexed(
        cycles,
        {"PSEN": 1, "RD": 1, "WR": 1},
        "DB0-DB7",
        "P20, P21, P22, P23",
        ale=400,
        gap=100,
        width=700,
        late_write=200,
    )
    assert both(wave, "8048") == [("opcode-fetch", 0x234, 0x23), ("read", 0x55, 0x5A), ("write", 0x56, 0xA5)]
