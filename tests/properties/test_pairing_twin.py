"""Pairs by searching sorted moments are the pairs that trying every one finds, however the lists come in blocks."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.checks.sets.between_tally import PairTally
from busledger.decoder.checks.sets.pairing import pair_by_time, usual_interval, windows
from busledger.decoder.checks.sets.transfers import ROW, Transfers
from tests.reference.pairing_twin import held_together, pairs

moments = st.lists(st.integers(0, 60), max_size=25).map(sorted)
ADDRESS, DATA_BITS = 0x0D, 3
row = st.tuples(
    st.integers(0, 60),  # time
    st.integers(0, 15),  # address
    st.sampled_from([0, 0, 1, 15]),  # address_unknown
    st.integers(0, 7),  # data
    st.sampled_from([0, 0, 2, 7]),  # data_unknown
    st.sampled_from([0, 1, 2, 3, 4, 9, 10]),  # kind
    st.sampled_from([True, True, False]),  # judged
)
transfers = st.lists(row, max_size=20).map(lambda rows: np.array(sorted(rows, key=lambda r: r[0]), ROW))


def cut(rows: np.ndarray, size: int) -> list[np.ndarray]:
    return [rows[k : k + size] for k in range(0, len(rows), size)]


@settings(max_examples=100, deadline=None)
@given(moments, moments, st.integers(0, 12))
def test_pairs_are_those_that_trying_every_one_finds(first, second, within):
    found = pair_by_time(np.array(first, np.int64), np.array(second, np.int64), within).tolist()
    assert found == pairs(first, second, within)
    assert len({k for k in found if k >= 0}) == sum(k >= 0 for k in found)


@settings(max_examples=100, deadline=None)
@given(transfers, transfers, st.integers(0, 6), st.integers(1, 7), st.integers(1, 7))
def test_blocks_of_any_size_add_up_to_what_one_by_one_gives(first, second, within, size, other_size):
    tally = PairTally(ADDRESS, ADDRESS, DATA_BITS + 1, 1 << DATA_BITS)
    counted = [0, 0]
    for window in windows(cut(first, size), cut(second, other_size), within):
        tally.add(window, within)
        counted[0] += int(window.own_first.sum())
        counted[1] += int(window.own_second.sum())
    assert counted == [len(first), len(second)]
    as_dicts = [[dict(zip(ROW.names, r.tolist(), strict=True)) for r in rows] for rows in (first, second)]
    told = held_together(*as_dicts, within, ADDRESS, DATA_BITS)
    assert (tally.matched, tally.moved, tally.outside) == (told["matched"], told["moved"], told["outside"])
    data, levels = tally.data, tally.data.levels.sum(axis=-1)
    assert (int(data.words.sum()), int(data.differ[0].sum())) == (told["words"], told["differ"])
    assert {tuple(map(int, k)): int(levels[tuple(k)]) for k in np.argwhere(levels)} == told["levels"]
    assert (int(data.first_at.min(axis=1)[0]) if told["differ"] else None) == told["first_at"]
    assert [{int(k): int(side[k]) for k in np.flatnonzero(side)} for side in tally.only] == told["only"]


@settings(max_examples=20, deadline=None)
@given(st.lists(transfers, max_size=4), st.integers(1, 9))
def test_what_is_set_aside_comes_back_in_blocks(parts, size):
    from busledger.decoder.bus import Cycles

    kept, wanted = Transfers(regions_stated=True), []
    for part in parts:
        cycles = Cycles.empty(len(part))
        for name in ("time", "address", "address_unknown", "data", "data_unknown", "kind"):
            getattr(cycles, name)[:] = part[name]
        cycles.region[:] = np.where(part["judged"], 0, -1)
        kept.append(cycles)
        wanted += part.tolist()
    blocks = list(kept.blocks(size))
    kept.close()
    assert [r for block in blocks for r in block.tolist()] == wanted
    assert all(len(block) <= size for block in blocks)


def test_the_usual_interval_is_that_of_transfers_close_together():
    assert usual_interval(np.array([0, 750, 1500, 2250, 90_000, 90_750], np.int64)) == 750
    assert usual_interval(np.array([5], np.int64)) is None
