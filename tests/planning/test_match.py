"""A good run against a bad one: what is told first."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.bus import Cycles, Kind
from busledger.decoder.ledger import Compared, Verdict
from busledger.decoder.planning import MatchRun, match_runs
from busledger.decoder.report import match_text


def run(data: list[int], verdicts: list[Verdict], kinds: tuple[str, ...] = ("ram",)) -> MatchRun:
    """Reads of 0x4000, 0x4001, … in region 0, a microsecond apart."""
    n = len(data)
    cycles, compared = Cycles.empty(n), Compared.empty(n)
    cycles.time[:] = np.arange(n) * 1000
    cycles.kind[:] = Kind.READ
    cycles.address[:] = 0x4000 + np.arange(n)
    cycles.data[:] = data
    cycles.region[:] = 0
    cycles.width[:] = 1
    compared.verdict[:] = verdicts
    compared.index[:] = np.arange(n)
    return MatchRun(
        path="run.vcd",
        cycles=cycles,
        compared=compared,
        tick_s=1e-9,
        address_bits=0xFFFF,
        data_bits=0xFF,
        region_names=("bank0",),
        region_kinds=kinds,
    )


UNWRITTEN = [Verdict.UNKNOWN] * 3 + [Verdict.AGREES] * 37
GOOD = run([9] * 40, UNWRITTEN)
WRONG_LATER = [7, 8, 9, *[9] * 17, 1, *[9] * 19]


def test_a_wrong_read_is_the_answer_and_not_what_memory_held_at_power_up() -> None:
    verdicts = [*UNWRITTEN[:20], Verdict.MISMATCH, *UNWRITTEN[21:]]
    found = match_runs(GOOD, run(WRONG_LATER, verdicts))
    assert found.first is not None and (found.first.cause, found.first.address) == ("unwritten", 0x4000)
    assert found.telling is not None and (found.telling.cause, found.telling.address) == ("wrong-read", 0x4014)
    text = " ".join(match_text(found, width=80, colour=False).split())
    assert text.startswith("The bad one first reads wrong at read of 4014 (bank0): 09 in the good capture, 01 in")
    assert "They part earlier, at read of 4000 (bank0): 09 in the good capture, 07 in the bad one" in text
    assert "what memory holds at power-up" in text


def test_power_up_contents_alone_are_named_for_what_they_are() -> None:
    found = match_runs(GOOD, run([7, *[9] * 39], UNWRITTEN))
    assert match_text(found, width=200, colour=False).startswith("Only memory that was not written differs, first at")


@pytest.mark.parametrize(("kind", "cause"), [("ram", "unwritten"), ("rom", "other-read"), ("io", "other-read")])
def test_only_memory_has_power_up_contents(kind: str, cause: str) -> None:
    found = match_runs(GOOD, run([7, *[9] * 39], UNWRITTEN, (kind,)))
    assert found.telling is not None and found.telling.cause == cause


def test_where_the_shorter_one_ends_is_told() -> None:
    """That nothing differs is said of what both hold."""
    found = match_runs(GOOD, run([9] * 30, UNWRITTEN[:30]))
    text = " ".join(match_text(found, width=200, colour=False).split())
    assert text == (
        "No difference: 30 cycles of the two captures are the same; the bad one ends there, of 10 more cycles in the "
        "good one nothing can be said"
    )
