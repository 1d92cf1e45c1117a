"""The checks as text: selects, drivers, times, and the bars and histograms that they are drawn with."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.checks import (
    BufferResult,
    BuffersResult,
    CheckFinding,
    ControlCounts,
    DecoderResult,
    DelayHistogram,
    LanePath,
    LimitResult,
    OutputResult,
    RegionSelect,
    RowResult,
    SelectsResult,
    TimingResult,
)
from busledger.decoder.findings import CheckResult
from busledger.tui.widgets.buffer_picture import buffers_text
from busledger.tui.widgets.check_text import limit_line, share_bar, spark, spark_scale
from busledger.tui.widgets.select_picture import selects_text
from busledger.tui.widgets.timing_picture import timing_text
from tests.tui.builders import FakeSession

HISTOGRAM = DelayHistogram(bin_ns=40.0, first_bin=2, counts=(1, 0, 90, 9), uncertainty_ns=40.0)


def with_checks(result: CheckResult, **checks: Any) -> CheckResult:
    """As it comes from the cache: the checks are plain JSON."""
    dumped = {name: check.model_dump(mode="json", by_alias=True) for name, check in checks.items()}
    return CheckResult.model_validate_json(result.model_copy(update={"checks": dumped}).to_json())


SELECTS = SelectsResult(
    decoders=(
        DecoderResult(
            designator="U9[b]",
            part="74LS138",
            inputs=("A10", "A11"),
            outputs=("CS0", "CS1"),
            through=(),
            not_clipped=("G1",),
            rows_possible=4,
            rows_seen=2,
            rows=(
                RowResult(inputs="LL", expected="LH", count=900, wrong=0),
                RowResult(inputs="HL", expected="HL", count=10, wrong=3, first_wrong_s=0.1),
                RowResult(inputs="LH", expected="HH", count=0, wrong=0),
            ),
            judged=910,
            not_judged=0,
            too_short=0,
            two_at_once=0,
            output_results=(
                OutputResult(
                    pin="Y0",
                    line="CS0",
                    moves=10,
                    judged=910,
                    missing=3,
                    extra=0,
                    called=900,
                    first_wrong_s=0.1,
                    glitches_passing=2,
                    glitches_unexplained=1,
                    glitches_in_strobe=1,
                    widest_glitch_ns=42.0,
                    glitch_widths=(3,),
                    late=0,
                    delay=HISTOGRAM,
                ),
            ),
        ),
    ),
    regions=(
        RegionSelect(
            region="bank1", select="CS1", active_level=0, cycles=100, missing=40, late=2, extra={"bank0": 7}, outside=0
        ),
    ),
    findings=(
        CheckFinding(code="n", weight="note", text="all quiet"),
        CheckFinding(
            code="m",
            weight="fault",
            text="CS1 does not come",
            count=40,
            of=100,
            first_time_s=0.25,
            other=("a cut trace",),
        ),
    ),
    skipped=("U10: no output is clipped",),
)


def test_selects_show_tables_outputs_and_regions(session: FakeSession) -> None:
    page = selects_text(with_checks(session.result, selects=SELECTS), 78).plain
    assert page.index("✗ CS1 does not come  40 of 100  first at 0.250000000 s") < page.index("· all quiet")
    for words in (
        "or: a cut trace",
        "✗ bank1          CS1      ██████···· 60 of 100  late 2  also for bank0 7",
        "U9[b] 74LS138  2 of 4 rows seen",
        "not clipped: G1",
        "✗ HL → HL  █········· 10  wrong 3",
        "LH → HH  ·········· not seen",
        "✗ Y0     CS0      missing 3  extra 0  glitches 3, 1 in a strobe\n   delay 160 ± 40 ns  ▁ █▁",
        "U10: no output is clipped",
    ):
        assert words in page


BUFFERS = BuffersResult(
    buffers=(
        BufferResult(
            designator="U10",
            part="74LS245",
            kind="data",
            serves=("bank0",),
            control=ControlCounts(
                reads=100,
                writes=50,
                elsewhere_cycles=0,
                reads_off=0,
                reads_away=100,
                writes_off=0,
                writes_toward=0,
                elsewhere=0,
                overlaps=3,
                longest_overlap_ns=60.0,
                two_drivers=1,
            ),
            lanes=(
                LanePath(
                    lane="D0",
                    near="D0",
                    far="MD0",
                    reads=100,
                    reads_differ=9,
                    reads_low=9,
                    reads_high=0,
                    reads_kept=0,
                    writes=50,
                    writes_differ=0,
                    writes_low=0,
                    writes_high=0,
                    inverted=False,
                    verdict="open toward the CPU",
                    first_wrong_s=0.2,
                    delay_to_cpu=HISTOGRAM,
                    delay_to_card=HISTOGRAM,
                ),
                LanePath(
                    lane="D1",
                    near="D1",
                    far=None,
                    reads=0,
                    reads_differ=0,
                    reads_low=0,
                    reads_high=0,
                    reads_kept=0,
                    writes=0,
                    writes_differ=0,
                    writes_low=0,
                    writes_high=0,
                    inverted=True,
                    verdict="not seen",
                    first_wrong_s=None,
                    delay_to_cpu=HISTOGRAM,
                    delay_to_card=HISTOGRAM,
                ),
            ),
            undriven_reads=12,
            known_reads=100,
            undriven_by_chance=0.4,
            undriven_stands_out=True,
        ),
    ),
)


def test_buffers_show_direction_and_every_lane(session: FakeSession) -> None:
    page = buffers_text(with_checks(session.result, buffers=BUFFERS), 78).plain
    for words in (
        "✓ Nothing wrong was found on the lines that are clipped.",
        "U10 74LS245  data bus, serves bank0",
        "✗ reads pointing to the card  100 of 100",
        "✓ writes with the buffer off  0 of 50",
        "driving elsewhere's reads   no such cycle",
        "up to 60 ns",
        "two drivers at once: once",
        "12 of 100 reads repeat what the bus carried before; by chance 0 would.",
        "◀ ✗ 9/100",
        "▶ ✓ 50",
        "open toward the CPU",
        "¬unclipped",
    ):
        assert words in page


def limit(**changes: Any) -> LimitResult:
    values: dict[str, Any] = {
        "name": "tDSR",
        "meaning": "data before the clock falls",
        "limit_ns": 100.0,
        "limit_is": "min",
        "source": "the part's data sheet",
        "count": 100,
        "min_ns": 80.0,
        "p01_ns": 80.0,
        "median_ns": 160.0,
        "p99_ns": 200.0,
        "max_ns": 200.0,
        "uncertainty_ns": 40.0,
        "margin_ns": -20.0,
        "violated": 1,
        "maybe": 0,
        "bounded": 0,
        "resolvable": True,
        "rate_needed_hz": None,
        "extreme_cycles": (),
        "extreme_times_s": (),
        "histogram": HISTOGRAM,
    }
    return LimitResult.model_validate(values | changes)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "✗ at least 100 ns: violated in 1 of 100"),
        ({"violated": 0, "margin_ns": 60.0}, "✓ at least 100 ns: kept, margin 60 ns"),
        ({"violated": 0, "margin_ns": -1.0}, "~ at least 100 ns: at the limit: -1 ns is within what the sampling"),
        (
            {"violated": 0, "resolvable": False, "rate_needed_hz": 50e6},
            "cannot be told at this sample rate; 50 MHz would tell",
        ),
        ({"violated": 0, "limit_is": "max", "margin_ns": 5.0}, "✓ at most 100 ns: kept"),
        ({"limit_ns": None, "limit_is": "none", "violated": 0}, "· no published limit"),
    ],
)
def test_each_limit_says_how_it_stands(session: FakeSession, changes: dict[str, Any], words: str) -> None:
    result = TimingResult(profile="6502", grade="1 MHz", sample_ns=41.7, limits=(limit(**changes),))
    page = timing_text(with_checks(session.result, timing=result), 78).plain
    assert words in page and "6502, grade 1 MHz, sampled every 41.7 ns" in page
    assert "least 80  1 % 80  middle 160  99 % 200  most 200 ns  ± 40  of 100" in page


def test_the_page_of_a_convicted_part_is_not_headed_by_nothing_wrong(session: FakeSession) -> None:
    """A driver's lane that a capture of all banks convicts shows nothing on the driver's own control lines."""
    guilty = session.result.suspects[0].model_copy(update={"component": "U10", "scope": "buffer", "region": None})
    result = with_checks(session.result.model_copy(update={"suspects": (guilty,)}), buffers=BUFFERS)
    first, second = buffers_text(result, 78).plain.splitlines()[:2]
    assert first == " ✗ U10 or its socket, D5: reads low where high was written, 1 in 7, 91 %  (y: why)"
    assert second == " · On the lines that are clipped here nothing of it shows."


@pytest.mark.parametrize("draw", [selects_text, buffers_text, timing_text])
def test_an_absent_or_strange_check_is_said_so(session: FakeSession, draw: Any) -> None:
    assert "no look at" in draw(session.result, 78).plain
    strange = session.result.model_copy(update={"checks": {"selects": {"a": 1}, "buffers": 7, "timing": [1]}})
    assert "no look at" in draw(strange, 78).plain


def test_whole_results_may_come_as_documents_of_the_store(session: FakeSession) -> None:
    document = SELECTS.to_json()
    assert "U9[b] 74LS138" in selects_text(session.result, 78, document).plain
    assert "no look at" in selects_text(session.result, 78, "{").plain


def test_findings_alone_are_shown_with_where_the_tables_are(session: FakeSession) -> None:
    found = [finding.model_dump() for finding in SELECTS.findings]
    result = session.result.model_copy(update={"checks": {"selects": found, "buffers": []}})
    page = selects_text(result, 78).plain
    assert "✗ CS1 does not come  40 of 100" in page and "'busledger selects' shows them" in page
    assert "Nothing wrong was found on the" in buffers_text(result, 78).plain
    strange = session.result.model_copy(update={"checks": {"selects": [{"a": 1}]}})
    assert "no look at" in selects_text(strange, 78).plain


def test_a_histogram_keeps_its_peak_and_shows_the_limit() -> None:
    assert spark(HISTOGRAM.counts, 40) == "▁ █▁"
    assert spark([1] * 100, 10) == "█" * 10
    assert spark([0, 0], 10) == "  "
    assert spark([], 10) == ""
    wide = DelayHistogram(bin_ns=10.0, first_bin=0, counts=(1,) * 40, uncertainty_ns=1.0)
    scale = spark_scale(wide, 40)
    assert len(scale) == 40 and scale.startswith("-5 ") and scale.endswith(" 395 ns")  # bins lie around their value
    assert spark_scale(wide, 40, (2.0, 391.0)).split() == ["2", "391", "ns"]
    assert limit_line(wide, 200.0, 40) == " " * 20 + "▲ limit"
    assert limit_line(wide, 200.0, 20) == " " * 10 + "▲ limit"
    assert limit_line(wide, 400.0, 40) == " " * 40 + "limit ▶"
    assert limit_line(HISTOGRAM, 50.0, 40) == "◀ limit"


@given(st.lists(st.integers(0, 10**6), max_size=200), st.integers(1, 80))
@settings(max_examples=100)
def test_no_count_is_drawn_as_nothing_and_nothing_as_a_count(counts: list[int], width: int) -> None:
    step = -(-len(counts) // width) if counts else 1
    sums = [sum(counts[n : n + step]) for n in range(0, len(counts), step)]
    drawn = spark(counts, width)
    assert len(drawn) == len(sums) <= width
    assert [char != " " for char in drawn] == [total > 0 for total in sums]


@given(st.integers(0, 1000), st.integers(0, 1000), st.integers(1, 30))
@settings(max_examples=100)
def test_bars_are_full_for_all_and_empty_for_none_only(part: int, of: int, width: int) -> None:
    bar = share_bar(min(part, of), of, width)
    assert len(bar) == width
    if width > 1:
        assert (bar == "·" * width) == (min(part, of) == 0)
        assert (bar == "█" * width) == (part >= of > 0)


def test_a_convicted_driver_is_accused_on_its_page_though_no_clip_shows_it(session: FakeSession) -> None:
    (first, *rest) = session.result.suspects
    bad = first.model_copy(update={"component": "U11", "scope": "buffer", "region": None})
    result = with_checks(session.result.model_copy(update={"suspects": (bad, *rest)}), buffers=BUFFERS)
    page = buffers_text(result, 78, on_board=["U10", "U11"]).plain
    assert page.startswith(" ✗ U11 or its socket, D5: ")
    assert "Nothing wrong was found" not in page


def test_times_of_many_chips_share_their_lines(session: FakeSession) -> None:
    free: dict[str, Any] = {"limit_ns": None, "limit_is": "none", "margin_ns": None, "meaning": "2102 in bank0"}
    chips = tuple(limit(name=f"U{n} access", **free) for n in range(1, 17))
    many = TimingResult(profile="6502", grade="1 MHz", sample_ns=41.7, limits=(limit(), *chips))
    page = timing_text(with_checks(session.result, timing=many), 78).plain
    assert "U1-U16 access  2102 in bank0" in page and "U7" not in page
