"""What a healthy card would have read, and the traffic counts: kernels against their slow twins."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.coverage.traffic_kernel import count_levels
from busledger.decoder.diagnosis.replay import rows_kernel
from busledger.decoder.diagnosis.replay.arrays import PlainRows, PreparedRows, RowState
from busledger.decoder.ledger import Verdict
from tests.reference import rows_twin
from tests.reference.rows_twin import Access

NAMES = ("write", "agrees", "mismatch", "unknown", "stale", "disagrees", "ambiguous")
bits = st.sampled_from([0x00, 0x01, 0x0F, 0xF0, 0xFF])
accesses = st.lists(
    st.builds(
        Access,
        cell=st.integers(0, 2),
        card=st.integers(0, 1),
        fixed=st.booleans(),
        verdict=st.sampled_from(NAMES),
        data=bits,
        hidden=st.sampled_from([0, 0, 0, 0x03]),
        expected=bits,
        known=st.sampled_from([0x00, 0x00, 0x0F, 0xFF]),
        in_doubt=st.sampled_from([False, False, False, True]),
    ),
    max_size=40,
)


def columns(some: list[Access]) -> dict[str, np.ndarray]:
    verdicts = [Verdict[a.verdict.upper()] for a in some]
    return {
        "cell": np.array([a.cell for a in some], np.int32),
        "card": np.array([a.card for a in some], np.int16),
        "fixed": np.array([a.fixed for a in some], np.bool_),
        "write": np.array([a.verdict == "write" for a in some], np.bool_),
        "data": np.array([a.data & ~a.hidden for a in some], np.uint32),
        "hidden": np.array([a.hidden for a in some], np.uint32),
        "width": np.ones(len(some), np.uint8),
        "verdict": np.array(verdicts, np.uint8),
        "expected": np.array([a.expected & a.known for a in some], np.uint32),
        "known": np.array([a.known for a in some], np.uint32),
        "in_doubt": np.array([a.in_doubt for a in some], np.bool_),
    }


@settings(max_examples=60, deadline=None)
def plain(c) -> PlainRows:
    names = ("cell", "fixed", "write", "data", "hidden", "width", "verdict", "expected", "known", "in_doubt")
    return PlainRows(*(c[name] for name in names))


@given(accesses, st.integers(1, 41))
def test_rows_equal_their_twin(some, block):
    for a in some:
        a.expected &= a.known
        a.data &= ~a.hidden
    wanted = rows_twin.prepare(some)
    written, value, settled = (np.zeros(3, np.uint32) for _ in range(3))
    votes = np.zeros((3, 8, 2), np.int32)
    pieces = [some[i : i + block] for i in range(0, len(some), block)]
    for piece in pieces:
        c = columns(piece)
        rows_kernel.count_unwritten(plain(c), written, value, settled, votes)
    rows_kernel.elect(votes, value, settled)
    state = RowState(*(np.zeros(size, np.uint32) for size in (3, 3, 3, 2, 2)))
    got = []
    for piece in pieces:
        c = columns(piece)
        outs = [np.zeros(len(piece), np.uint32) for _ in range(8)]
        outs[5] = np.zeros(len(piece), np.uint8)
        rows_kernel.prepare(plain(c), c["card"], value, settled, state, PreparedRows(*outs))
        lanes, sure, *rest = outs
        assert lanes.tolist() == [0xFF] * len(piece)
        assert sure.tolist() == [0 if a.in_doubt else 0xFF & ~a.hidden for a in piece]
        got += list(zip(*(x.tolist() for x in rest), strict=True))
    assert got == wanted


transfer = st.tuples(st.integers(0, 2), st.integers(-1, 1), bits, st.sampled_from([0, 0, 0x81]))


@settings(max_examples=40, deadline=None)
@given(st.lists(transfer, max_size=30))
def test_traffic_counts_equal_their_twin(transfers):
    high, low = np.zeros((3, 2, 8), np.int64), np.zeros((3, 2, 8), np.int64)
    differ, values = np.zeros((3, 2, 8, 8), np.int64), np.zeros((2, 256), np.bool_)
    way, region, data, hidden = (list(x) for x in zip(*transfers, strict=True)) if transfers else ([],) * 4
    count_levels(
        np.array(way, np.uint8), np.array(region, np.int16), np.array(data, np.uint32), np.array(hidden, np.uint32),
        high, low, differ, values,
    )  # fmt: skip
    counts, seen = rows_twin.count_levels([(w, 2 if r < 0 else r, d, h) for w, r, d, h in transfers])
    got = {(1, *map(int, spot)): int(high[tuple(spot)]) for spot in np.argwhere(high)}
    got |= {(0, *map(int, spot)): int(low[tuple(spot)]) for spot in np.argwhere(low)}
    got |= {(2, *map(int, spot)): int(differ[tuple(spot)]) for spot in np.argwhere(differ)}
    assert got == dict(counts)
    assert {tuple(map(int, spot)) for spot in np.argwhere(values)} == seen
