"""Lists with the program beside the cycles: the contract's columns stay, the program's stand behind them."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.errors import UsageError
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following import Follower, load_set, load_symbols
from busledger.decoder.program.following.columns import PART_NAMES, Followed
from busledger.decoder.report import Lister, ProgramRows, RowFormat, folded_text
from busledger.decoder.report.cycle_rows import COLUMNS

# CALL 0100H at 0000; LD (HL),A at 0100 writes 4000.
TRAFFIC = [
    (Kind.OPCODE_FETCH, 0x0000, 0xCD), (Kind.READ, 1, 0x00), (Kind.READ, 2, 0x01), (Kind.WRITE, 0x43FE, 0),
    (Kind.WRITE, 0x43FD, 3), (Kind.OPCODE_FETCH, 0x0100, 0x77), (Kind.REFRESH, 0, 0), (Kind.WRITE, 0x4000, 0x5A),
    (Kind.OPCODE_FETCH, 0x0101, 0xC9),
]  # fmt: skip


def followed(rows):
    cycles = Cycles.empty(len(rows))
    for i, (kind, address, data) in enumerate(rows):
        cycles.kind[i], cycles.address[i], cycles.data[i], cycles.time[i] = kind, address, data, i
    follower = Follower(load_set("z80"))
    blocks = [follower.feed(cycles, Compared.empty(len(rows))), follower.finish()]
    return follower, cycles, Compared.empty(len(rows)), Followed.concat([b.followed for b in blocks])


def form():
    return RowFormat(["bank0"], tick_fs=10**6, address_bits=16, data_bits=8)


def rows_of(follower, cycles, compared, columns, symbols=None):
    program = ProgramRows(form(), follower.glossary, symbols)
    text = b"".join(program.csv(compared.index, cycles, compared, columns)).decode()
    lines = b"".join(program.jsonl(compared.index, cycles, compared, columns)).decode()
    header = program.csv_header().decode()
    return list(csv.DictReader(io.StringIO(header + text))), [json.loads(line) for line in lines.splitlines()]


def test_an_instruction_with_what_it_reads_and_writes():
    table, objects = rows_of(*followed(TRAFFIC))
    assert list(table[0]) == [*COLUMNS, "of", "part", "instruction", "followed"]
    shown = [(row["of"], row["part"], row["instruction"], row["followed"]) for row in table]
    assert shown == [
        ("0", "opcode", "CALL 0100H", "told"),
        ("0", "operand", "", "told"),
        ("0", "operand", "", "told"),
        ("0", "data", "", "told"),
        ("0", "data", "", "told"),
        ("5", "opcode", "LD (HL),A", "told"),
        ("", "", "", ""),
        ("5", "data", "", "told"),
        ("8", "opcode", "RET", "told"),
    ]
    assert objects[5]["of"] == 5
    assert objects[5]["instruction"] == "LD (HL),A"
    assert [objects[6][name] for name in ("of", "part", "instruction", "followed")] == [None] * 4


def test_symbols_name_targets_and_places(tmp_path):
    (tmp_path / "names.sym").write_text("FILL = $0100  ; fills a bank\nSTART 0000H\n\n# nothing\n0x0200 LATER\n")
    symbols = load_symbols(tmp_path / "names.sym")
    table, _ = rows_of(*followed(TRAFFIC), symbols)
    assert [(row["instruction"], row["routine"]) for row in table if row["instruction"]] == [
        ("CALL FILL", "START"),
        ("LD (HL),A", "FILL"),
        ("RET", "FILL+1"),
    ]


def test_a_folded_list_has_a_line_an_instruction():
    follower, cycles, compared, columns = followed(TRAFFIC)
    program = ProgramRows(form(), follower.glossary)
    text = b"".join(program.csv(compared.index, cycles, compared, columns)).decode()
    page = list(csv.reader(io.StringIO(text)))
    lines = folded_text(page, [*COLUMNS, *program.columns], rows=3, width=100, colour=False).splitlines()
    assert [line.split() for line in lines[1:]] == [
        ["0", "0.000000000", "0000", "CD", "00", "01", "CALL", "0100H", "w", "43FE=00", "w", "43FD=03"],
        ["5", "0.000000005", "0100", "77", "LD", "(HL),A", "w", "4000=5A"],
        ["6", "0.000000006", "0000", "00", "(refresh)"],
    ]


def test_a_list_that_begins_later_keeps_its_own_numbers():
    """``of`` is a number of the list it stands in, whatever the run counted from."""
    follower, cycles, compared, some = followed(TRAFFIC)
    lines = []
    lister = Lister(form(), csv=lines.append, program=ProgramRows(form(), follower.glossary), seen=1000)
    lister.start()
    lister.feed(cycles, compared, some)
    rows = list(csv.DictReader(io.StringIO(b"".join(lines).decode())))
    assert {row["of"] for row in rows} == {"1000", "1005", "1008"}
    assert all(row["index"] == row["of"] for row in rows if row["part"] == "opcode")


@st.composite
def columns(draw):
    """Any columns at all: more than a follower would give."""
    n = draw(st.integers(0, 8))
    some = Followed.empty(n)
    some.of[:] = draw(st.lists(st.integers(-1, 10**12), min_size=n, max_size=n))
    some.part[:] = draw(st.lists(st.integers(0, len(PART_NAMES) - 1), min_size=n, max_size=n))
    some.text[:] = draw(st.lists(st.integers(-1, 2), min_size=n, max_size=n))
    some.inferred[:] = draw(st.lists(st.booleans(), min_size=n, max_size=n))
    return some


@settings(max_examples=60, deadline=None)
@given(columns())
def test_rows_equal_plain_ones(some):
    follower, _, _, _ = followed(TRAFFIC)
    n = len(some)
    cycles, compared = Cycles.empty(n), Compared.empty(n)
    plain = list(csv.reader(io.StringIO(b"".join(form().csv(np.arange(n), cycles, compared)).decode())))
    for i, row in enumerate(plain):
        text = int(some.text[i])
        none = some.of[i] < 0
        row += [
            "" if none else str(some.of[i]),
            PART_NAMES[some.part[i]],
            "" if text < 0 else follower.glossary.readings[text].text,
            "" if none else "inferred" if some.inferred[i] else "told",
        ]
    program = ProgramRows(form(), follower.glossary)
    got = b"".join(program.csv(np.arange(n), cycles, compared, some)).decode()
    assert list(csv.reader(io.StringIO(got))) == plain
    objects = [json.loads(line) for line in b"".join(program.jsonl(np.arange(n), cycles, compared, some)).splitlines()]
    names = [*COLUMNS, *program.columns]
    for row, made in zip(plain, objects, strict=True):
        want = dict(zip(names, row, strict=True))
        assert [made["part"] or "", made["instruction"] or "", made["followed"] or ""] == [
            want["part"],
            want["instruction"],
            want["followed"],
        ]
        assert made["of"] == (int(want["of"]) if want["of"] else None)


@pytest.mark.parametrize("line", ["FILL", "FILL 0100 0200", "FILL QQ"])
def test_a_line_that_is_no_symbol_is_told(tmp_path, line):
    (tmp_path / "names.sym").write_text(f"GOOD 0000\n{line}\n")
    with pytest.raises(UsageError, match=r"line 2: .*does not give a name and an address"):
        load_symbols(tmp_path / "names.sym")
