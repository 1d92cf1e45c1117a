"""Planted patterns of failure are found and nothing else is; the accesses that count are the right ones."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Kind
from busledger.decoder.diagnosis.intermittence.intermittence import describe, windows_for
from busledger.decoder.diagnosis.intermittence.occasions import intermittence_of
from busledger.decoder.diagnosis.intermittence.occurrence import Circumstances, Occurrence
from busledger.decoder.findings import Suspect
from tests.diagnosis.small_cards import Access, log_of, two_banks

N = 20_000
TICK_S = 1e-6


def _quiet(rng: np.random.Generator, n: int = N) -> Circumstances:
    """Random accesses with no failure among them."""
    return Circumstances(
        time=np.arange(n, dtype=np.int64) * 100,
        failed=np.zeros(n, np.bool_),
        address=rng.integers(0, 1024, n).astype(np.uint32),
        expected=rng.integers(0, 256, n).astype(np.uint32),
        known=np.full(n, 255, np.uint32),
        previous_kind=rng.choice([Kind.READ, Kind.WRITE, Kind.OPCODE_FETCH], n).astype(np.uint8),
        switching=rng.binomial(24, 0.4, n).astype(np.uint8),
        age=rng.integers(100, 1_000_000, n),
        moved=rng.random(n) < 0.3,
    )


def _told(failed: NDArray[np.bool_], c: Circumstances, **more: object) -> dict:
    c.failed = failed
    tally = Occurrence(len(c), windows_for(int(failed.sum())), address_bits=10, lanes=8)
    for start in range(0, len(c), 3001):
        part = slice(start, start + 3001)
        tally.feed(Circumstances(*(getattr(c, name)[part] for name in Circumstances.__slots__)))
    return describe(tally, TICK_S, **more)  # type: ignore[arg-type]


Rate = Callable[[Circumstances], NDArray[np.float64]]
PLANTED: list[tuple[str, Rate, str, str]] = [
    ("time since the capture's start", lambda c: np.linspace(0, 0.02, N), "It rises with time", "sign of heat"),
    ("time since the capture's start", lambda c: np.linspace(0.02, 0, N), "It falls with time", "bad when cold"),
    ("A6", lambda c: np.where(c.address & 64, 0.015, 0.002), "It depends on A6", "inside it: a row, a column"),
    ("D3", lambda c: np.where(c.expected & 8, 0.002, 0.015), "It depends on D3", "leakage or a short"),
    (
        "lines switching at once",
        lambda c: np.where(c.switching > 11, 0.03, 0.002),
        "how many lines",
        "supply or ground",
    ),
    (
        "the access before",
        lambda c: np.where(c.previous_kind == Kind.WRITE, 0.02, 0.002),
        "after write",
        "driver that turns round late",
    ),
    (
        "time since written",
        lambda c: np.where(c.age > 500_000, 0.02, 0.001),
        "since the cell was written",
        "leaking cell",
    ),
    ("change of region", lambda c: np.where(c.moved, 0.02, 0.002), "after a change", "select that comes late"),
]


@pytest.mark.parametrize(("on", "rate", "says", "suggests"), PLANTED)
def test_a_planted_dependence_is_the_one_that_is_said(on: str, rate: Rate, says: str, suggests: str) -> None:
    rng = np.random.default_rng(11)
    c = _quiet(rng)
    found = _told(rng.random(N) < rate(c), c, inside_chip=True)
    assert [d["on"] for d in found["depends"]] == [on]
    assert any(says in sentence for sentence in found["sentences"])
    assert any(suggests in suggestion for suggestion in found["suggestions"])
    assert all("often" in suggestion or "point to" in suggestion for suggestion in found["suggestions"])


def test_bursts_suggest_a_contact_and_bring_no_false_dependence() -> None:
    """Thirty bursts of ten while a loop walks through memory: addresses and bursts go together by chance only."""
    rng = np.random.default_rng(5)
    c = _quiet(rng)
    c.address = (np.arange(N) // 64 % 1024).astype(np.uint32)
    failed = np.zeros(N, np.bool_)
    for at in rng.integers(0, N - 20, 30):
        failed[at : at + 10] = True
    found = _told(failed, c)
    assert "failures one after another" in [d["on"] for d in found["depends"]]
    assert any("sign of a contact" in s for s in found["suggestions"])
    assert not [d for d in found["depends"] if d["on"].startswith(("A", "D"))]


def test_scattered_failures_depend_on_nothing() -> None:
    """Families of about thirty tests, Holm at 5 %: of 120 healthy ones hardly more than 6 may say anything."""
    rng = np.random.default_rng(2)
    alarms = 0
    for _ in range(120):
        c = _quiet(rng, 4000)
        alarms += bool(_told(rng.random(4000) < 0.01, c)["depends"])
    assert alarms <= 12


def test_the_figures_of_a_tally_counted_by_hand() -> None:
    c = _quiet(np.random.default_rng(1), 1000)
    failed = np.zeros(1000, np.bool_)
    failed[[100, 101, 500]] = True
    found = _told(failed, c)
    assert (found["failures"], found["reads"]) == (3, 1000)
    assert found["basis"] == "Judged by 1000 reads that could have shown it, 3 of them wrong."
    assert (found["first_failure_s"], found["last_failure_s"]) == (pytest.approx(0.01), pytest.approx(0.05))
    assert found["bursts"]["runs_of_failures"] == 2
    assert [w["accesses"] for w in found["windows"]] == [250] * 4
    assert [w["failures"] for w in found["windows"]] == [2, 0, 1, 0]
    assert found["windows"][1]["start_s"] == found["windows"][0]["end_s"] == pytest.approx(0.025)
    assert found["sentences"] == ["First failure 0.01 s, last 0.05 s after the capture's start."]
    assert json.loads(json.dumps(found)) == found


def test_words_give_counts_and_plain_chances_and_no_second_rate() -> None:
    """What is tested is counted over other reads than the suspect's chances, so that no rate of its own is said."""
    c = _quiet(np.random.default_rng(3))
    c.address = (np.arange(N) % 1024).astype(np.uint32)
    failed = (c.address & 64 != 0) & (np.random.default_rng(4).random(N) < 0.05)
    found = _told(failed, c)
    said = f"It depends on A6: 0 of 10 016 reads wrong when low, {failed.sum()} of 9984 when high"
    assert f"{said} (chance alone: under 1 in 1000)." in found["sentences"]
    assert "rate" not in found and not any(" in 2" in sentence for sentence in found["sentences"])


def test_a_single_failure_and_none_at_all() -> None:
    rng = np.random.default_rng(1)
    once = np.zeros(1000, np.bool_)
    once[10] = True
    assert "It failed once, 0.001 s after the capture's start." in _told(once, _quiet(rng, 1000))["sentences"]
    assert _told(np.zeros(1000, np.bool_), _quiet(rng, 1000)) == {}
    assert describe(Occurrence(0, 4), TICK_S) == {}


def test_every_access_failing_is_no_pattern() -> None:
    found = _told(np.ones(500, np.bool_), _quiet(np.random.default_rng(1), 500))
    assert found["depends"] == [] and found["failures"] == found["reads"] == 500


# -- which accesses of a capture count -------------------------------------------------


def _suspect(**fields: object) -> Suspect:
    given = {
        "rank": 1, "fault": "stuck-low", "scope": "chip", "component": "U4", "region": "bank1", "lanes": ("D5",),
        "intermittent": True, "probability": 0.9, "explains": 1, "contradicted": 0, "summary": "",
    }  # fmt: skip
    return Suspect(**{**given, **fields})  # type: ignore[arg-type]


def _reads(seed: int = 4, turns: int = 60) -> list[Access]:
    """Both banks written once a turn, then every cell read twice."""
    rng = np.random.default_rng(seed)
    made: list[Access] = []
    for _ in range(turns):
        data = rng.integers(0, 256, 32)
        made += [("w", k, int(data[k])) for k in range(32)]
        made += [("r", k, int(data[k])) for k in range(32) for _ in range(2)]
    return made


def _of(suspect: Suspect, accesses: list[Access], bend: Callable[[int, int], int]) -> dict:
    board = two_banks()
    return intermittence_of(board, log_of(board, accesses, bend), [suspect], address_bits=16, data_bits=8, tick_s=1e-9)


def _now_and_then(bit: int, where: Callable[[int], bool], every: int) -> Callable[[int, int], int]:
    """Lane ``bit`` reads low in every n-th read in which it should be high."""
    turn = [0]

    def bend(address: int, data: int) -> int:
        if where(address) and data >> bit & 1:
            turn[0] += 1
            if turn[0] % every == 0:
                return data & ~(1 << bit)
        return data

    return bend


def test_only_reads_that_should_be_high_count_for_stuck_low() -> None:
    accesses = _reads()
    due = sum(kind == "r" and address >= 16 and data >> 5 & 1 for kind, address, data in accesses)
    found = _of(_suspect(), accesses, _now_and_then(5, lambda a: a >= 16, 7))
    assert found["reads"] == due and found["failures"] == due // 7
    assert (found["suspect"], found["component"], found["fault"]) == (1, "U4", "stuck-low")


def test_a_driver_counts_in_all_regions_it_serves() -> None:
    accesses = _reads()
    due = sum(kind == "r" and data >> 5 & 1 for kind, _, data in accesses)
    found = _of(_suspect(scope="buffer", component="U10", region=None), accesses, _now_and_then(5, lambda a: True, 7))
    assert found["reads"] == due


def test_a_cell_counts_alone() -> None:
    accesses = _reads()
    due = sum(kind == "r" and address == 20 and data >> 5 & 1 for kind, address, data in accesses)
    found = _of(_suspect(scope="cell", address=20), accesses, _now_and_then(5, lambda a: a == 20, 7))
    assert found["reads"] == due


def test_wrong_data_that_stays_until_written_counts_once() -> None:
    """A write goes astray now and then: both reads that follow are wrong, but it failed once."""
    accesses = _reads()
    stored: dict[int, int] = {}
    turn = [0]

    def bend(address: int, data: int) -> int:
        if address >= 16 and stored.get(address, -1) >> 8 != data:
            turn[0] += 1
            lost = turn[0] % 9 == 0
            stored[address] = data << 8 | (data ^ 0x20 if lost else data)
        return stored[address] & 255 if address >= 16 else data

    found = _of(_suspect(fault="write-lost"), accesses, bend)
    first_reads = sum(kind == "w" and address >= 16 for kind, address, _ in accesses)
    assert found["reads"] == first_reads
    assert any("kept reading wrong until it was written again" in s for s in found["sentences"])


def test_no_intermittent_suspect_means_nothing_to_say() -> None:
    board = two_banks()
    log = log_of(board, _reads(turns=4))
    facts = {"address_bits": 16, "data_bits": 8, "tick_s": 1e-9}
    assert intermittence_of(board, log, [], **facts) == {}  # type: ignore[arg-type]
    assert intermittence_of(board, log, [_suspect(intermittent=False)], **facts) == {}  # type: ignore[arg-type]
    assert intermittence_of(board, log, [_suspect()], **facts) == {}  # type: ignore[arg-type]


def test_further_probable_suspects_are_described_too() -> None:
    board = two_banks()
    one, two = _now_and_then(5, lambda a: a >= 16, 7), _now_and_then(1, lambda a: a < 16, 9)
    log = log_of(board, _reads(), lambda a, d: two(a, one(a, d)))
    second = _suspect(rank=2, component="U1", region="bank0", lanes=("D1",), probability=0.8)
    third = _suspect(rank=3, component="U2", region="bank0", lanes=("D4",), probability=0.1)
    found = intermittence_of(board, log, [_suspect(), second, third], address_bits=16, data_bits=8, tick_s=1e-9)
    assert [other["component"] for other in found["others"]] == ["U1"]


def test_reading_the_log_again_gives_what_holding_it_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    accesses = _reads()
    held = _of(_suspect(), accesses, _now_and_then(5, lambda a: a >= 16, 7))
    monkeypatch.setattr("busledger.decoder.diagnosis.intermittence.occasions.ROWS_IN_MEMORY", 10)
    assert _of(_suspect(), accesses, _now_and_then(5, lambda a: a >= 16, 7)) == held


def test_for_an_address_fault_only_reads_whose_partner_held_other_data_count() -> None:
    """Cells 0 and 1 hold different data, 2 and 3 the same: A0 can show in reads of the first pair alone."""
    accesses: list[Access] = [("w", 0, 1), ("w", 1, 2), ("w", 2, 7), ("w", 3, 7)]
    accesses += [("r", k, (1, 2, 7, 7)[k]) for _ in range(30) for k in range(4)]
    turn = [0]

    def bend(address: int, data: int) -> int:
        turn[0] += 1
        return 2 if address == 0 and turn[0] % 20 == 1 else data

    stuck = _suspect(fault="address-stuck", component="U1", region="bank0", lanes=(), address_lines=("A0",))
    found = _of(stuck, accesses, bend)
    assert (found["reads"], found["failures"]) == (60, 6)
    shorted = _suspect(fault="address-bridged", component="U1", region="bank0", lanes=(), address_lines=("A0", "A1"))
    # Only addresses 1 and 2 differ in the two lines; both partners of each hold other data. Failures count always.
    assert _of(shorted, accesses, lambda a, d: bend(a, d))["reads"] == 60 + 6


def test_for_a_second_select_reads_count_in_both_regions_where_they_differ() -> None:
    accesses: list[Access] = [("w", 0, 1), ("w", 16, 2), ("w", 1, 7), ("w", 17, 7)]
    accesses += [("r", k, {0: 1, 16: 2, 1: 7, 17: 7}[k]) for _ in range(30) for k in (0, 16, 1, 17)]
    turn = [0]

    def bend(address: int, data: int) -> int:
        turn[0] += 1
        return 0 if address == 0 and turn[0] % 20 == 1 else data

    extra = _suspect(
        fault="select-extra", scope="decoder", component="U9", region="bank0", other_region="bank1", lanes=()
    )
    found = _of(extra, accesses, bend)
    assert (found["reads"], found["failures"]) == (60, 6)
