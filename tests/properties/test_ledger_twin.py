"""The compiled ledger equals its slow twin on every traffic, in blocks of any size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import Ledger, RegionMap, Verdict
from tests.reference.ledger_twin import LedgerTwin


@dataclass(frozen=True)
class Area:
    name: str = "bank"
    start: int = 0
    end: int = 7
    kind: str = "ram"
    space: str = "memory"
    image: bytes | None = None
    chips: tuple[()] = ()


access = st.tuples(
    st.sampled_from([Kind.READ, Kind.WRITE]),
    st.integers(0, 7),
    st.sampled_from([0, 0, 0, 0, 1, 5]),  # unknown address bits
    st.integers(0, 255),
    st.sampled_from([0, 0, 0, 0x81]),  # unknown data bits
    st.booleans() | st.just(False),  # a gap before this access
)


@settings(max_examples=60, deadline=None)
@given(st.lists(access, max_size=60), st.integers(1, 61))
def test_kernel_equals_twin(accesses, block):
    twin = LedgerTwin()
    names = {v: v.name.lower().replace("_", " ") for v in Verdict}
    cycles = Cycles.empty(len(accesses))
    gaps, wanted = [], []
    for i, (kind, address, unknown, data, blank, gap) in enumerate(accesses):
        cycles.kind[i], cycles.time[i], cycles.width[i] = kind, 10 * i + 10, 1
        cycles.address[i], cycles.address_unknown[i] = address & ~unknown, unknown
        cycles.data[i], cycles.data_unknown[i] = data & ~blank, blank
        if gap:
            gaps.append((10 * i + 3, 10 * i + 7))
            twin.gap()
        bits = [None if blank >> k & 1 else data >> k & 1 for k in range(8)]
        wanted.append(twin.feed("write" if kind == Kind.WRITE else "read", address & ~unknown, unknown, bits))
    ledger = Ledger(RegionMap([Area()]), 16)
    got = []
    for start in range(0, len(accesses), block):
        stop = min(start + block, len(accesses))
        out = ledger.feed(cycles.slice(start, stop), gaps if start == 0 else ())
        got += list(zip(map(int, out.verdict), map(int, out.expected), map(int, out.known), map(int, out.mismatch),
                        strict=True))  # fmt: skip
    assert [(names[Verdict(v)], e, k, m) for v, e, k, m in got] == wanted


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 3), st.integers(0, 3)), max_size=40))
def test_a_read_that_equals_any_value_written_through_a_shared_entry_is_no_mismatch(accesses):
    """A healthy memory behind an unwired A0, whichever of the two cells each access really meant."""
    cycles = Cycles.empty(len(accesses))
    cells: dict[int, int] = {}
    rng = np.random.default_rng(len(accesses))
    for i, (write, entry, value) in enumerate(accesses):
        true_address = entry * 2 + int(rng.integers(2))
        cycles.kind[i], cycles.time[i], cycles.width[i] = Kind.WRITE if write else Kind.READ, i, 1
        cycles.address[i], cycles.address_unknown[i] = entry * 2, 1
        if write:
            cells[true_address] = value
        cycles.data[i] = cells.get(true_address, 0) if not write else value
    written: dict[int, set[int]] = {}
    out = Ledger(RegionMap([Area()]), 16, unwired=1).feed(cycles)
    for i, (write, entry, _) in enumerate(accesses):
        if write:
            written.setdefault(entry, set()).add(int(cycles.data[i]))
        elif int(cycles.data[i]) in written.get(entry, set()):
            assert out.verdict[i] != Verdict.MISMATCH
