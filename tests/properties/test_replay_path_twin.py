"""The compiled replay of path faults equals its slow twin on every traffic, in blocks of any size."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay import memory_kernel as m
from busledger.decoder.diagnosis.replay import replay_kernel as k
from busledger.decoder.diagnosis.replay.arrays import Acts, CellState, CellTables, Counts, FewCells, Given, ReplayRows
from tests.reference.replay_twin import ReplayTwin
from tests.reference.replay_words import Row, Theory

CELLS = 4
cell = st.integers(0, CELLS - 1)
STORES = {"data": m.STORES_DATA, "rubbish": m.STORES_RUBBISH, "high": m.STORES_HIGH, "low": m.STORES_LOW,
          "rest": m.STORES_REST}  # fmt: skip
FLOATS = {"keeps": m.KEEPS, "up": m.PULLED_UP, "down": m.PULLED_DOWN, "card": m.KEPT_BY_CARD}
JOINS = {"low wins": m.LOW_WINS, "high wins": m.HIGH_WINS, "nobody knows": m.NOBODY_KNOWS}
BENDS = {"not": m.BENDS_NOT, "low": m.BENDS_LOW, "high": m.BENDS_HIGH, "float": m.BENDS_FLOAT, "and": m.BENDS_AND,
         "or": m.BENDS_OR}  # fmt: skip


@st.composite
def theories(draw):
    """Any maps at all, or the identity with bad lanes."""
    lead = st.lists(st.integers(-1, CELLS - 1), min_size=CELLS, max_size=CELLS)
    same, none = list(range(CELLS)), [-1] * CELLS
    kind = draw(st.sampled_from(["astray", "twice", "bent", "silent"]))
    maps = {
        "astray": lambda: (there := draw(lead), none, there, none),
        "twice": lambda: (same, there := draw(lead), same, there),
        "bent": lambda: (same, none, same, none),
        "silent": lambda: (none, none, draw(st.sampled_from([none, same])), none),
    }[kind]()
    bends = draw(st.sampled_from(sorted(BENDS))) if kind == "bent" else "not"
    return Theory(
        *maps,
        mask=draw(st.sampled_from([0xFF, 0x0F, 0x04, 0xF0])),
        stores=draw(st.sampled_from(sorted(STORES))) if kind == "bent" else "data",
        floats=draw(st.sampled_from(sorted(FLOATS))),
        joins=draw(st.sampled_from(sorted(JOINS))),
        bends=bends,
        bad_lanes=draw(st.sampled_from([0x04, 0x0C])) if bends != "not" else 0,
        on_reads=draw(st.booleans()) if bends != "not" else False,
        on_writes=draw(st.booleans()) if bends != "not" else False,
    )


HOURS = ["any time", "asleep", "awake"]  # as ANY_TIME, ASLEEP, AWAKE: the window of each row is one of these
few = st.sampled_from([0x00, 0x04, 0x0C, 0x55, 0xFF])
rows = st.lists(
    st.builds(
        Row,
        cell=cell,
        write=st.booleans(),
        data=few,
        sure=st.sampled_from([0xFF, 0xFF, 0xFB]),
        kept=few,
        expected=few,
        compared=st.sampled_from([0xFF, 0xFF, 0x0F, 0x00]),
        index=st.just(0),
        rest=few,
        rest_read=few,
        hours=st.sampled_from(HOURS),
    ),
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(theories(), rows, st.integers(1, 41))
def test_kernel_equals_twin(theory, traffic, block):
    twin = ReplayTwin(theory, CELLS)
    for i, row in enumerate(traffic):
        row.index = 10 + i
        row.compared &= row.sure
        row.expected &= row.compared
        twin.feed(row)
    words, links = np.zeros((CELLS, m.WORDS), np.uint32), np.zeros((CELLS, m.LINKS), np.int32)
    links[:, m.OWNER] = -1
    links[:, m.OWNER2] = -1
    counts = Counts(
        np.zeros((1, k.TALLY), np.int64), np.zeros((1, k.TALLY), np.int64), np.zeros((1, k.WINDOWS, 2), np.int64),
        np.zeros((1, 2), np.uint64), np.zeros((1, 100), np.int64),
    )  # fmt: skip
    none = np.zeros(1, np.int64)
    all_cells = FewCells(none, none, np.zeros(0, np.int32), np.zeros((0, 5), np.int32), words)
    maps = [np.array(x, np.int32) for x in (theory.w1, theory.w2, theory.r1, theory.r2)]
    acts = m.ON_READS * theory.on_reads + m.ON_WRITES * theory.on_writes
    hours = np.zeros(k.WINDOWS, np.uint8)
    hours[: len(HOURS)] = m.ANY_TIME, m.ASLEEP, m.AWAKE
    found = []
    part = np.full(CELLS, k.TAKES_PART | k.JUDGED, np.uint8)
    for start in range(0, len(traffic), block):
        some_rows = traffic[start : start + block]

        def column(name, dtype=np.uint32, some_rows=some_rows):
            return np.array([getattr(r, name) for r in some_rows], dtype)

        n = len(some_rows)
        given = Given(np.zeros(n, np.uint32), np.zeros(n, np.uint32), np.zeros(n, np.uint8), np.zeros(n, np.uint32))
        k.replay(
            ReplayRows(
                column("cell", np.int32), column("write", np.bool_), column("data"), np.full(n, 0xFF, np.uint32),
                column("sure"), column("kept"), column("expected"), column("compared"), column("wrong"),
                column("index", np.int64), np.array([HOURS.index(r.hours) for r in some_rows], np.uint16),
                column("rest"),
                column("rest_read"),
                column("rest"),
            ),
            CellTables(part, *maps, hours),
            all_cells,
            np.array([Acts(theory.mask, STORES[theory.stores], FLOATS[theory.floats], JOINS[theory.joins],
                           BENDS[theory.bends], theory.bad_lanes, acts)], np.int64),
            CellState(words, links),
            counts,
            True,
            given,
        )  # fmt: skip
        found += given.found.tolist()
    hard, some, chances, hashes, first = (one[0] for one in counts)
    assert dict(zip(twin.hard, map(int, hard), strict=True)) == twin.hard
    assert dict(zip(twin.some, map(int, some), strict=True)) == twin.some
    assert tuple(map(int, hashes)) == tuple(h.value for h in twin.hashes)
    assert {10 + i: lanes for i, lanes in enumerate(found) if lanes} == twin.found
    assert first[1 : 1 + first[0]].tolist() == twin.explained_rows
    assert chances.sum(axis=0).tolist() == [twin.some["hit"] + twin.some["excused"], twin.some["miss"]]
