"""68000, 68008 and 8088 read ahead: every instruction that is given must be one that ran, in the order in which it did.

Programs of chance, run by unicorn (``reading_ahead.py``): loops, skips over one instruction, calls, jumps through
registers, reads relative to the program counter, interrupts.
"""

from __future__ import annotations

import random
from collections import defaultdict
from itertools import pairwise

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following import Follower, load_set
from busledger.decoder.program.following.columns import Followed, Instructions, Part
from tests.program.reading_ahead import FETCH, READ, WRITE, Bus68000, rows_of_8088, run_8088, run_68000

# Straight instructions: A0, A1 and A2 point at data, D7 counts loops, A3 and A4 are for jumps.
PLAIN_68000 = (
    "5240", "D081", "4840", "3401", "2601", "32C0", "2290", "5291", "D352", "4252", "4452", "B191", "3218", "2418",
    "31410010", "20280020", "303C1234", "223C00012345", "08D10003", "08110002", "33C200008300", "23FC1234567800008304",
    "23F9000083000000830C", "3F01341F", "2F01241F", "48E7C0004CDF0003", "4850588F", "C141", "E351", "E3D1", "51D1",
    "C2C0", "21590040", "3141FFF0", "0C520007", "B342", "4A91", "D159", "3121321A", "43E9FFFE", "4298",
)  # fmt: skip
OF_PROGRAM_68000 = ("343AFFF0", "243AFFEC", "D47AFFE8", "4CBA0030FFE0", "7000103B00E0", "083A0001FFDC", "33FAFFD8")


def random_68000(seed):
    """(memory as {address: bytes}, where it begins): an endless loop of pieces."""
    chance, made, here = random.Random(seed), bytearray(), 0x1000

    def some(most):
        return b"".join(bytes.fromhex(chance.choice(PLAIN_68000)) for _ in range(chance.randint(1, most)))

    def put(data):
        made.extend(data)

    def at():
        return here + len(made)

    routines = {0x3000 + 0x100 * k: some(4) + bytes.fromhex("4E75") for k in range(4)}
    for _ in range(40):
        piece = chance.randint(0, 9)
        if piece < 3:
            put(some(5))
        elif piece == 3:
            inside = some(2) if chance.random() < 0.6 else bytes.fromhex("5240")
            put(bytes([0x60 | chance.randint(2, 15), len(inside)]) + inside)
        elif piece == 4:
            inside = bytes.fromhex(f"7E0{chance.randint(1, 5)}") + (body := some(3))
            put(inside + bytes.fromhex("51CF") + (-len(body) - 2 & 0xFFFF).to_bytes(2, "big"))
        elif piece == 5:
            to = chance.choice(sorted(routines))
            how = chance.randint(0, 3)
            if how == 0:
                put(bytes.fromhex("4EB9") + to.to_bytes(4, "big"))
            elif how == 1:
                put(bytes.fromhex("4EB8") + to.to_bytes(2, "big"))
            elif how == 2:
                put(bytes.fromhex("6100") + (to - at() - 2 & 0xFFFF).to_bytes(2, "big"))
            else:
                put(bytes.fromhex("47F8") + to.to_bytes(2, "big") + bytes.fromhex("4E93"))
        elif piece == 6:
            put(bytes.fromhex("6004") + bytes.fromhex("FFFFFFFF"))
        elif piece == 7:
            put(bytes.fromhex("49FA0006") + bytes.fromhex("4ED4") + bytes.fromhex("FFFF"))
        elif piece == 8:
            put(bytes.fromhex("4EF9") + (at() + 6).to_bytes(4, "big"))
        else:
            text = bytes.fromhex(chance.choice(OF_PROGRAM_68000))
            put(text + (bytes.fromhex("00008320") if text[:2] == b"\x33\xfa" else b""))
    put(bytes.fromhex("41F8500043F8510045F85200") + bytes.fromhex("4EF81000"))
    return {here: bytes(made), 0x2000: bytes.fromhex("52454E73"), 0x64: bytes.fromhex("00002000"), **routines}


def memory_of(code):
    held = bytearray(0x20000)
    for at, data in code.items():
        held[at : at + len(data)] = data
    return held


def columns(rows):
    cycles, compared = Cycles.empty(len(rows)), Compared.empty(len(rows))
    for i, (kind, address, data, size, _) in enumerate(rows):
        cycles.kind[i] = Kind[kind.upper().replace("-", "_")]
        cycles.address[i], cycles.data[i], cycles.time[i] = address, data, i
        cycles.width[i] = 3 if size == 2 else 1
    compared.index[:] = np.arange(len(rows))
    return cycles, compared


def followed(rows, name, blocks=1):
    """(columns, instructions, glossary) of the rows, fed in so many blocks."""
    cycles, compared = columns(rows)
    follower = Follower(load_set(name))
    edges = np.linspace(0, len(rows), blocks + 1).astype(int).tolist()
    got = [follower.feed(cycles.slice(a, b), compared.slice(a, b)) for a, b in pairwise(edges)]
    got.append(follower.finish())
    found = Instructions.concat([block.instructions for block in got])
    return Followed.concat([block.followed for block in got]), found, follower.glossary


def trace_68000(seed, steps=900, size=2):
    code = random_68000(seed)
    chance = random.Random(seed)
    trace = run_68000(code, 0x1000, steps, interrupts=chance.sample(range(50, steps), 6))
    held = memory_of(code)
    return trace, Bus68000(lambda at: held[at] << 8 | held[at + 1], size).run(trace)


def ran_addresses(trace):
    return [(n, step.address) for n, step in enumerate(trace) if not step.exception]


def check(trace, rows, found, before=0):
    """Each given instruction against the step whose fetch its row is: the model of the bus knows."""
    by_row = {}
    at = defaultdict(list)
    for i, (kind, address, _, _, _) in enumerate(rows):
        if kind == FETCH:
            at[address].append(i)
    used = []
    last = -1
    for n, address in ran_addresses(trace):
        done = [i for i in at[address] if i > last and rows[i][4] <= max(0, n - before)]
        if done:
            by_row[done[-1]] = n
            used.append((done[-1], n))
            last = done[-1]
    got = list(zip(found.row.tolist(), found.address.tolist(), strict=True))
    for row, address in got:
        assert row in by_row, f"row {row}: {address:04X} is given and did not run"
        step = trace[by_row[row]]
        assert step.address == address
    return len(got) / len(used), by_row


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("name", "size"), [("68000", 2), ("68008", 1)])
def test_every_instruction_of_a_68000_that_is_given_ran(name, size, seed):
    trace, rows = trace_68000(seed, size=size)
    columns_, found, glossary = followed(rows, name, blocks=1 + seed)
    share, by_row = check(trace, rows, found, before=1)
    assert share > 0.94
    for k, row in enumerate(found.row.tolist()):
        assert glossary.raw(found.text[k]) == trace[by_row[row]].raw
    # What it read and wrote lies under it.
    own = np.flatnonzero(columns_.part == Part.DATA)
    wrong = [i for i in own.tolist() if by_row[int(columns_.of[i])] != rows[i][4]]
    assert not wrong
    there = sum(row[0] in (READ, WRITE) for row in rows)
    assert len(own) > 0.9 * there


PLAIN_8088 = (
    "40", "01D8", "8B07", "8904", "8A4402", "884503", "B83412", "C6060083AA", "C70602833412", "A10483", "A30683",
    "F7D8", "F6C401", "D1E0", "D20F", "83C002", "81C2FF00", "FF07", "FE4C05", "50", "58", "A4", "AC", "AA", "268A05",
    "D7", "99", "E421", "E680", "3D3412", "8D4710", "90", "F8", "87C2", "F60701", "F7470234AB",
)  # fmt: skip


def random_8088(seed):
    """An endless loop of pieces for an 8088, at 1000."""
    chance, made, here = random.Random(seed), bytearray(), 0x1000

    def some(most):
        return b"".join(bytes.fromhex(chance.choice(PLAIN_8088)) for _ in range(chance.randint(1, most)))

    bodies = [some(4).replace(b"\x50", b"\x40").replace(b"\x58", b"\x40") for _ in range(4)]
    routines = {0x3000 + 0x100 * k: body + b"\xc3" for k, body in enumerate(bodies)}
    for _ in range(40):
        piece, at = chance.randint(0, 7), here + len(made)
        if piece < 3:
            made += some(5)
        elif piece == 3:
            inside = some(2)
            made += bytes([0x70 | chance.randint(0, 15), len(inside)]) + inside
        elif piece == 4:
            inside = some(3).replace(b"\xe6", b"\xe4")
            made += bytes([0xB9, chance.randint(1, 5), 0]) + inside + bytes([0xE2, -len(inside) - 2 & 0xFF])
        elif piece == 5:
            to = chance.choice(sorted(routines))
            if chance.random() < 0.5:
                made += b"\xe8" + (to - at - 3 & 0xFFFF).to_bytes(2, "little")
            else:
                made += b"\xb8" + to.to_bytes(2, "little") + b"\xff\xd0"
        elif piece == 6:
            made += bytes.fromhex(chance.choice(("EB02FFFF", "EB00", "E90400FFFFFFFF", "75020000"[:4] + "EB00")))
        else:
            made += b"\xea" + (at + 5).to_bytes(2, "little") + bytes(2)
    made += bytes.fromhex("BC0070BE0080BF0081BB0082") + b"\xea\x00\x10\x00\x00"
    handler = bytes.fromhex("45CF")
    return {here: bytes(made), 0x2000: handler, 0x20: bytes.fromhex("00200000"), **routines}


@pytest.mark.parametrize("seed", range(8))
def test_every_instruction_of_an_8088_that_is_given_ran(seed):
    code = random_8088(seed)
    trace = run_8088(code, 0x1000, 900, interrupts=random.Random(seed).sample(range(50, 900), 6))
    held = memory_of(code)
    rows = rows_of_8088(trace, lambda at: held[at], seed)
    _, found, glossary = followed(rows, "8088", blocks=1 + seed)
    share, by_row = check(trace, rows, found)
    for k, row in enumerate(found.row.tolist()):
        assert glossary.raw(found.text[k]) == trace[by_row[row]].raw
    assert share > 0.89
