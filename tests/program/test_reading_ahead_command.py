"""The whole way of processors of words, or that read ahead: pins of a 68000, an 8088 and a TMS9900 as captures."""

from __future__ import annotations

import csv
import io
import json

import pytest

from busledger.tui.commands.main import main
from tests.external.waveform import Wave
from tests.pipeline.wide_captures import write_vcd
from tests.program.reading_ahead import FETCH, WRITE, Bus68000, rows_of_8088, run_8088, run_68000

# MOVEQ #3,D1 / MOVE.W D0,(A1)+ / ADDQ.W #1,D0 / DBRA / BSR 1012 / BRA 1000; the routine: LEA 5000,A1 / RTS
CODE_68000 = {0x1000: bytes.fromhex("720332C0524051C9FFFA6100000660F04E7143F850004E75")}
BOARD_68000 = """
[board]
name = "Planetarium drive"
bus = "68000"

[[region]]
name = "monitor"
start = 0x1000
end = 0x17FF
kind = "rom"
image = "monitor.bin"

[[region]]
name = "work"
start = 0x6F00
end = 0x6FFF
kind = "ram"
"""
# XOR AX,AX / loop: MOV [BX],AX / INC AX / CALL 1010 / JMP loop; the routine: MOV CX,[BX] / RET
CODE_8088 = {0x1000: bytes.fromhex("31C0890740E80800EBF8"), 0x1010: bytes.fromhex("8B0FC3")}


def wave_68000(rows):
    """M68000 User's Manual pp. 5-4 and 4-5, 8 MHz; function codes 2 (program) and 1 (data)."""
    wave = Wave().idle(AS=1, UDS=1, LDS=1, RW=1, FC0=0, FC1=1, FC2=0).put(0, "A1-A23", 0).put(0, "D0-D15", 0)
    for n, (kind, address, data, size, _) in enumerate(rows):
        start, read = 1000 * n + 100, kind != WRITE
        wave.put(start + 20, "FC1", int(kind == FETCH)).put(start + 20, "FC0", int(kind != FETCH))
        wave.put(start + 62, "A1-A23", address >> 1).put(start + 125, "RW", int(read))
        wave.pulse("AS", start + 125, start + 500)
        for line, here in (("LDS", size == 2 or address & 1), ("UDS", size == 2 or not address & 1)):
            if here:
                wave.pulse(line, start + (127 if read else 250), start + 500)
        word = data if size == 2 else data | data << 8
        wave.put(start + (420 if read else 187), "D0-D15", word)
        wave.put(start + 560, "D0-D15", 0xFFFF).put(start + 560, "RW", 1)
    return wave


def wave_8088(rows, *, told=True):
    """iAPX 88 data sheet, minimum mode: IO/M, DT/R and SSO are 000 in a fetch, 001 in a read, 010 in a write."""
    wave = Wave().idle(ALE=0, RD=1, WR=1, IOM=0, DTR=0).put(0, "AD0-AD7", 0).put(0, "A8-A19", 0)
    if told:
        wave.idle(SSO=0)
    for n, (kind, address, data, _, _) in enumerate(rows):
        start, write = 1500 * n + 100, kind == WRITE
        wave.put(start + 10, "DTR", int(write))
        if told:
            wave.put(start + 10, "SSO", int(kind not in (FETCH, WRITE)))
        wave.put(start + 20, "ALE", 1).put(start + 120, "ALE", 0)
        wave.put(start + 40, "AD0-AD7", address & 0xFF).put(start + 30, "A8-A19", address >> 8)
        begin = start + 220
        wave.put(begin - 20, "AD0-AD7", 0).pulse("WR" if write else "RD", begin, begin + 350)
        wave.put(begin + (40 if write else 190), "AD0-AD7", data)
        wave.put(begin + 350 + (110 if write else 20), "AD0-AD7", 0)
    return wave


def memory_of(code):
    held = bytearray(0x20000)
    for at, data in code.items():
        held[at : at + len(data)] = data
    return held


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("ahead")
    held = memory_of(CODE_68000)
    trace = run_68000(CODE_68000, 0x1000, 150)
    rows = Bus68000(lambda at: held[at] << 8 | held[at + 1]).run(trace)
    write_vcd(wave_68000(rows), made / "68000.vcd")
    # The return address comes back with D4 high: to 101E, not 100E.
    spoilt = [(k, a, d | 0x10 if k == "read" and d == 0x100E else d, s, n) for k, a, d, s, n in rows]
    at = next(n for n, row in enumerate(spoilt) if row[0] == "read" and row[2] == 0x101E)
    then = [(FETCH, 0x101E + 2 * n, 0x4E71, 2, 0) for n in range(12)]
    write_vcd(wave_68000([*spoilt[: at + 1], *then]), made / "wrong.vcd")
    (made / "card.toml").write_text(BOARD_68000)
    (made / "monitor.bin").write_bytes(bytes(held[0x1000:0x1800]))
    held = memory_of(CODE_8088)
    rows = rows_of_8088(run_8088(CODE_8088, 0x1000, 150), lambda at: held[at], 1)
    write_vcd(wave_8088(rows), made / "8088.vcd")
    write_vcd(wave_8088(rows, told=False), made / "untold.vcd")
    return made


def csv_rows(capsys, *command):
    assert main(["cycles", *command, "--program", "--csv", "-", "--no-progress", "--quiet"]) in (0, 1)
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_a_68000(folder, capsys):
    rows = csv_rows(capsys, str(folder / "68000.vcd"), "--profile", "68000")
    texts = {row["instruction"] for row in rows} - {""}
    assert {"MOVE.W D0,(A1)+", "DBRA D1,$1002", "BSR.W $1012", "LEA.L $5000.W,A1", "RTS", "BRA.B $1000"} <= texts
    assert {row["followed"] for row in rows} == {"", "inferred"}
    writes = [row for row in rows if row["kind"] == "write" and row["of"]]
    by_index = {row["index"]: row["instruction"] for row in rows}
    assert {by_index[row["of"]] for row in writes} == {"MOVE.W D0,(A1)+", "BSR.W $1012"}
    assert any(row["part"] == "peek" for row in rows)  # read ahead and not run


def test_a_68000_whose_return_address_comes_back_wrong(folder, capsys):
    command = ["check", str(folder / "wrong.vcd"), "--board", str(folder / "card.toml"), "--no-progress", "--json"]
    main(command)
    found = json.loads(capsys.readouterr().out)["program"]["derailed"]
    assert (found["kind"], found["went_on_at"]) == ("return", 0x101E)
    assert "RTS at 001016 gave 00101E as its return address, where 00100E belongs: a word of it" in found["sentence"]
    assert "was read as 101E where 100E was written (D4 high for low)" in found["sentence"]


def test_an_8088(folder, capsys):
    rows = csv_rows(capsys, str(folder / "8088.vcd"), "--profile", "8088-min")
    texts = {row["instruction"] for row in rows} - {""}
    assert {"MOV WORD PTR [BX],AX", "INC AX", "CALL 1010H", "MOV CX,WORD PTR [BX]", "RET", "JMP 1002H"} <= texts


def test_without_the_line_that_tells_fetches_it_is_said_what_is_missing(folder, capsys):
    assert main(["cycles", str(folder / "untold.vcd"), "--profile", "8088-min", "--program", "--no-progress"]) == 2
    assert "SSO" in capsys.readouterr().err
    assert main(["cycles", str(folder / "untold.vcd"), "--profile", "8086-min", "--program", "--no-progress"]) == 2
    assert main(["check", str(folder / "untold.vcd"), "--profile", "8088-min", "--no-progress"]) in (0, 1, 3)


# LWPI 8300 / BL @0090 / JMP; the routine: INC R1 / B *R11, whose workspace register comes back with D12 (bit 3) high.
LOG_9900 = [
    ("fetch", 0x80, 0x02E0), ("read", 0x82, 0x8300), ("fetch", 0x84, 0x06A0), ("read", 0x86, 0x0090),
    ("write", 0x8316, 0x0088), ("fetch", 0x90, 0x0581), ("read", 0x8302, 1), ("write", 0x8302, 2),
    ("fetch", 0x92, 0x045B), ("read", 0x8316, 0x0098), ("fetch", 0x98, 0x1000), ("fetch", 0x9A, 0x1000),
    ("fetch", 0x9C, 0x1000),
]  # fmt: skip
BOARD_9900 = """
[board]
name = "Weighbridge"
bus = "tms9900"

[[region]]
name = "work"
start = 0x8300
end = 0x83FF
kind = "ram"

[[region]]
name = "monitor"
start = 0x0000
end = 0x00FF
kind = "rom"
"""


def test_a_9900_whose_return_address_comes_back_wrong(tmp_path, capsys):
    """TMS9900 Data Manual, figure "Memory Interface Timing" (from memory); A0 and D0 are the most significant bits."""
    wave = Wave().idle(MEMEN=1, DBIN=0, WE=1, IAQ=0).put(0, "A14-A0", 0).put(0, "D15-D0", 0)
    for n, (kind, address, data) in enumerate(LOG_9900):
        start = 2000 * n + 100
        wave.put(start, "A14-A0", address >> 1).put(start, "IAQ", int(kind == "fetch"))
        wave.pulse("MEMEN", start + 50, start + 716)
        if kind == "write":
            wave.put(start + 100, "D15-D0", data).pulse("WE", start + 300, start + 620)
        else:
            wave.pulse("DBIN", start + 50, start + 716, level=1).put(start + 500, "D15-D0", data)
        wave.put(start + 760, "D15-D0", 0)
    capture = str(write_vcd(wave, tmp_path / "9900.vcd"))
    rows = csv_rows(capsys, capture, "--profile", "tms9900")
    texts = [row["instruction"] for row in rows if row["instruction"]]
    assert texts[:4] == ["LWPI >8300", "BL @>0090", "INC R1", "B *R11"]
    assert {row["followed"] for row in rows if row["of"]} == {"told"}
    (tmp_path / "card.toml").write_text(BOARD_9900)
    main(["check", capture, "--board", str(tmp_path / "card.toml"), "--no-progress", "--json"])
    found = json.loads(capsys.readouterr().out)["program"]["derailed"]
    assert (found["kind"], found["went_on_at"]) == ("return", 0x98)
    assert "B *R11 at 0092 gave 0098 as its return address, where 0088 belongs" in found["sentence"]
