"""The gathering of cycles under instructions: compiled pass and plain twin give the same, and so does every cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Cycles, Flag, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following import Follower, load_set
from tests.reference.gather_twin import gather_plain

KINDS = [Kind.READ, Kind.READ, Kind.READ, Kind.OPCODE_FETCH, Kind.OPCODE_FETCH, *Kind]
TELLING = ("z80", "8085", "6502", "65c816", "1802", "6809")  # buses whose fetch line marks where an instruction begins


@st.composite
def traffic(draw):
    """Cycles that mostly go up by one, as a program's do, so that operands are found."""
    name = draw(st.sampled_from(TELLING))
    table = load_set(name)
    address, rows = draw(st.integers(0, table.mask)), []
    for _ in range(draw(st.integers(0, 30))):
        kind = draw(st.sampled_from(KINDS))
        address = address + 1 if draw(st.integers(0, 5)) else draw(st.integers(0, table.mask))
        data = draw(st.sampled_from([0xCB, 0xDD, 0xED, 0xFD, 0x10, 0x11, 0xA9, 0x3A]) | st.integers(0, 255))
        rare = [draw(st.integers(0, 19)) == 0 for _ in range(3)]
        rows.append({"kind": kind, "fetch": kind == Kind.OPCODE_FETCH, "address": address & table.mask, "data": data})
        rows[-1] |= {"bad_address": rare[0], "bad_data": rare[1], "gap": rare[2]}
    return name, rows


def columns(rows):
    cycles = Cycles.empty(len(rows))
    for i, c in enumerate(rows):
        cycles.kind[i], cycles.address[i], cycles.data[i] = c["kind"], c["address"], c["data"]
        cycles.address_unknown[i] = 1 if c["bad_address"] else 0
        cycles.data_unknown[i] = 1 if c["bad_data"] else 0
        cycles.flags[i] = Flag.AFTER_GAP if c["gap"] else 0
    return cycles, Compared.empty(len(rows))


def without_vectors(table):
    """Interrupts are seen by what comes behind a fetch; here any address may come, and none is a vector."""
    return replace(table, file=table.file.model_copy(update={"vectors": {}}))


def followed(table, rows, cuts=()):
    """((of, part) of every row, instructions as the twin gives them, texts), fed in pieces."""
    follower = Follower(without_vectors(table))
    cycles, compared = columns(rows)
    edges = [0, *cuts, len(rows)]
    blocks = [follower.feed(cycles.slice(a, b), compared.slice(a, b)) for a, b in pairwise(edges)]
    blocks.append(follower.finish())
    parts = [(int(o), int(p)) for b in blocks for o, p in zip(b.followed.of, b.followed.part, strict=True)]
    texts = [follower.glossary.readings[t].text for b in blocks for t in b.followed.text.tolist() if t >= 0]
    found = []
    for block in blocks:
        i = block.instructions
        for k in range(len(i)):
            raw = int(i.packed[k]).to_bytes(8, "little")[: int(i.size[k])]
            found.append({"row": int(i.row[k]), "end": int(i.end[k]), "address": int(i.address[k]), "raw": raw})
            found[-1]["state"] = int(i.state[k])
    return parts, found, texts


@settings(max_examples=150, deadline=None)
@given(traffic(), st.data())
def test_compiled_and_plain_agree_and_cuts_change_nothing(drawn, data):
    table, rows = load_set(drawn[0]), drawn[1]
    # A gap behind the last row ends what is open, as the end of the capture does.
    ended = [*rows, {"kind": Kind.IDLE, "fetch": False, "address": 0, "data": 0, "bad_address": False}]
    ended[-1] |= {"bad_data": False, "gap": True}
    parts, done = gather_plain(ended, table)
    got, found, texts = followed(table, rows)
    assert got == [(of, int(part)) for of, part in parts[:-1]]
    assert found == done
    cuts = sorted(data.draw(st.lists(st.integers(0, len(rows)), max_size=3)))
    assert followed(table, rows, cuts) == (got, found, texts)


@pytest.mark.parametrize("name", TELLING)
def test_nothing_and_always_the_same(name):
    table = load_set(name)
    assert followed(table, []) == ([], [], [])
    same = {"kind": Kind.OPCODE_FETCH, "fetch": True, "address": 0, "data": 0, "bad_address": False}
    parts, found, _ = followed(table, [{**same, "bad_data": False, "gap": False}] * 50)
    assert parts == [(n, 1) for n in range(50)]
    assert len(found) == 50


def test_a_halt_that_lasts_is_handed_on():
    """A processor that stands still for long does not hold the list back without end."""
    rows = [{"kind": Kind.OPCODE_FETCH, "fetch": True, "address": 0, "data": 0x76, "bad_address": False}]
    rows += [{"kind": Kind.HALT, "fetch": False, "address": 1, "data": 0, "bad_address": False}] * 40_000
    rows = [{**row, "bad_data": False, "gap": False} for row in rows]
    follower = Follower(load_set("z80"))
    cycles, compared = columns(rows)
    first = follower.feed(cycles, compared)
    assert len(first.cycles) == len(rows)
    assert follower.glossary.readings[first.followed.text[0]].text == "HALT"


def test_many_different_instructions_fill_the_table_and_make_it_grow():
    rows = np.arange(3 * 6000)
    cycles, compared = Cycles.empty(len(rows)), Compared.empty(len(rows))
    cycles.address[:] = rows
    cycles.kind[:] = np.where(rows % 3 == 0, Kind.OPCODE_FETCH, Kind.READ)
    cycles.data[:] = np.where(rows % 3 == 0, 0x21, rows & 0xFF)
    follower = Follower(load_set("z80"))
    shown = [follower.feed(cycles, compared), follower.finish()]
    texts = [follower.glossary.readings[t].text for b in shown for t in b.followed.text.tolist() if t >= 0]
    expected = [(at + 1 & 0xFF) | (at + 2 & 0xFF) << 8 for at in range(0, len(rows), 3)]
    assert [int(text[6:-1], 16) for text in texts] == expected
