"""Programs of words and of processors that read ahead: the plain twin, cuts, and what holds whatever is on the bus."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Cycles, Flag, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following import Follower, load_set
from busledger.decoder.program.following.columns import Followed, Instructions, Part, State
from tests.reference.words_twin import gather_words_plain

WORDS_9900 = [0xC820, 0xC060, 0x0200, 0x0581, 0x10FE, 0x045B, 0x06A0, 0xD4A1]
WORDS_68000 = [0x4E71, 0x5240, 0x6602, 0x60FC, 0x4E75, 0x323A, 0x4EB9, 0x51C9, 0x33FC, 0x2290, 0x4ED0, 0x0000, 0xFFFC]
BYTES_8088 = [0x90, 0xEB, 0x02, 0x75, 0xC3, 0xE8, 0xFE, 0x8B, 0x46, 0xB8, 0xCF, 0xF6, 0xEA]


@st.composite
def traffic(draw, step, values, kinds):
    """Cycles that mostly go up, as the reads of a program do."""
    address, rows, held = draw(st.integers(0, 0x7FFF)) * 2, [], {}
    for _ in range(draw(st.integers(0, 40))):
        kind = draw(st.sampled_from(kinds))
        move = draw(st.integers(0, 7))
        address = address + step if move > 1 else draw(st.integers(0, 0x7FFF)) * 2 if move else address - 4 * step
        address &= 0xFFFF
        data = held.setdefault(address, draw(st.sampled_from(values)))
        rare = [draw(st.integers(0, 29)) == 0 for _ in range(3)]
        rows.append({"kind": kind, "address": address, "data": data})
        rows[-1] |= {"bad_address": rare[0], "bad_data": rare[1], "gap": rare[2]}
    return rows


def followed(name, rows, cuts=()):
    cycles = Cycles.empty(len(rows))
    for i, c in enumerate(rows):
        cycles.kind[i], cycles.address[i], cycles.data[i] = c["kind"], c["address"], c["data"]
        cycles.address_unknown[i], cycles.data_unknown[i] = int(c["bad_address"]), int(c["bad_data"])
        cycles.flags[i] = Flag.AFTER_GAP if c["gap"] else 0
        cycles.width[i] = 1 if name in ("68008", "8088") else 3
    compared = Compared.empty(len(rows))
    follower = Follower(load_set(name))
    edges = [0, *sorted(cuts), len(rows)]
    blocks = [follower.feed(cycles.slice(a, b), compared.slice(a, b)) for a, b in pairwise(edges)]
    blocks.append(follower.finish())
    columns = Followed.concat([block.followed for block in blocks])
    return columns, Instructions.concat([block.instructions for block in blocks]), follower.glossary


MIXED = [Kind.READ] * 4 + [Kind.OPCODE_FETCH] * 3 + [Kind.WRITE, Kind.IO_WRITE, Kind.DMA_READ]


@settings(max_examples=80, deadline=None)
@given(traffic(2, WORDS_9900, MIXED))
def test_words_are_gathered_as_the_plain_twin_does(rows):
    columns, found, _ = followed("TMS9900", rows)
    expected, done = gather_words_plain(rows, load_set("TMS9900").words)
    last = [one for one in expected if one[0] == found.row[-1]] if len(found) else []
    assert list(zip(columns.of.tolist(), columns.part.tolist(), strict=True)) == expected
    got = [(int(r), int(a), int(s)) for r, a, s in zip(found.row, found.address, found.state, strict=True)]
    assert got[: len(done)] == [(one["row"], one["address"], one["state"]) for one in done]
    assert len(got) - len(done) in (0, 1)
    assert len(last) == 0 or last[0][1] == Part.OPCODE


@pytest.mark.parametrize(
    ("name", "step", "values"),
    [("68000", 2, WORDS_68000), ("68008", 1, [w >> 8 for w in WORDS_68000]), ("8088", 1, BYTES_8088)],
)
def test_what_is_given_was_fetched_whatever_is_on_the_bus(name, step, values):
    kinds = [Kind.OPCODE_FETCH] * 6 + [Kind.READ, Kind.WRITE]

    @settings(max_examples=80, deadline=None)
    @given(traffic(step, values, kinds), st.lists(st.integers(0, 40), max_size=3))
    def check(rows, cuts):
        columns, found, glossary = followed(name, rows)
        assert len(columns) == len(rows)
        assert (np.diff(found.row) > 0).all()
        for k, row in enumerate(found.row.tolist()):
            if found.state[k] == State.DOUBTFUL:
                assert found.text[k] == -1
                continue
            raw = glossary.raw(int(found.text[k]))
            own = np.flatnonzero((columns.of == row) & np.isin(columns.part, (Part.OPCODE, Part.OPERAND))).tolist()
            assert own[0] == row
            seen = b"".join(int(rows[n]["data"]).to_bytes(2 if name == "68000" else 1, "big") for n in own)
            assert seen == raw
            assert [rows[n]["address"] for n in own] == [
                (rows[row]["address"] + step * n) & load_set(name).mask for n in range(len(own))
            ]
            assert not any(rows[n]["bad_data"] or rows[n]["bad_address"] for n in own)
        again, other, _ = followed(name, rows, [cut for cut in cuts if cut <= len(rows)])
        assert other.row.tolist() == found.row.tolist()
        assert again.of.tolist() == columns.of.tolist()

    check()
