"""The tables of the other processors, cell by cell against independent sources.

6502: py65 (text, bytes, cycles). 8080: the ``z80`` package's 8080, by what it reads and where it goes on. 6801, 6809
(that is, capstone's word on them) and 8051: the opcode lists of ``opcodetools``. 8048 and 1802: lengths typed from the
makers' opcode maps, apart from the tables.
"""

from __future__ import annotations

import re
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest
import z80
from opcodetools.cpu import cpu_6803, cpu_6809, cpu_8052
from py65.devices.mpu65c02 import MPU as MPU65C02
from py65.devices.mpu6502 import MPU
from py65.disassembler import Disassembler

from busledger.decoder.program.following import load_set, set_names, sets
from busledger.decoder.program.following.columns import Flow


def bits(mask):
    return {n for n in range(32) if int(mask) >> n & 1}


@pytest.mark.parametrize(("name", "processor"), [("6502", MPU), ("65c02", MPU65C02)])
def test_6502_texts_and_lengths_as_py65_gives_them(name, processor):
    table, cpu = load_set(name), processor()
    reader, compared = Disassembler(cpu), 0
    for op in range(256):
        cpu.memory[0x1000:0x1003] = [op, 0x34, 0x12]
        size, text = reader.instruction_at(0x1000)
        if text.startswith("???"):
            continue
        raw = bytes(cpu.memory[0x1000 : 0x1000 + size])
        if op == 0:  # BRK: one byte in print, but the processor steps over two
            assert (table.operands[0, op], size) == (1, 1)
            continue
        assert table.read(0x1000, raw).text == text.replace(", ", ","), raw.hex()
        assert table.operands[0, op] == size - 1
        compared += 1
    assert compared == {"6502": 150, "65c02": 194}[name]


def test_6502_cycles_as_py65_counts_them():
    table = load_set("6502")
    for op in range(256):
        if not table.known[0, op]:
            assert table.cycles[0, op] == 0
            continue
        least, more = MPU.cycletime[op], MPU.extracycles[op]
        if op == 0xCE:  # DEC absolute: 6 in the manual; py65 1.2 counts 3
            least = 6
        assert bits(table.cycles[0, op]) == set(range(least, least + more + 1)), f"{op:02X}"


def reads_of(op, machine):
    """Addresses that one 8080 instruction at 0100 reads in turn, and where it goes on."""
    memory = bytearray(65536)
    memory[0x100:0x103] = bytes([op, 0x40, 0x30])
    log = []

    def read(address):
        log.append(address)
        return memory[address]

    machine.mark_addrs(0, 0x10000, machine.READ_MARK)
    machine.set_memory_block(0, bytes(memory))
    machine.set_read_callback(read)
    machine.set_input_callback(lambda port: 0)
    machine.pc, machine.sp, machine.hl, machine.bc, machine.de = 0x100, 0x5000, 0x6000, 0x6100, 0x6200
    machine.ticks_to_stop = 1
    machine.run()
    return log, machine.pc


@pytest.mark.parametrize("name", ["8080", "8085"])
def test_8080_lengths_and_targets_as_an_8080_behaves(name):
    table = load_set(name)
    for op in range(256):
        if not table.known[0, op] or op in (0x20, 0x30):  # RIM and SIM are the 8085's own
            continue
        log, after = reads_of(op, z80.I8080Machine())
        count = sum(1 for address in log if 0x100 <= address < 0x103)
        assert table.operands[0, op] + 1 == count, f"{op:02X}"
        reading = table.read(0x100, bytes([op, 0x40, 0x30])[:count])
        may_go = {Flow.NEXT: {0x100 + count}, Flow.HALT: {0x100, 0x101}, Flow.INDIRECT: {0x6000}, Flow.RETURN: {0}}
        may_go |= {flow: {reading.target} for flow in (Flow.JUMP, Flow.CALL, Flow.RESTART)}
        may_go |= {flow: {reading.target, 0x100 + count} for flow in (Flow.BRANCH, Flow.CALL_IF)}
        may_go |= {Flow.RETURN_IF: {0, 0x100 + count}}
        assert after in may_go[reading.flow], f"{op:02X} {reading}"


def listed(module):
    """{code bytes: [mnemonics, bytes]} of an ``opcodetools`` list; what stands for operands is kept as length only."""
    found = defaultdict(set)
    for entry in module.OPCODES:
        code = re.match(r"(?:[0-9A-F]{2})*", entry["code"])[0]
        operands = re.sub(r"[^a-z]", "", entry["code"][len(code) :])
        length = len(entry["code"]) // 2 if not operands or operands != "y" * len(operands) else -1
        found[bytes.fromhex(code)].add((entry["mnemonic"].split()[0], length))
    return found


# The list's own slips, against the makers' manuals: it writes LSL for ASL as well, and so on.
SAME = {"LSL": "ASL", "LSLA": "ASLA", "LSLB": "ASLB", "LSLD": "ASLD", "BHS": "BCC", "BLO": "BCS", "LBHS": "LBCC"}
SAME |= {"LBLO": "LBCS", "ASLD": "ASLD", "LDAA": "LDA", "LDAB": "LDB", "STAA": "STA", "STAB": "STB"}
SAME |= {"ORAA": "ORA", "ORAB": "ORB"}
# A RESET that no manual has; MOV DPTR,#data16 with one byte of data; MOV @Ri,direct and MOV Rn,direct with none.
SLIPS = {("6809", 0x3E), ("8051", 0x90), *(("8051", op) for op in range(0xA6, 0xB0))}


@pytest.mark.parametrize(
    ("name", "module"), [("6801", cpu_6803), ("6809", cpu_6809), ("8051", cpu_8052)], ids=["6801", "6809", "8051"]
)
def test_opcodes_as_an_independent_list_has_them(name, module):
    table = load_set(name)
    compared = 0
    for code, cells in listed(module).items():
        page = table.pages.index(code[:-1].hex()) if len(code) > 1 else 0
        op = code[-1]
        if (name, op) in SLIPS:
            continue
        assert table.known[page, op], code.hex()
        names = {SAME.get(mnemonic, mnemonic) for mnemonic, _ in cells}
        lengths = {length for _, length in cells} - {-1}
        probe = code + bytes([0x84, 0x84, 0x84])
        size = len(code) + int(table.operands[page, op])
        own = table.read(0x1000, probe[:size]).text.split()[0]
        assert SAME.get(own, own) in names, code.hex()
        assert not lengths or lengths == {size}, code.hex()
        compared += 1
    assert compared == {"6801": 219, "6809": 268, "8051": 244}[name]


# MCS-48 User's Manual, opcode map: the columns (low nibble) and rows (high nibble) of two-byte instructions.
TWO_BYTES_8048 = {
    *(row << 4 | 4 for row in range(16)),  # JMP, CALL
    *(row << 4 | 2 for row in (1, 3, 5, 7, 9, 0xB, 0xD, 0xF)),  # JBb
    *(row << 4 | 3 for row in (0, 1, 2, 4, 5, 0xD)),  # ADD, ADDC, MOV, ORL, ANL, XRL A,#data
    *(row << 4 | 6 for row in (1, 2, 3, 4, 5, 7, 8, 9, 0xB, 0xC, 0xE, 0xF)),  # jumps on a condition
    *(0x88, 0x89, 0x8A, 0x98, 0x99, 0x9A, 0xB0, 0xB1),  # ORL, ANL of a port, MOV @Rr,#data
    *range(0xB8, 0xC0),  # MOV Rr,#data
    *range(0xE8, 0xF0),  # DJNZ
}
NONE_8048 = {0x01, 0x06, 0x0B, 0x22, 0x33, 0x38, 0x3B, 0x63, 0x66, 0x73, 0x82, 0x87, 0x8B, 0x9B, 0xA2, 0xA6, 0xB7}
NONE_8048 |= {0xC0, 0xC1, 0xC2, 0xC3, 0xD6, 0xE0, 0xE1, 0xE2, 0xF3}

# CDP1802 User Manual, instruction summary: short branches, immediates two bytes, long branches three, the rest one.
TWO_BYTES_1802 = {*range(0x30, 0x38), *range(0x39, 0x40), *(0x7C, 0x7D, 0x7F), *range(0xF8, 0xFE), 0xFF}
THREE_BYTES_1802 = {0xC0, 0xC1, 0xC2, 0xC3, 0xC9, 0xCA, 0xCB}


def test_8048_lengths_as_the_opcode_map_has_them():
    table = load_set("8048")
    assert {op for op in range(256) if table.operands[0, op] == 1} == TWO_BYTES_8048
    assert {op for op in range(256) if not table.known[0, op]} == NONE_8048
    assert table.operands.max() == 1


def test_1802_lengths_as_the_summary_has_them():
    table = load_set("1802")
    assert {op for op in range(256) if table.operands[0, op] == 1} == TWO_BYTES_1802
    assert {op for op in range(256) if table.operands[0, op] == 2} == THREE_BYTES_1802
    assert [op for op in range(256) if not table.known[0, op]] == [0x68]


@pytest.mark.parametrize(
    ("name", "address", "raw", "text", "target"),
    [
        ("1802", 0x12FE, "3A07", "BNZ 1207H", 0x1207),  # the page of the operand's own address
        ("1802", 0x12FF, "3A07", "BNZ 1307H", 0x1307),
        ("1802", 0x0000, "C01234", "LBR 1234H", 0x1234),
        ("8048", 0x0105, "E410", "JMP 0710H", None),  # bits 8 to 10 from the opcode, bit 11 from SEL MB
        ("8048", 0x01FF, "EB20", "DJNZ R3,0220H", 0x220),
        ("8051", 0x1234, "B40510", "CJNE A,#05H,1247H", 0x1247),
        ("8051", 0x1234, "853020", "MOV 20H,30H", None),  # source before destination in memory
        ("8051", 0x17FE, "A110", "AJMP 1D10H", 0x1D10),  # the 2K of the next instruction
        ("z80", 0x1000, "DDCB05C6", "SET 0,(IX+5)", None),
        ("z80", 0x1000, "10FE", "DJNZ 1000H", 0x1000),
        ("6809", 0x1000, "16FFFD", "LBRA $1000", 0x1000),
        ("6809", 0x1000, "A69F1234", "LDA [$1234]", None),
        ("65c816", 0x01E000, "D0FE", "BNE $E000", 0x01E000),  # within its bank
        ("65c816", 0x01E000, "22563412", "JSL $123456", 0x123456),
        ("65c816", 0x01E000, "82FDFF", "BRL $E000", 0x01E000),
        ("65c816", 0x01E000, "A20512", "LDX #$1205", None),
        ("6800", 0x1000, "8DFE", "BSR $1000", 0x1000),
    ],
)
def test_an_instruction_by_hand(name, address, raw, text, target):
    reading = load_set(name).read(address, bytes.fromhex(raw))
    assert (reading.text, reading.target) == (text, target)


def test_every_table_names_its_published_source():
    for name in set_names():
        assert len(load_set(name).file.source) > 20, name


def test_what_stands_before_a_tables_first_section_says_whose_it_is() -> None:
    """Of most tables nothing else is read."""
    folder = Path(sets.__file__).parent / "tables"
    for text in (path.read_text(encoding="utf-8") for path in folder.glob("*.toml")):
        whole = tomllib.loads(text)
        for profile in whole["profiles"]:
            found = sets.set_of_profile(profile)
            assert found is not None and found.name == whole["name"]
        assert whole["name"] in sets.set_names()
