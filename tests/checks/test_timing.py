"""Times against limits: the tally, chips against their grades, and what the sampling leaves open."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.board import Board, Chip, Region, parts
from busledger.decoder.bus import CycleExtractor, Cycles, load_profile
from busledger.decoder.checks import TimingCheck
from busledger.decoder.checks.timing import timing_kernel as kernel
from busledger.decoder.checks.timing.timing_tally import BELOW, BINS, KEPT, TimeTally
from busledger.decoder.pipeline import Request, run_timing
from tests.checks.bench import NS, capture, layout
from tests.checks.wide_bus import BOARD, write_capture
from tests.shared_captures import each_shared

CUT = Path(__file__).parents[1] / "external" / "data" / "carillon_events_cut.vcd.xz"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(-50, 3000), min_size=1, max_size=80),
    st.integers(1, 80),
    st.sampled_from([1, 10]),
    st.booleans(),
)
def test_tally_is_what_sorting_the_values_gives(values, block, width, whole):
    tally = TimeTally(width)
    index, time = np.arange(len(values)), np.arange(len(values)) * 7
    for start in range(0, len(values), block):
        part = slice(start, start + block)
        made = np.array(values[part], np.int64 if whole else np.float64)
        tally.add(made, index[part], time[part])
    rows = sorted(zip(values, index.tolist(), time.tolist(), strict=True), key=lambda row: (row[0], row[1]))
    assert tally.lowest == rows[:KEPT]
    falling = sorted(rows, key=lambda row: (-row[0], row[1]))
    assert tally.highest == falling[:KEPT]
    for share in (0.01, 0.5, 0.99):
        exact = np.quantile(values, share, method="inverted_cdf")
        assert abs(tally.quantile(share) - exact) <= width / 2
    assert tally.count == tally.counts.sum() == len(values)
    first, counts = tally.coarse(width, BINS)
    assert sum(counts) == len(values)
    assert first == np.floor(min(values) / width + 0.5)


def test_values_off_the_scale_stay_counted():
    tally = TimeTally(1)
    tally.add(np.array([-5e6, 5e6]), np.array([0, 1]), np.array([0, 1]))
    assert tally.counts[0] == tally.counts[-1] == 1
    assert (tally.lowest[0][0], tally.highest[0][0]) == (-5e6, 5e6)
    assert BELOW < BINS


def card(tmp_path, grade) -> str:
    path = tmp_path / "board.toml"
    path.write_text(
        '[board]\nname = "Carillon player"\nbus = "6502"\n'
        '[[region]]\nname = "bank0"\nstart = 0x0000\nend = 0x03FF\nkind = "ram"\nselect = "CS0"\nchips = [\n'
        f'{{ designator = "U1", part = "2114", lanes = "D0-D3", grade = "{grade}" }},\n'
        f'{{ designator = "U2", part = "2114", lanes = "D4-D7", grade = "{grade}" }}]\n'
    )
    return str(path)


@pytest.mark.parametrize(("grade", "said"), [("450ns", {"note"}), ("200ns", {"note"})])
def test_ram_access_against_the_grade_in_the_board_file(tmp_path, grade, said):
    """The core's card answers 410 ns after the address, but always 120 ns after phase 2 (in the file).

    Intel 2114: 450 ns and 200 ns grades. Since the strobe may be what lets the chip drive, no chip is accused.
    """
    result = run_timing(Request(CUT, board=card(tmp_path, grade)))
    chips = {limit.component: limit for limit in result.limits if limit.component}
    assert set(chips) == {"U1", "U2"}
    assert chips["U1"].median_ns == pytest.approx(410, abs=20)
    assert {f.weight for f in result.findings if f.component == "U1" and f.code == "chip-slow"} == said


@pytest.mark.parametrize("shared", each_shared(lambda c: "sampled" in c.file))
def test_what_the_sampling_cannot_tell_is_said_with_the_rate_that_could(shared):
    result = run_timing(Request(shared.path, board=str(shared.board)))
    open_ones = [limit for limit in result.limits if not limit.resolvable]
    assert open_ones
    for limit in open_ones:
        assert abs(limit.margin_ns) <= limit.uncertainty_ns
        assert limit.rate_needed_hz >= 2 / (result.sample_ns * 1e-9)
    assert not [f for f in result.findings if f.weight == "fault"]


@pytest.mark.parametrize(("answer_ns", "weight"), [(280, None), (560, "note"), (800, "fault")])
def test_a_chip_that_is_late_whatever_let_it_begin_is_accused(answer_ns, weight):
    """6502 at 1 MHz, address 100 ns into the cycle, phase 2 from 500 on; a 2114 of the 200 ns grade (Intel)."""
    part = parts().get("2114")
    chips = tuple(Chip(f"U{n}", part, tuple(range(4 * n - 4, 4 * n)), grade="200ns") for n in (1, 2))
    board = Board("", "card", "6502", (Region("bank", 0, 0x3FF, select="CS0", chips=chips),))
    profile = load_profile("6502")
    where = layout(profile, ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "CS0"])
    rows = []
    for k in range(60):
        t, value = 1000 * k, (37 * k) & 255
        events = [
            (0, {"PHI2": 0}),
            (100, {f"A{n}": (k + 1) >> n & 1 for n in range(10)} | {"RW": 1}),
            (130, {"CS0": k & 1}),
            (500, {"PHI2": 1}),
            (answer_ns, {f"D{n}": value >> n & 1 for n in range(8)}),
        ]
        rows += [(t + after, lines) for after, lines in sorted(events, key=lambda event: event[0])]
    block = capture(where, rows)
    extractor = CycleExtractor(profile, where, NS, None)
    check = TimingCheck(board, profile, where, NS, None)
    for cycles in (extractor.feed(block), extractor.finish()):
        cycles.region[:] = 0
        check.feed(block, cycles)
        block = capture(where, [])
    findings = check.finish(grade="1 MHz").findings
    assert {f.weight for f in findings if f.code == "chip-slow"} == ({weight} if weight else set())


def test_a_guessed_grade_accuses_nobody():
    """The core of the carillon against a 2 MHz part is too slow; unasked, its own clock says 1 MHz and nothing is."""
    unasked, asked = run_timing(Request(CUT, profile="6502")), run_timing(Request(CUT, profile="6502", grade="2 MHz"))
    assert "fault" in {f.weight for f in asked.findings if f.code == "limit-violated"}
    assert not [f for f in unasked.findings if f.weight == "fault"]


def reads_of_a_6502(address_ns: int, before_end_ns: int) -> TimingCheck:
    """Sixty reads at 1 MHz: the address so long after each began, data so long before it ends."""
    profile = load_profile("6502")
    where = layout(profile, ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))])
    rows = []
    for k in range(60):
        address, value = {f"A{n}": (k + 1) >> n & 1 for n in range(10)}, {f"D{n}": (37 * k) >> n & 1 for n in range(8)}
        rows += [(1000 * k, {"PHI2": 0}), (1000 * k + address_ns, {**address, "RW": 1}), (1000 * k + 500, {"PHI2": 1})]
        rows.append((1000 * (k + 1) - before_end_ns, value))
    block = capture(where, rows)
    extractor = CycleExtractor(profile, where, NS, None)
    check = TimingCheck(None, profile, where, NS, None)
    for cycles in (extractor.feed(block), extractor.finish()):
        check.feed(block, cycles)
        block = capture(where, [])
    return check


@pytest.mark.parametrize(("before_end_ns", "weight"), [(150, None), (60, "note"), (5, "fault")])
def test_late_data_is_a_fault_whatever_the_grade(before_end_ns, weight):
    """6502 at 1 MHz whose memory answers so late that no grade's set-up is kept (MOS: 100 ns, 50 ns at 2 MHz)."""
    check = reads_of_a_6502(100, before_end_ns)
    found = {f.weight for f in check.finish().findings if f.text.startswith("TDSU")}
    assert found == ({weight} if weight else set())


@pytest.mark.parametrize(("before_end_ns", "said"), [(150, "note"), (60, "fault")])
def test_a_read_that_is_late_after_its_address_and_in_time_all_the_same_is_no_fault(before_end_ns, said):
    """6502 at 1 MHz whose address is early: access times are published for the latest address (MOS: 575 ns, 300 ns
    after phase 1 begins; 100 ns before phase 2 ends are asked for)."""
    check = reads_of_a_6502(50, before_end_ns)
    (found,) = [f for f in check.finish(grade="1 MHz").findings if f.text.startswith("TACC")]
    assert found.weight == said and ("kept all the same" in found.text) == (said == "note")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 9), max_size=60), st.integers(0, 1), st.sampled_from([0, 2, 3]), st.integers(1, 40)
)
def test_edges_of_a_line_that_rings(gaps, rising, limit, block):
    edges = np.cumsum([10, *gaps])
    state, found = np.full(kernel.EDGE_SIZE, kernel.NOT_SEEN, np.int64), []
    for start in range(0, len(edges), block):
        room = np.empty(block + 1, np.int64)
        count = kernel.true_rises(edges[start : start + block], (rising + start) % 2, limit, state, room)
        found += room[:count].tolist()
    # Edges that lie close together are a bunch; the last bunch may go on.
    bunches = [[(int(edges[0]), rising)]]
    for k in range(1, len(edges)):
        if edges[k] - edges[k - 1] > limit:
            bunches.append([])
        bunches[-1].append((int(edges[k]), (rising + k) % 2))
    assert found == [bunch[0][0] for bunch in bunches[:-1] if len(bunch) % 2 and bunch[0][1]]


def rung(count: int, period: int, ring: int, every: int) -> list[tuple[int, dict[str, int]]]:
    """Rows of a clock, ns, that rings for a sample of ``ring`` ns at one edge of ``every``."""
    rows = []
    for k in range(2 * count):
        t = period // 2 * k
        rows.append((t, {"PHI2": k & 1}))
        if k % every == 0:
            rows += [(t + ring, {"PHI2": 1 - (k & 1)}), (t + 2 * ring, {"PHI2": k & 1})]
    return rows


@pytest.mark.parametrize("every", [3, 7])
@pytest.mark.parametrize("blocks", [1, 13])
def test_a_clock_that_rings_is_no_faster_clock(every, blocks):
    """1 MHz, sampled every 10 ns, for 200 periods of which 64 make a mean."""
    profile = load_profile("6502")
    where = layout(profile, ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))])
    rows = rung(200, 1000, 10, every)
    check = TimingCheck(None, profile, where, NS, 10.0)
    for part in np.array_split(np.arange(len(rows)), blocks):
        check.feed(capture(where, [rows[k] for k in part]), Cycles.empty())
    (cycle,) = [limit for limit in check.finish(grade="1 MHz").limits if limit.name == "TCYC"]
    assert (cycle.count, cycle.min_ns, cycle.max_ns, cycle.violated) == (136, 1000.0, 1000.0, 0)


@pytest.mark.parametrize(("change_ns", "counted"), [(990, 0), (980, 0), (970, 1), (1010, 2)])
def test_a_change_just_before_the_strobes_end_is_neither_late_nor_early(change_ns, counted):
    """Samples 10 ns apart: two channels may lie up to 20 ns apart, so it may have been on either side of the edge."""
    profile = load_profile("6502")
    where = layout(profile, ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))])
    rows = [(0, {"PHI2": 0, "RW": 1}), (500, {"PHI2": 1}), (change_ns, {"D0": 1})]
    rows += [(1000, {"PHI2": 0}), (1500, {"PHI2": 1}), (2000, {"PHI2": 0})]
    block = capture(where, sorted(rows))
    extractor = CycleExtractor(profile, where, NS, 10.0)
    check = TimingCheck(None, profile, where, NS, 10.0)
    for cycles in (extractor.feed(block), extractor.finish()):
        check.feed(block, cycles)
        block = capture(where, [])
    limits = {limit.name: limit.count for limit in check.finish().limits}
    assert limits.get("TDSU", 0) + limits.get("THR", 0) == counted


@pytest.mark.parametrize(("grade", "weight"), [(None, "note"), ("1 MHz", "fault")])
def test_a_slow_processor_is_another_grade_unless_its_grade_was_stated(grade, weight):
    """The address comes 400 ns into the cycle; a 1 MHz 6502 gives it within 300 ns (MOS), the faster ones sooner."""
    profile = load_profile("6502")
    where = layout(profile, ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))])
    rows = []
    for k in range(60):
        address = {f"A{n}": (k + 1) >> n & 1 for n in range(10)}
        rows += [(1000 * k, {"PHI2": 0}), (1000 * k + 400, {**address, "RW": 1}), (1000 * k + 500, {"PHI2": 1})]
    block = capture(where, rows)
    extractor = CycleExtractor(profile, where, NS, None)
    check = TimingCheck(None, profile, where, NS, None)
    for cycles in (extractor.feed(block), extractor.finish()):
        check.feed(block, cycles)
        block = capture(where, [])
    (finding,) = [f for f in check.finish(grade=grade).findings if f.text.startswith("TADS")]
    assert finding.weight == weight
    assert ("nobody stated the grade" in finding.text) == (grade is None)


def test_a_clock_faster_than_every_grade_is_a_grade_that_is_not_in_the_list():
    """60 ns; the fastest of the list takes 70 (WDC W65C02S at 14 MHz)."""
    profile = load_profile("6502")
    where = layout(profile, ["PHI2", "RW", *(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))])
    rows = [(30 * k, {"PHI2": k & 1, "RW": 1}) for k in range(1000)]
    block = capture(where, rows)
    extractor = CycleExtractor(profile, where, NS, None)
    check = TimingCheck(None, profile, where, NS, None)
    for cycles in (extractor.feed(block), extractor.finish()):
        check.feed(block, cycles)
        block = capture(where, [])
    result = check.finish()
    assert {(f.text[:4], f.weight) for f in result.findings if f.text.startswith("TCYC")} == {("TCYC", "note")}


def test_a_strobe_that_picks_the_byte_is_no_address_that_moves_late(tmp_path):
    """UDS tells A0 of a 68000 and falls with the strobe: limits 11 and 13 (30 and 40 ns at 8 MHz, M68000 User's Manual,
    section 10) are about A1-A23, which stand 55 ns before and 53 ns behind in this capture."""
    write_capture(tmp_path / "run.vcd", cells=50)
    (tmp_path / "card.toml").write_text(BOARD)
    result = run_timing(Request(tmp_path / "run.vcd", board=tmp_path / "card.toml"))
    limits = {limit.name: limit for limit in result.limits}
    assert limits["11"].min_ns == 55
    assert limits["13"].min_ns == 53
    assert not [f for f in result.findings if f.weight == "fault"]
