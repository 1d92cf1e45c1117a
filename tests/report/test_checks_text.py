"""The results of the single checks as text: what stands in the first line."""

from __future__ import annotations

from busledger.decoder.checks import CheckFinding, DelayHistogram, LimitResult, SelectsResult, TimingResult
from busledger.decoder.report import selects_text, skipped_together, timing_text
from busledger.decoder.report.tables import table_text

DEAD = CheckFinding(code="stuck", weight="doubt", text="CS2 (U5 pin Y2) does not come", count=1712, of=1712)
NOTE = CheckFinding(code="glitch-passing", weight="note", text="CS0 glitches 3 times: harmless", count=3, of=9)


def test_a_doubt_stands_in_the_place_of_the_clean_headline() -> None:
    """A select that never came, which data that came back right speak against, stood under 'every select was right'."""
    result = SelectsResult(findings=(NOTE, DEAD))
    lines = selects_text(result, width=80).splitlines()
    assert lines[0] == "doubt: CS2 (U5 pin Y2) does not come"
    assert lines[1] == "note: CS0 glitches 3 times: harmless"
    assert selects_text(result, width=80, answer_only=True) == "doubt: CS2 (U5 pin Y2) does not come\n"


def test_notes_leave_the_headline_clean() -> None:
    result = SelectsResult(findings=(NOTE,))
    assert selects_text(result, width=80).splitlines()[0] == "Every select was right"
    assert selects_text(result, width=80, answer_only=True) == "Every select was right\n"


def test_timing_has_units_and_its_bars_agree_with_its_table() -> None:
    histogram = DelayHistogram(bin_ns=42.0, first_bin=11, counts=(1, 22749, 0, 2), uncertainty_ns=42.0)
    limit = LimitResult(
        name="PWH", meaning="phase 2 high", limit_ns=430.0, limit_is="min", source="a data sheet, from memory",
        count=22752, min_ns=458.0, p01_ns=500.0, median_ns=500.0, p99_ns=500.0, max_ns=584.0, uncertainty_ns=42.0,
        margin_ns=-1.0, violated=0, maybe=0, bounded=0, resolvable=True, rate_needed_hz=None, extreme_cycles=(),
        extreme_times_s=(), histogram=histogram,
    )  # fmt: skip
    limits = (limit, limit.model_copy(update={"name": "TCY"}))
    result = TimingResult(profile="6502", grade="1 MHz", sample_ns=42.0, limits=limits)
    text = timing_text(result, width=80).replace("\u00a0", " ")
    assert "limit, ns" in text and "PWH: phase 2 high, ns" in text
    assert "458-483" in text and "567-584" in text  # the first bar begins at the least, the last ends at the most
    assert "kept" not in text and "PWH: at the limit: -1 ns is within what the sampling leaves open (± 42 ns)" in text
    assert text.count("from memory") == 1


def test_a_table_of_short_columns_fits_a_terminal_of_eighty():
    """Ten columns of figures and a narrow last one stay a table."""
    row = ["PWHPHI2", "458", "500", "500", "500", "542", "42", "≥ 430", "?", "22752"]
    heads = ["limit, ns", "least", "1 %", "middle", "99 %", "most", "±", "allowed", "margin", "cycles"]
    lines = table_text(heads, [row], width=80, colour=False).splitlines()
    assert len(lines) == 2
    assert lines[1].index("22752") == lines[0].index("cycles")


def test_what_was_not_looked_at_for_one_reason_is_one_sentence() -> None:
    told = skipped_together(
        (
            "tAL (A8-A15 before ALE falls): needs edges inside the CPU",
            "U9: no enable of it is clipped: whether it fights others cannot be told",
            "tDW (the same, computed: tCC): needs edges inside the CPU",
            "U10: no enable of it is clipped: whether it fights others cannot be told",
            "nothing is clipped",
        )
    )
    assert told == [
        "tAL (A8-A15 before ALE falls), tDW (the same, computed: tCC): needs edges inside the CPU",
        "U9, U10: no enable of it is clipped: whether it fights others cannot be told",
        "nothing is clipped",
    ]
