"""What became of the parts that an earlier result names: gone, still there, new, not tried, in doubt; and what is
proved."""

from __future__ import annotations

import json
from typing import Any

import pytest

from busledger.decoder.errors import UsageError
from busledger.decoder.findings import CheckResult, LaneCounts, Part, PartSince, RegionCounts, Suspect
from busledger.decoder.planning import judge_repair, since, since_lines
from busledger.decoder.report import check_text, html_page, markdown_text
from tests.report.results import result as some_result

COMPARED = 1000
LANES = {"U7": 1, "U12": 4, "U19": 6}  # three 1-bit chips of bank0


def run(*bad: str, wrong: dict[str, int] | None = None, compared: int = COMPARED, **changes: Any) -> CheckResult:
    """A check that names ``bad``; ``wrong``: wrong reads of a chip's lane, 40 of a named one if left out."""
    counts = {**dict.fromkeys(bad, 40), **(wrong or {})}
    lanes = tuple(
        LaneCounts(lane=f"D{k}", compared=compared, high_for_low=0,
                   low_for_high=sum(n for name, n in counts.items() if LANES[name] == k))
        for k in range(8)
    )  # fmt: skip
    total = sum(counts.values())
    bank = RegionCounts(
        name="bank0", writes=10, reads=compared, reads_compared=compared, mismatches=total, reads_unknown=0,
        reads_stale=0, reads_disagree=0, lanes=lanes,
    )  # fmt: skip
    suspects = tuple(
        Suspect(
            rank=k, fault="write-lost", scope="chip", component=name, region="bank0", lanes=(f"D{LANES[name]}",),
            probability=0.97, explains=counts[name], contradicted=0, summary=f"{name} or its socket keeps old data",
            place=k,
        )
        for k, name in enumerate(bad, 1)
    )  # fmt: skip
    given: dict[str, Any] = {
        "regions": (bank,), "mismatch_total": total, "suspects": suspects, "intermittence": {}, "coverage": {},
        "parts": tuple(Part(component=name, bad=0.99 if name in bad else 0.001) for name in LANES),
    }  # fmt: skip
    return some_result(**{**given, **changes})


def became(before: CheckResult, after: CheckResult) -> dict[str, PartSince]:
    return {part.name: part for part in since(json.loads(before.to_json()), after).since}


def test_each_part_that_was_named_or_is_new_has_its_own_line() -> None:
    found = became(run("U7", "U12"), run("U12", "U19"))
    assert {name: part.state for name, part in found.items()} == {"U7": "gone", "U12": "still-there", "U19": "new"}
    assert list(found) == ["U7", "U12", "U19"]
    assert found["U7"].text == "U7 is gone, proved at 99 %: 1000 compared reads of bank0, none wrong."
    assert found["U12"].text.startswith("U12 is still there, 99 % sure: U12 or its socket keeps old data")
    assert found["U19"].text.startswith("U19 is new, 99 % sure")
    assert (found["U19"].before, found["U19"].now) == (0.001, 0.99)


def test_a_short_clean_run_proves_nothing_yet_and_says_how_much_is_missing() -> None:
    """40 of 1000 before: C(1000, 40) / C(1000 + n, 40) falls to 5 % at n = 77."""
    gone = became(run("U7"), run(compared=50))["U7"]
    assert (gone.state, gone.proved, gone.eligible, gone.more_eligible) == ("gone", None, 50, 27)
    assert gone.text.endswith("27 more such reads would prove it at 95 %.")
    assert became(run("U7"), run(compared=77))["U7"].proved == 95


def test_a_run_without_reads_of_the_place_tried_nothing() -> None:
    assert became(run("U7"), run(compared=0))["U7"].state == "not-tried"


def test_wrong_reads_that_are_put_down_to_another_part_leave_the_first_in_doubt() -> None:
    found = became(run("U7"), run("U19", wrong={"U7": 3}))["U7"]
    assert found.state == "in-doubt" and found.failures == 3
    assert found.text == (
        "U7 is not settled: 3 of 1000 compared reads of bank0 are still wrong, now put down to U19."
    )  # fmt: skip


def test_failures_of_a_neighbour_do_not_keep_a_part_from_being_proved() -> None:
    """U12 fails on another lane of the same region all the while."""
    assert became(run("U7", "U12"), run("U12"))["U7"].proved == 99


def test_a_result_without_marginals_goes_by_its_suspects() -> None:
    old = json.loads(run("U7").to_json())
    del old["parts"]
    assert since(old, run()).since[0].state == "gone"


def test_the_verdict_on_several_parts_is_that_of_the_least_proved() -> None:
    def verdict(after: CheckResult) -> tuple[str, str]:
        found = judge_repair(json.loads(run("U7", "U12").to_json()), after)
        return found.verdict, found.sentences[0]

    assert verdict(run()) == ("proved-99", "Repair proved at 99 %. Gone, proved at 99 %: U7 and U12.")
    assert verdict(run("U12")) == (
        "still-failing", "Not repaired. Still there: U12; gone, proved at 99 %: U7.",
    )  # fmt: skip
    assert verdict(run(compared=50)) == ("not-yet", "Not proved yet. Gone, but not proved: U7 and U12.")
    assert verdict(run(compared=0)) == ("not-yet", "Not proved yet. Not tried by this run: U7 and U12.")


def test_a_new_part_after_the_repair_of_the_only_one_is_said() -> None:
    found = judge_repair(json.loads(run("U7").to_json()), run("U19"))
    assert found.verdict == "proved-99" and any(line.startswith("U19 is new") for line in found.sentences)


def test_reports_tell_it_in_every_form() -> None:
    found = since(json.loads(run("U7", "U12").to_json()), run("U12"))
    lines = since_lines(found.since)
    assert lines[0] == "Still there: U12; gone, proved at 99 %: U7." and len(lines) == 2
    for text in (check_text(found), markdown_text(found), html_page(found)):
        assert "Still there: U12" in text and "Since" in text
    assert "Since" not in check_text(run("U12"))


def test_names_and_sentences_of_the_saved_file_are_shown_not_obeyed() -> None:
    old = json.loads(run("U7").to_json())
    old["suspects"][0]["component"] = old["parts"][0]["component"] = "\x1b[31mU7"
    told = since(old, run())
    assert "\x1b" not in check_text(told) + "".join(part.text for part in told.since)


@pytest.mark.parametrize("saved", [{}, {"schema": "busledger.check/1"}])
def test_what_is_no_check_is_refused(saved: dict[str, Any]) -> None:
    with pytest.raises(UsageError, match="this is no result of a check"):
        since(saved, run())
