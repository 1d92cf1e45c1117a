"""What each bit and each line did, counted 64 transfers and rows at a time, equals a plain count."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.coverage import signs_kernel as kernel
from busledger.decoder.diagnosis.coverage.arrays import Transfers
from busledger.decoder.diagnosis.coverage.signs import count_few_lines
from tests.reference.signs_twin import BitTwin, line_changes, most_between

WAY = np.array([kernel.NO_TRANSFER, kernel.READ, kernel.WRITE], np.uint8)
ROOM = np.zeros(kernel.CHUNK, np.uint64), np.zeros(kernel.CHUNK, np.int64)
HELD = np.zeros(kernel.PLANES + 2 * (1000 // kernel.CHUNK + 1), np.uint64)
BITS = (0, 1, 2, 31, 32, 63)
WIRED = sum(1 << bit for bit in BITS)


def transfers(seed, count, restless, doubtful):
    """Cycles whose bits move with chance ``restless`` each, and are unknown with chance ``doubtful``."""
    rng = np.random.default_rng(seed)
    moves, lost = rng.random((count, 64)) < restless, rng.random((count, 64)) < doubtful
    levels = (np.cumsum(moves, axis=0) + rng.integers(0, 2, 64)) % 2
    word, hidden = (
        (bits.astype(np.uint64) << np.arange(64, dtype=np.uint64)).sum(axis=1, dtype=np.uint64)
        for bits in (levels, lost)
    )
    low = np.uint64(0xFFFFFFFF)
    time, kind = np.cumsum(rng.integers(1, 400, count)), rng.choice(3, count, p=[0.1, 0.6, 0.3])
    return Transfers(
        time.astype(np.int64), kind.astype(np.uint8),
        rng.choice([0, 1, 2, 3, 16, 17], count).astype(np.uint16), (word & low).astype(np.uint32),
        (hidden & low).astype(np.uint32), (word >> np.uint64(32)).astype(np.uint32),
        (hidden >> np.uint64(32)).astype(np.uint32),
    )  # fmt: skip


def lengths(rests):
    """Of the longest rests, 0 where there are none left."""
    return ([rest for rest, _, _ in rests] + [0] * kernel.LONG)[: kernel.LONG]


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 2**32), st.integers(0, 700), st.sampled_from([0.0, 0.004, 0.05, 0.5, 1.0]),
    st.sampled_from([0.0, 0.0, 0.001, 0.3]), st.integers(1, 800),
)  # fmt: skip
@example(seed=1, count=640, restless=0.02, doubtful=0.0, block=64)
@example(seed=2, count=64, restless=1.0, doubtful=0.0, block=800)
@example(seed=4, count=6_000, restless=0.004, doubtful=0.0, block=700)
def test_what_each_bit_did(seed, count, restless, doubtful, block):
    cycles = transfers(seed, count, restless, doubtful)
    before, state = np.zeros(2, np.uint64), np.zeros(kernel.STATE_SIZE, np.int64)
    state[[kernel.LAST_READ, kernel.LAST_WRITE]] = -1
    bits = np.zeros((64, kernel.BIT_SIZE), np.int64)
    spacings = np.zeros(kernel.SPACINGS, np.int64)
    for start in range(0, count, block):
        part = Transfers(*(column[start : start + block] for column in cycles))
        kernel.count_transfers(part, WAY, np.uint64(WIRED), before, state, bits, spacings, *ROOM)
    rows = [k for k in range(count) if WAY[cycles.kind[k]] != kernel.NO_TRANSFER]
    times = [int(cycles.time[k]) for k in rows]
    write = [WAY[cycles.kind[k]] == kernel.WRITE for k in rows]
    words = [int(cycles.address[k]) | int(cycles.data[k]) << 32 for k in rows]
    hidden = [int(cycles.address_unknown[k]) | int(cycles.data_unknown[k]) << 32 for k in rows]
    for bit in BITS:
        seen = [(k, times[k], words[k] >> bit & 1) for k in range(len(rows)) if not hidden[k] >> bit & 1]
        for name, value in BitTwin(seen).row(len(rows)).items():
            open_rest = len(rows) - bits[bit, kernel.HIGH_FROM] if name == "HIGH" and int(before[0]) >> bit & 1 else 0
            assert (bit, name, bits[bit, getattr(kernel, name)] + open_rest) == (bit, name, value)
        kept = bits[bit, kernel.RESTS :].reshape(-1, 3).tolist()
        long = sorted((rest for rest in BitTwin(seen).rests() if rest[0] >= kernel.LEAST_LONG), key=lambda one: -one[0])
        assert sorted((rest for rest, _, _ in kept), reverse=True) == lengths(long)
        assert {tuple(one) for one in kept if one[0]} <= set(long)
    flags = [int(cycles.flags[k]) for k in rows]
    apart = np.diff(times) if times else np.zeros(0, np.int64)
    assert spacings.tolist() == [sum(int(d).bit_length() == digits for d in apart) for digits in range(40)]
    doubts = sum(h & WIRED != 0 for h in hidden), sum(f & 3 == 1 for f in flags), sum(f >= 16 for f in flags)
    counted = (len(rows), *doubts)
    assert tuple(state[[kernel.COUNT, kernel.UNKNOWN, kernel.UNSETTLED, kernel.SHORT]]) == counted
    reading, writing = most_between(times, write), most_between(times, [not one for one in write])
    assert tuple(state[kernel.READING : kernel.READING_SECOND + 1]) == reading
    assert tuple(state[kernel.WRITING : kernel.WRITING_TO + 1]) == writing[:3]
    both = [[t for t, one in zip(times, write, strict=True) if one == which] for which in (False, True)]
    assert state[[kernel.LAST_READ, kernel.LAST_WRITE]].tolist() == [max(those, default=-1) for those in both]
    assert state[[kernel.READS, kernel.WRITES]].tolist() == [write.count(False), write.count(True)]
    since = [next((k for k, one in enumerate(reversed(write)) if one == which), len(write)) for which in (True, False)]
    assert state[[kernel.SINCE_WRITE, kernel.SINCE_READ]].tolist() == since


def few(time, levels, unknown, begun, before, lines, held):
    """Without a kernel where that is done; all lines must be known."""
    if unknown.any():
        kernel.count_lines(time, levels, unknown, begun, before, lines, held)
    elif len(time):
        count_few_lines(time, levels.reshape(-1, 2), begun, before, lines)


@pytest.mark.parametrize("count_lines", [kernel.count_lines, few])
@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 2**32), st.integers(0, 900), st.sampled_from([0.001, 0.05, 0.5, 1.0]),
    st.sampled_from([0.0, 0.1]), st.integers(1, 1000),
)  # fmt: skip
@example(seed=3, count=765, restless=1.0, doubtful=0.0, block=765)
def test_what_each_line_did(count_lines, seed, count, restless, doubtful, block):
    rng = np.random.default_rng(seed)
    moves, lost = rng.random((count, 2, 64)) < restless, rng.random((count, 2, 64)) < doubtful
    place = np.arange(64, dtype=np.uint64)
    levels, unknown = (
        (bits.astype(np.uint64) << place).sum(axis=2, dtype=np.uint64) for bits in (np.cumsum(moves, axis=0) % 2, lost)
    )
    levels &= ~unknown
    time = np.cumsum(rng.integers(1, 400, count)).astype(np.int64)
    before, lines = np.zeros(2, np.uint64), np.zeros((128, kernel.LINE_SIZE), np.int64)
    for start in range(0, count, block):
        part = slice(start, start + block)
        columns = levels[part].reshape(-1), unknown[part].reshape(-1)
        count_lines(time[part], *columns, start > 0, before, lines, HELD)
    for line in (0, 17, 63, 64, 127):
        word, bit = divmod(line, 64)
        columns = time.tolist(), levels[:, word].tolist(), unknown[:, word].tolist()
        level = int(before[word]) >> bit & 1
        assert (*lines[line].tolist(), level) == line_changes(*columns, bit)
