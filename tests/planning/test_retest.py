"""Proof of repair: what counts, when it is proved, how much is missing, and what is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest

from busledger.decoder.errors import UsageError
from busledger.decoder.findings import CaptureFinding, CheckResult, CycleCounts, LaneCounts, RegionCounts, Suspect
from busledger.decoder.planning.retest import RetestResult, retest

HIGH = 4500  # of 9000 compared reads of bank3, those in which D4 was due high


def _run(
    failures: int = 0,
    *,
    compared: int = 9000,
    seconds: float = 0.5,
    suspect: dict[str, Any] | None = None,
    coverage: bool = True,
    elsewhere: int = 0,
    **changes: Any,
) -> CheckResult:
    regions = tuple(
        RegionCounts(
            name=name, writes=10, reads=compared, reads_compared=compared, mismatches=wrong,
            reads_unknown=0, reads_stale=0, reads_disagree=0,
            lanes=tuple(
                LaneCounts(lane=f"D{k}", compared=compared, low_for_high=wrong if k == 4 else 0, high_for_low=0)
                for k in range(8)
            ),
        )
        for name, wrong in (("bank2", elsewhere), ("bank3", failures))
    )  # fmt: skip
    due = HIGH * compared // 9000
    covered = [
        {
            "name": name,
            "lanes": [{"lane": f"D{k}", "low": compared - due, "high": due} for k in range(8)],
            "address_lines": [{"line": "A7", "tested": 640, "told_apart": 616}],
            "told_apart_from": {"bank2": 300},
        }
        for name in ("bank2", "bank3")
    ]  # fmt: skip
    named = {
        "rank": 1, "fault": "stuck-low", "scope": "chip", "component": "U14", "region": "bank3", "lanes": ("D4",),
        "probability": 0.9, "explains": failures, "contradicted": 0, "summary": "U14 (2114, bank3) reads D4 low",
    }  # fmt: skip
    given: dict[str, Any] = {
        "capture": CaptureFinding(path="run.vcd", duration_s=seconds, channels=28, samples=9, resolution_s=1e-8),
        "profile": "z80",
        "board": "Tide-gauge memory card",
        "cycles": CycleCounts(total=20000, by_kind={}),
        "regions": regions,
        "mismatch_total": failures + elsewhere,
        "suspects": (Suspect(**{**named, **(suspect or {})}),) if failures else (),
        "coverage": {"regions": covered, "not_exercised": []} if coverage else {},
    }
    return CheckResult(**{**given, **changes})


def _saved(result: CheckResult) -> dict[str, Any]:
    return json.loads(result.to_json())


def _retest(before: CheckResult, after: CheckResult) -> RetestResult:
    found = retest(_saved(before), after)
    assert RetestResult.model_validate_json(found.to_json()) == found
    return found


def test_a_clean_run_of_the_same_length_proves_a_frequent_fault_gone() -> None:
    found = _retest(_run(24), _run(0))
    assert (found.verdict, found.proved) == ("proved-99", True)
    assert (found.before.failures, found.before.eligible) == (24, HIGH)
    assert found.before.rate == pytest.approx(24 / 4500), "of the reads counted: this result gave no rate per chance"
    assert (found.after.failures, found.after.eligible) == (0, HIGH)
    assert found.after.rate_below_95 == pytest.approx(3 / 4500, rel=0.01)
    assert found.sentences[0] == "Repair proved at 99 %: 4500 reads of bank3 that should be high, none wrong."
    assert all(n.more_eligible == 0 for n in found.needed)


def test_a_short_clean_run_is_not_enough_and_says_how_much_is_missing() -> None:
    found = _retest(_run(24), _run(0, compared=800, seconds=0.04))
    assert found.verdict == "not-yet" and not found.proved
    ninety_five, ninety_nine = found.needed
    assert 400 < ninety_five.eligible < 700 and ninety_five.more_eligible == ninety_five.eligible - 400
    assert ninety_nine.eligible > ninety_five.eligible
    assert ninety_five.more_seconds == pytest.approx(ninety_five.more_eligible / (400 / 0.04))
    assert any("more such reads, none wrong" in s for s in found.sentences)


def test_running_what_was_missing_proves_it() -> None:
    short = _retest(_run(24), _run(0, compared=800))
    for needed, verdict in zip(short.needed, ("proved-95", "proved-99"), strict=True):
        enough = _retest(_run(24), _run(0, compared=2 * needed.eligible))
        assert enough.verdict == verdict
        barely_not = _retest(_run(24), _run(0, compared=2 * (needed.eligible - 1)))
        assert barely_not.verdict != verdict


def test_a_single_failure_before_asks_for_nineteen_times_the_run() -> None:
    """One failure may have been luck: 1 / (1 + n / m) <= 5 % takes n = 19 m."""
    found = _retest(_run(1), _run(0))
    assert found.verdict == "not-yet"
    assert found.needed[0].eligible == 19 * HIGH and found.needed[1].eligible == 99 * HIGH


def test_a_hard_fault_is_soon_proved_gone() -> None:
    found = _retest(_run(HIGH), _run(0, compared=20))
    assert found.verdict == "proved-99"


def test_still_failing_says_what_a_run_after_the_next_repair_needs() -> None:
    found = _retest(_run(24), _run(3))
    assert (found.verdict, found.chance) == ("still-failing", 1.0)
    assert found.sentences[0] == "Not repaired: 3 of 4500 reads of bank3 that should be high were wrong."
    assert found.after.rate_below_95 > 3 / 4500
    assert all(n.more_eligible == n.eligible > 0 for n in found.needed)
    assert any(s.startswith("After the next repair 95 % needs") for s in found.sentences)


def test_a_run_that_does_not_exercise_the_fault_proves_nothing() -> None:
    found = _retest(_run(24), _run(0, compared=0))
    assert found.verdict == "not-yet" and found.after.rate_below_95 == 1.0
    assert found.sentences[0] == "Not proved: this run did not exercise what was failing."
    assert found.needed[0].seconds is None


def test_mismatches_elsewhere_are_not_the_old_fault_but_are_said() -> None:
    found = _retest(_run(24), _run(0, elsewhere=5))
    assert found.verdict == "proved-99" and found.after.other_mismatches == 5
    assert any("5 mismatches elsewhere" in s for s in found.sentences)


@pytest.mark.parametrize(
    ("suspect", "eligible", "counted"),
    [
        ({}, HIGH, "reads of bank3 that should be high"),
        ({"fault": "floating", "lanes": ("D4",)}, 9000, "compared reads of bank3"),
        ({"fault": "dead", "lanes": ()}, 9000, "compared reads of bank3"),
        (
            {"fault": "address-stuck", "address_lines": ("A7",), "lanes": ("D4", "D5")},
            640,
            "reads of bank3 whose partner across the line held other data",
        ),
        (
            {"fault": "select-extra", "other_region": "bank2", "lanes": ()},
            300,
            "reads of bank3 while the other region held other data",
        ),
        (
            {"fault": "stuck-low", "scope": "bus", "component": None, "region": None},
            2 * HIGH,
            "reads that should be high",
        ),
    ],
)
def test_what_counts_depends_on_the_fault(suspect: dict[str, Any], eligible: int, counted: str) -> None:
    found = _retest(_run(24, suspect=suspect), _run(0))
    assert found.after.eligible == eligible and found.counted == counted


def test_the_rate_is_the_one_that_check_gave() -> None:
    """24 of 9120 chances: the reads that can be counted in both runs alike are fewer, and give no second rate."""
    given = {"intermittent": True, "rate": 24 / 9120, "rate_95": (0.0017, 0.0039), "summary": "U14 reads low, 1 in 380"}
    found = _retest(_run(24, suspect=given), _run(0))
    assert (found.before.rate, found.before.rate_interval) == (24 / 9120, (0.0017, 0.0039))
    assert found.sentences[1] == "Before: U14 reads low, 1 in 380 (95 % sure: 1 in 590 to 1 in 260)."
    assert "24 of 4500 reads of bank3 that should be high were wrong" in found.sentences[2]


def test_without_coverage_every_compared_read_of_the_lane_counts() -> None:
    found = _retest(_run(24, coverage=False), _run(0, coverage=False))
    assert (found.before.eligible, found.after.eligible) == (9000, 9000)


def test_without_a_suspect_all_mismatches_count() -> None:
    found = _retest(_run(24, suspects=()), _run(0))
    assert (found.before.failures, found.before.eligible, found.before.summary) == (24, 18000, "mismatches")


BURSTS = {
    "failures": 24,
    "bursts": {"index_of_dispersion": 6.0, "p": 1e-6, "runs_of_failures": 8},
    "depends": [{"on": "bursts over windows", "p_holm": 1e-5, "text": "…"}],
}


def test_bursts_count_as_fewer_failures_and_ask_for_time() -> None:
    """24 failures at a dispersion of 6 count as 4: as much time again as T (20**(1/4) - 1) is needed for 95 %."""
    before = _run(24, seconds=10.0, intermittence=BURSTS)
    found = _retest(before, _run(0, compared=900_000, seconds=2.0))
    assert found.before.bursty and found.before.independent_failures == 4
    assert found.verdict == "not-yet"  # accesses in plenty, but two seconds
    assert found.needed[0].more_eligible == 0
    assert found.needed[0].seconds == pytest.approx(10 * (20**0.25 - 1))
    assert any(s.startswith("For 95 % it must run on without a failure for about 9.1 s") for s in found.sentences)
    assert any("came in bursts" in s for s in found.sentences)
    assert _retest(before, _run(0, compared=900_000, seconds=12.0)).verdict == "proved-95"
    assert _retest(before, _run(0, compared=900_000, seconds=25.0)).verdict == "proved-99"


def test_a_fault_that_rose_with_time_asks_for_a_run_from_cold() -> None:
    rising = {"trend": {"z": 4.2, "p": 1e-5}, "depends": [{"on": "time since the capture's start"}]}
    assert any("start the run cold" in s for s in _retest(_run(24, intermittence=rising), _run(0)).sentences)
    falling = {**rising, "trend": {"z": -4.2, "p": 1e-5}}
    assert not any("cold" in s for s in _retest(_run(24, intermittence=falling), _run(0)).sentences)


def test_another_board_is_pointed_out() -> None:
    found = _retest(_run(24), _run(0, board="Loom controller"))
    assert any("different boards" in s for s in found.sentences)


def test_keys_that_a_later_version_adds_are_passed_over() -> None:
    saved = {**_saved(_run(24)), "colour": "red"}
    saved["regions"][0]["temperature"] = 21.5
    assert retest(saved, _run(0)).verdict == "proved-99"


@pytest.mark.parametrize(
    "saved",
    [
        {},
        [],
        None,
        "text",
        {"schema": "busledger.check/1"},
        {"schema": "busledger.retest/1"},
        {**_saved(_run(24)), "regions": [{"name": "bank3", "reads_compared": "many", "mismatches": 1}]},
        {**_saved(_run(24)), "mismatch_total": -1},
        {**_saved(_run(24)), "capture": {"duration_s": float("nan")}},
    ],
)
def test_what_is_no_check_is_refused(saved: Any) -> None:
    with pytest.raises(UsageError, match="this is no result of a check") as caught:
        retest(saved, _run(0))
    assert "busledger check CAPTURE" in str(caught.value)


def test_nothing_failing_before_is_refused() -> None:
    with pytest.raises(UsageError, match="nothing was failing"):
        retest(_saved(_run(0)), _run(0))


@pytest.mark.parametrize("odd", [3, "x", [1], {"regions": 5}, {"regions": [{"name": "bank3", "lanes": "D4"}]}])
def test_odd_open_dictionaries_do_no_harm(odd: Any) -> None:
    saved = _saved(_run(24))
    facts = odd if isinstance(odd, dict) else {"regions": odd, "depends": odd, "bursts": odd, "trend": odd}
    assert retest({**saved, "coverage": facts, "intermittence": facts}, _run(0)).before.failures == 24


def test_names_from_the_file_are_shown_not_obeyed() -> None:
    saved = _saved(_run(24, suspect={"summary": "\x1b[31mU14"}))
    found = retest(saved, _run(0))
    assert "\x1b" not in "".join(found.sentences) and "\\x1b[31mU14" in found.sentences[1]
