"""What the clipped selects showed at each access: ``Compared.selected`` and ``Compared.selects_seen``."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import Cycles, load_profile
from busledger.decoder.checks import CheckFinding, SelectsCheck, SelectsSeen
from busledger.decoder.ledger import Compared
from tests.checks.bench import NS, capture, layout

LINES = ("RW", "PHI2", "CS0", "CS1")
PERIOD, RISE, FALL = 1000, 500, 1000  # a 1 MHz 6502: PHI2 is high in the second half of each cycle
SAMPLE = 10  # ns


def board() -> Board:
    rows = ("row0", 0x0000, "CS0"), ("row1", 0x0400, "CS1"), ("row2", 0x0800, None), ("shadow", 0x8000, "CS0")
    regions = tuple(
        Region(name=name, start=start, end=start + 0x3FF, kind="ram", select=select) for name, start, select in rows
    )
    return Board(path="", name="", bus="6502", regions=regions)


def watch(changes: list[tuple[int, dict[str, int]]], cycles: int = 1, block: int | None = None) -> Compared:
    """The columns for ``cycles`` cycles; a select is high (quiet) until ``changes`` (ns, levels) moves it."""
    profile = load_profile("6502")
    where = layout(profile, LINES)
    moves = {0: {"RW": 1, "CS0": 1, "CS1": 1}}
    for k in range(cycles):
        moves.setdefault(k * PERIOD + RISE, {}).update(PHI2=1)
        moves.setdefault(k * PERIOD + FALL, {}).update(PHI2=0)
    for t, levels in changes:
        moves.setdefault(t, {}).update(levels)
    rows = capture(where, sorted(moves.items()))
    made = Cycles.empty(cycles)
    made.time[:] = np.arange(1, cycles + 1) * PERIOD
    compared = Compared.empty(cycles)
    seen = SelectsSeen(board(), profile, where, NS, SAMPLE)
    step = block or len(rows)
    for start in range(0, len(rows), step):
        part = rows.slice(start, start + step)
        inside = (made.time >= part.time[0]) & (made.time <= part.time[-1])
        told = Compared.empty(int(inside.sum()))
        seen.fill(part, made.take(inside), told)
        compared.selected[inside], compared.selects_seen[inside] = told.selected, told.selects_seen
    return compared


def test_a_select_that_comes_is_seen_and_so_is_one_that_stays_away():
    told = watch([(200, {"CS0": 0}), (1100, {"CS0": 1})])
    assert told.selected[0] == 0b1001  # CS0 stands for row0 and for its shadow
    assert told.selects_seen[0] == 0b1011  # row2 has no select


@pytest.mark.parametrize(
    ("what", "moves"),
    [
        ("it went before the edge, further than two samples of skew", [(200, {"CS0": 0}), (970, {"CS0": 1})]),
        ("it came and went in the middle of the strobe", [(700, {"CS0": 0}), (710, {"CS0": 1})]),
        ("it came with the edge of the strobe's end", [(970, {"CS0": 0})]),
        ("a stray pulse at the moment looked at", [(980, {"CS0": 0}), (990, {"CS0": 1})]),
    ],
)
def test_what_is_neither_is_left_open(what, moves):
    told = watch(moves)
    assert told.selected[0] == 0, what
    assert told.selects_seen[0] == 0b0010, what


def test_channels_a_sample_apart_still_show_the_select_of_this_cycle():
    assert watch([(300, {"CS1": 0}), (990, {"CS1": 1})]).selected[0] == 0b0010
    # The select of the next cycle comes a sample early: this cycle's stays quiet.
    told = watch([(990, {"CS1": 0})])
    assert (told.selected[0], told.selects_seen[0]) == (0, 0b1011)


def test_any_division_into_blocks_gives_the_same():
    moves = [(200, {"CS0": 0}), (1150, {"CS0": 1, "CS1": 0}), (2100, {"CS1": 1})]
    whole = watch(moves, cycles=4)
    assert whole.selected.tolist() == [0b1001, 0b0010, 0, 0]
    for block in (1, 2, 3, 5):
        parts = watch(moves, cycles=4, block=block)
        np.testing.assert_array_equal(parts.selected, whole.selected)
        np.testing.assert_array_equal(parts.selects_seen, whole.selects_seen)


def test_where_a_region_is_divided_its_parts_have_its_select():
    told = watch([(200, {"CS0": 0}), (1100, {"CS0": 1})]).divided([0, 0, 1, 2, 2, 3])
    assert told.selected.tolist() == [0b100011]
    assert told.selects_seen.tolist() == [0b100111]


def told_missing(cycles: int, absent: set[int], comes: int = 200) -> list[CheckFinding]:
    """What ``selects`` says of CS0, which stays away in some reads of row0 and comes ``comes`` ns into the others."""
    profile = load_profile("6502")
    where = layout(profile, LINES)
    rows = []
    for k in range(cycles):
        start = {"PHI2": 0, "RW": 1, "CS1": 1} | ({"CS0": 1} if k in absent or comes > RISE else {})
        rows += [(k * PERIOD, start), (k * PERIOD + RISE, {"PHI2": 1})]
        if k not in absent:
            rows.append((k * PERIOD + comes, {"CS0": 0}))
    rows.append((cycles * PERIOD, {"PHI2": 0}))
    made = Cycles.empty(cycles)
    made.time[:], made.region[:] = np.arange(1, cycles + 1) * PERIOD, 0
    check = SelectsCheck(board(), profile, where, NS, SAMPLE)
    check.feed(capture(where, sorted(rows, key=lambda row: row[0])), made)
    return list(check.finish().findings)


@pytest.mark.parametrize(
    ("cycles", "absent", "weights"), [(200, 1, ["doubt"]), (200, 4, ["fault"]), (4000, 4, ["doubt"]), (4, 4, ["fault"])]
)
def test_how_often_a_select_must_stay_away(cycles, absent, weights):
    """Three cycles and two of a thousand are a fault; less may be a probe's, and a fault shows in the data anyway."""
    found = told_missing(cycles, set(range(0, cycles, cycles // absent)))
    assert [(f.code, f.weight, f.count, f.of) for f in found] == [("select-missing", weights[0], absent, cycles)]


@pytest.mark.parametrize(("comes", "codes"), [(700, []), (850, [("select-late", "note")]), (900, [])])
def test_a_select_that_comes_late_is_not_missing_and_no_fault(comes, codes):
    """Phase 2 is high from 500 to 1000 ns: the data says whether what is left of it is enough for the chip."""
    assert [(f.code, f.weight) for f in told_missing(100, set(), comes)] == codes
