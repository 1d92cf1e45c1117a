"""Every instruction of every template, as independent disassemblers read its bytes.

capstone (6502, 6800, 6809) and the disassemblers of the ``z80`` package; both are others' work. Figures are compared
as numbers, spellings of one thing (RAL/RLA, bare A) are evened out.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import capstone
import pytest
from z80._z80 import _I8080Machine, _Z80Machine

from busledger.decoder.errors import UsageError
from busledger.decoder.program import Wanted, make_program, memory_test, memory_tests, processors
from tests.program.exercises.cosmac import disassemble
from tests.program.exercises.machines import PRINTING

RANGES = (((0x4000, 0x40FF),), ((0x4005, 0x4009), (0x5010, 0x5017)))


def every_program(cpu: str):
    """Each test in each way that the command can ask for, so that every fragment is met."""
    processor = next(one for one in processors() if one.name == cpu)
    for test in memory_tests().test:
        for ranges in RANGES:
            for how in ({"on_failure": "stop"}, {"on_failure": "loop"}, {"on_failure": "go-on", "passes": None}):
                for more in ({}, {"output": 0xF803, "passes": 3}, {"back": 0xE123}, {"rom": True}):
                    asked = {**how, **more}
                    if asked.get("rom"):
                        asked["origin"] = 0xF000
                    try:
                        yield make_program(
                            Wanted(processor, memory_test(test.name), ranges, **{"origin": 0x234, **asked})
                        )
                    except UsageError:
                        unprinted = cpu not in PRINTING and asked.get("output")
                        assert asked.get("rom") or unprinted, f"{cpu} {test.name} {asked}"


def of_capstone(architecture: int, mode: int) -> Callable[[bytes, int], tuple[str, int]]:
    engine = capstone.Cs(architecture, mode)

    def read(data: bytes, at: int) -> tuple[str, int]:
        one = next(engine.disasm(data, at, 1))
        return f"{one.mnemonic} {one.op_str}", one.size

    return read


DISASSEMBLERS: dict[str, Callable[[bytes, int], tuple[str, int]]] = {
    "6502": of_capstone(capstone.CS_ARCH_MOS65XX, capstone.CS_MODE_MOS65XX_6502),
    "6800": of_capstone(capstone.CS_ARCH_M680X, capstone.CS_MODE_M680X_6800),
    "6809": of_capstone(capstone.CS_ARCH_M680X, capstone.CS_MODE_M680X_6809),
    "8088": of_capstone(capstone.CS_ARCH_X86, capstone.CS_MODE_16),
    "68000": of_capstone(capstone.CS_ARCH_M68K, capstone.CS_MODE_BIG_ENDIAN | capstone.CS_MODE_M68K_000),
    "1802": disassemble,
    "8080": lambda data, at: _I8080Machine._disasm(data + bytes(3)),
    "z80": lambda data, at: _Z80Machine._disasm(data + bytes(3)),
}
NUMBER = re.compile(r"0x[0-9a-f]+|\$[0-9a-f]+|\b[0-9][0-9a-f]*h\b|(?<![a-z0-9])[0-9]+\b")

SPELLINGS = {
    r"^(lea|exg)\.l": r"\1",  # the only size that there is
    r"(?<=\d)\.l\b": "",  # a long absolute address
    r"^(b[a-z]+)\.s": r"\1.b",  # a short branch
    r"^jnz": "jne",
    r"^jz": "je",
    r"\b(byte|word) ptr ": "",
    r"^ljmp": "jmp",
}


def number(text: str) -> str:
    if text.startswith(("0x", "$")):
        return str(int(text.lstrip("$"), 16))
    return str(int(text[:-1], 16) if text.endswith("h") else int(text))


def plain(text: str, at: int, size: int) -> str:
    """One spelling: lower case, numbers decimal, relative targets absolute, no marks of form."""
    if re.search(r"[A-Z]", text) and re.search(r"[a-z]", text):
        text = re.sub(r"[A-Z]", "", text)  # the z80 package marks what an operand is by capitals
    text = text.lower()
    text = re.sub(r"\$ ([+-]) (\d+)", lambda m: hex(at + int(m[1] + m[2])), text)
    text = re.sub(r"(?<=[#,\s])-(\d+)", lambda m: str(-int(m[1]) % (1 << (8 if int(m[1]) <= 128 else 16))), text)
    text = NUMBER.sub(lambda m: number(m[0]), text)
    for one, other in SPELLINGS.items():
        text = re.sub(one, other, text)
    return re.sub(r"[\s#]+", " ", text.replace(", ", ",")).strip()


@pytest.mark.parametrize("cpu", [one.name for one in processors() if one.name in DISASSEMBLERS])
def test_every_byte_is_what_its_mnemonic_says(cpu):
    seen: dict[tuple[bytes, int], str] = {}
    for program in every_program(cpu):
        for line in program.lines:
            if line.code and line.mnemonic:
                seen.setdefault((line.data, line.address), line.mnemonic)
    assert len(seen) > 400
    wrong = []
    for (data, at), said in seen.items():
        read, size = DISASSEMBLERS[cpu](data, at)
        if cpu == "1802":  # RCA marks hexadecimal figures so
            read, said = read.replace("#", "0x"), said.replace("#", "0x")
        if size != len(data) or plain(read, at, size) != plain(said, at, size):
            wrong.append((data.hex(), said, read))
    assert wrong[:5] == []
