"""Address lines inside a region that are not clipped: counted along a sweep, or else nothing is said of their cells."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import Ledger, RegionMap, Verdict
from busledger.decoder.ledger import sweep_kernel as kernel
from tests.ledger.test_ledger import Area
from tests.reference.sweep_twin import LEAST, PACED, STEPS_APART, Stream

BANK, OTHER = Area("bank", 0x100, 0x1FF), Area("other", 0x200, 0x22F)


def seen_without(hidden: int, *accesses: tuple[Kind, int, int]) -> Cycles:
    """(kind, address, data) as the analyser has them without these address lines."""
    cycles = Cycles.empty(len(accesses))
    for i, (kind, address, data) in enumerate(accesses):
        cycles.kind[i], cycles.time[i], cycles.width[i] = kind, 10 * i, 1
        cycles.address[i], cycles.address_unknown[i], cycles.data[i] = address & ~hidden, hidden, data
    return cycles


def judged(hidden: int, *accesses: tuple[Kind, int, int]):
    cycles = seen_without(hidden, *accesses)
    ledger = Ledger(RegionMap((BANK, OTHER)), 10, unwired=hidden)
    return ledger.feed(cycles), cycles, ledger


def filled(cells, data) -> list[tuple[Kind, int, int]]:
    return [(Kind.WRITE, a, data(a)) for a in cells]


def read(cells, data) -> list[tuple[Kind, int, int]]:
    return [(Kind.READ, a, data(a)) for a in cells]


UP, DOWN = range(0x110, 0x170), range(0x16F, 0x10F, -1)


@pytest.mark.parametrize(("cells", "back"), [(UP, UP), (UP, DOWN), (DOWN, UP)])
def test_a_sweep_tells_the_cells_behind_a_line_that_is_not_clipped(cells, back):
    """Each cell holds its own address; A3 is not clipped, so that 110 and 118 look alike."""
    compared, cycles, ledger = judged(8, *filled(cells, lambda a: a & 0xFF), *read(back, lambda a: a & 0xFF))
    reads = len(cells)
    told = cycles.address_unknown == 0
    assert cycles.address[told].tolist() == [a for a, known in zip([*cells, *back], told, strict=True) if known]
    # Of each sweep the first cells, up to where A3 has come and gone, are not told; nor is a read of those.
    agree = int((compared.verdict[reads:] == Verdict.AGREES).sum())
    assert 96 - 2 * (2 * 8 + 1) <= agree < 96 and not compared.mismatch.any()
    assert (ledger.counted.told, ledger.counted.asked) == (int(told.sum()), 192)


def test_a_sweep_in_steps_of_eleven_tells_the_cells_too():
    """Address tests step by a prime, so that a later cell is not simply the next (common practice). Such steps never
    come to a cell that looks the same without A2."""
    cells = range(0x100, 0x200, 11)
    compared, cycles, _ = judged(4, *filled(cells, lambda a: a & 0xFF), *read(cells, lambda a: a & 0xBF))
    told = np.flatnonzero(cycles.address_unknown == 0)
    assert len(told) == 2 * (len(cells) - 15) and all(cycles.address[i] == [*cells, *cells][i] for i in told)
    assert set(compared.mismatch[compared.verdict == Verdict.MISMATCH].tolist()) == {0x40}


def test_a_stuck_lane_shows_in_a_sweep():
    """D4 always low, which the other cell of the entry does not explain: it holds another address."""
    compared, _, _ = judged(8, *filled(UP, lambda a: a & 0xFF), *read(UP, lambda a: a & 0xEF))
    wrong = compared.verdict == Verdict.MISMATCH
    assert wrong.any() and set(compared.mismatch[wrong].tolist()) == {0x10}


def test_what_the_other_cell_holds_is_no_mismatch():
    """The reads give what lies eight cells on: either A3 was counted wrongly, or the card mixes it up."""
    compared, _, _ = judged(8, *filled(UP, lambda a: a & 0xFF), *read(UP, lambda a: (a ^ 8) & 0xFF))
    assert not compared.mismatch.any() and (compared.verdict[len(UP) :] == Verdict.AMBIGUOUS).all()


@pytest.mark.parametrize("hidden", [1, 2])
def test_a_sweep_in_single_steps_tells_the_cells_behind_the_lowest_lines(hidden):
    """Without A0 each address comes twice. D4 is always low, which shows."""
    compared, _, ledger = judged(hidden, *filled(UP, lambda a: a & 0xFF), *read(DOWN, lambda a: a & 0xEF))
    wrong = compared.verdict == Verdict.MISMATCH
    assert ledger.counted.told > 150 and set(compared.mismatch[wrong].tolist()) == {0x10}


@pytest.mark.parametrize("lost", [0x140, 0x141])
def test_an_access_that_the_capture_lost_does_not_shift_the_count(lost):
    """Without A0, 141 after the loss of 140 looks like 140. The loop takes now two cycles, now five."""
    sweep: list[tuple[Kind, int, int]] = []
    for a in UP:
        sweep += [LOOP] * (4 if a % 3 == 0 else 1) + ([(Kind.WRITE, a, a & 0xFF)] if a != lost else [LOOP])
    _, cycles, ledger = judged(1, *sweep)
    told = np.flatnonzero((cycles.kind == Kind.WRITE) & (cycles.address_unknown == 0))
    assert all(cycles.address[i] == sweep[i][1] for i in told) and ledger.counted.told == len(told) > 60


def test_a_block_that_is_filled_again_and_again_is_not_taken_for_the_next():
    """108-10F, five times over: A3 seems to count up, but never over the line above it."""
    times = list(range(0x108, 0x110)) * 5
    assert judged(8, *filled(times, lambda a: a & 0xFF))[2].counted.told == 0


sweeps = st.tuples(
    st.integers(0x100, 0x1FF), st.integers(0x100, 0x1FF), st.sampled_from([1, 1, 2, 3, 5, 11]), st.booleans()
)
EVERY_KIND = [Kind.READ, Kind.WRITE, Kind.READ, Kind.WRITE, Kind.OPCODE_FETCH]


def addresses(sweep: tuple[int, int, int, bool]) -> range:
    one, other, step, down = sweep
    cells = range(min(one, other), max(one, other) + 1, step)
    return cells[::-1] if down else cells


@st.composite
def programs(draw):
    """Sweeps over windows of a bank, up and down, writes and reads by turns, with strays between them."""
    accesses: list[tuple[Kind, int, int]] = []
    cells: dict[int, int] = {}

    def one(kind: Kind, address: int) -> None:
        if kind == Kind.WRITE:
            cells[address] = draw(st.integers(0, 255)) if draw(st.booleans()) else (address * 7) & 0xFF
        accesses.append((kind, address, cells.get(address, (address * 41 + 13) & 0xFF)))

    for _ in range(draw(st.integers(1, 4))):
        way = draw(st.sampled_from(["w", "r", "rw", "wr"]))
        for address in addresses(draw(sweeps)):
            for letter in way:
                one(Kind.WRITE if letter == "w" else Kind.READ, address)
        for address in draw(st.lists(st.integers(0x100, 0x22F), max_size=3)):
            one(draw(st.sampled_from(EVERY_KIND)), address)
    return accesses


@settings(max_examples=80, deadline=None)
@given(programs(), st.sampled_from([1, 2, 3, 4, 8, 0x0C, 0x18, 0x80]))
def test_sound_memory_is_never_accused_whatever_line_is_not_clipped(accesses, hidden):
    """Cells that nobody wrote hold anything, and are read too. An access that falls just where a sweep would have gone
    on, as far as the clips show, is taken for the sweep's next: no read may be called wrong for that."""
    compared, cycles, _ = judged(hidden, *accesses)
    assert not (compared.verdict == Verdict.MISMATCH).any()
    known = np.flatnonzero(cycles.address_unknown == 0)
    assert [int(cycles.address[i]) & ~hidden for i in known] == [accesses[i][1] & ~hidden for i in known]


LOOP = (Kind.OPCODE_FETCH, 0x900, 0x77)  # what lies outside all regions


def test_a_loop_that_begins_where_the_last_one_would_have_gone_on_keeps_another_pace():
    """110 to 142, four cycles each; then from 13B on, which looks as 143 does without A3, three cycles each."""
    one = [c for a in range(0x110, 0x143) for c in (LOOP, LOOP, LOOP, (Kind.WRITE, a, a & 0xFF))]
    two = [c for a in range(0x13B, 0x160) for c in (LOOP, LOOP, (Kind.WRITE, a, a & 0xFF))]
    _, cycles, ledger = judged(8, *one, *two)
    written = np.flatnonzero((cycles.kind == Kind.WRITE) & (cycles.address_unknown == 0))
    assert [int(cycles.address[i]) for i in written if i >= len(one)][:1] != [0x143]
    assert all(cycles.address[i] == [*one, *two][i][1] for i in written) and ledger.counted.told == len(written)


def test_a_sweep_that_takes_longer_where_its_low_byte_carries_goes_on():
    """The high byte of a pointer is counted up there, which takes another instruction."""
    sweep: list[tuple[Kind, int, int]] = []
    for a in range(0x1C0, 0x230):
        sweep += [LOOP] * (6 if a == 0x200 else 2) + [(Kind.WRITE, a, a & 0xFF)]
    cycles = seen_without(8, *sweep)
    ledger = Ledger(RegionMap((Area("both", 0x100, 0x2FF),)), 10, unwired=8)
    ledger.feed(cycles)
    told = (cycles.kind == Kind.WRITE) & (cycles.address_unknown == 0)
    assert told[-1] and ledger.counted.told == int(told.sum()) > 80


def test_a_stray_where_the_sweep_would_have_gone_on_is_taken_for_it_and_accuses_nothing():
    """Down to 10F without A3 and A4, then 11E, which looks as 10E does: the assumption that the answer states."""
    down = range(0x120, 0x10E, -1)
    sweep = filled(down, lambda a: a & 0xFF)
    cells = [*sweep, (Kind.WRITE, 0x11E, 0x55), *read(down, lambda a: 0x55 if a == 0x11E else a & 0xFF)]
    compared, cycles, _ = judged(0x18, *cells)
    assert (int(cycles.address[len(sweep)]), int(cycles.address_unknown[len(sweep)])) == (0x10E, 0)
    assert not compared.mismatch.any()


looks = st.lists(
    st.tuples(st.sampled_from([0, 0, 0, 0, 0, 1, -1]), st.integers(0, 2), st.sampled_from([0] * 15 + [2])),
    min_size=1, max_size=30,
)  # fmt: skip


@example(begin=[(0x100, 1, 40, (1,), 0)], extra=[], hidden=8, block=7)
@example(begin=[(0x100, 1, 40, (1, 4), 20)], extra=[], hidden=1, block=50)
@example(begin=[(0x140, 1, 50, (4, 4, 1, 4), 13)], extra=[], hidden=7, block=50)
@example(begin=[], extra=[], hidden=8, block=1)
@settings(max_examples=80, deadline=None)
@given(
    begin=st.lists(
        st.tuples(
            st.integers(0x100, 0x1FF), st.sampled_from([1, -1, 2, 3, 11, -5]), st.integers(1, 50),
            st.sampled_from([(1,), (2, 3), (1, 1, 4), (2, 5, 5)]), st.integers(0, 80),
        ),
        max_size=3,
    ),
    extra=looks,
    hidden=st.sampled_from([1, 2, 3, 7, 8, 8]),
    block=st.integers(1, 80),
)  # fmt: skip
def test_kernel_equals_twin(begin, extra, hidden, block):
    rows: list[tuple[int, int, int, int]] = []  # region, action, address, unknown
    for first, step, count, pace, lost in begin:
        for k in range(count):
            rows += [(-1, 1, 0x900, 0)] * (pace[k % len(pace)] - 1)
            written = (0, 2, max(first + k * step, 0x100) & 0x1FF & ~hidden, hidden)
            rows.append(written if k != lost else (-1, 1, 0x900, 0))
    for region, action, unknown in extra:
        rows.append((region, action, (0x104 if region == 0 else 0x204) & ~hidden, hidden | unknown << 2))
    masks = np.array([hidden, hidden], np.int64)
    starts, ends = np.array([BANK.start, OTHER.start], np.int64), np.array([BANK.end, OTHER.end], np.int64)
    runs, ways = np.zeros((4, kernel.RUN_SIZE), np.int64), np.zeros((4, kernel.MOST_WAYS, kernel.WAY_SIZE), np.int64)
    columns = [np.array([row[k] for row in rows], t) for k, t in enumerate((np.int16, np.uint8, np.uint32, np.uint32))]
    out = np.zeros(len(rows), np.int64)
    for start, stop in pairwise([*range(0, len(rows), block), len(rows)]):
        some = [column[start:stop] for column in columns]
        kernel.count_along(np.int64(start), *some, starts, ends, masks, runs, ways, out[start:stop])
    streams = {(r, a): Stream(int(starts[r]), int(ends[r]), hidden) for r in (0, 1) for a in (1, 2)}
    told = [streams[r, a].next(address, x, i) if r >= 0 and a else -1 for i, (r, a, address, x) in enumerate(rows)]
    assert out.tolist() == told
    assert (kernel.LEAST, kernel.STEPS_APART, kernel.PACED) == (LEAST, STEPS_APART, PACED)
