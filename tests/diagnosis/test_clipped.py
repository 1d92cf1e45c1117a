"""What clipped selects say at the very moments at which a fault should have acted."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.diagnosis.card import log_lost
from busledger.decoder.diagnosis.clipped import ClippedSelects, log_clipped
from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant
from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.paths import judged
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import Tally

from .rows_of import acting, candidate, laid_over, study_of

SLIP = math.log(1000.0)  # a settled line sampled wrong: clipped._SLIP
CS0, CS1 = 1, 2


def seen(rows: Rows, came: list[int], clipped: int = CS0 | CS1) -> Rows:
    """The rows with the selects that were active in each, ``clipped`` of them seen."""
    return replace(rows, selected=np.array(came, np.uint64), selects_seen=np.full(len(rows), clipped, np.uint64))


@pytest.fixture(scope="module")
def wrong_twice():
    """Two of three reads of bank 1 come back wrong; one of bank 0 does too."""
    return study_of([("w", 16, 0xFF), ("r", 16, 0), ("r", 16, 0), ("r", 16, 0xFF), ("w", 0, 0xFF), ("r", 0, 0)])


def missing(study):
    return acting(candidate(study, "select-missing", "decoder", component="U9", region=1), hard=False)


def test_a_select_that_was_away_in_every_wrong_read_is_convicted(wrong_twice):
    rows = seen(wrong_twice.rows(), [CS1, 0, 0, CS1, CS0, CS0])
    assert log_clipped(missing(wrong_twice), rows) == pytest.approx(2 * SLIP)


def test_a_select_that_was_there_in_the_wrong_reads_is_acquitted_without_a_cap(wrong_twice):
    rows = seen(wrong_twice.rows(), [CS1, CS1, CS1, CS1, CS0, 0])
    assert log_clipped(missing(wrong_twice), rows) == pytest.approx(-2 * SLIP)


def test_a_select_that_nobody_clipped_says_nothing(wrong_twice):
    rows = seen(wrong_twice.rows(), [0] * 6, clipped=CS0)
    assert log_clipped(missing(wrong_twice), rows) == 0.0


def extra(study, hits=0):
    fault = acting(candidate(study, "select-extra", "decoder", component="U9", region=0, other=1), hard=True)
    return replace(fault, effect=Effect(Tally(hits=hits), 0, (), np.zeros((64, 2), np.int64)))


def test_a_select_seen_to_come_for_another_region_speaks_for_it_each_time(wrong_twice):
    rows = seen(wrong_twice.rows(), [CS0 | CS1, CS0 | CS1, CS1, CS1, CS0, CS0])
    assert log_clipped(extra(wrong_twice), rows) == pytest.approx(2 * SLIP)


def test_a_select_that_kept_quiet_spoils_no_read(wrong_twice):
    rows = seen(wrong_twice.rows(), [CS1, CS1, CS1, CS1, CS0, CS0])
    assert log_clipped(extra(wrong_twice), rows) == pytest.approx(-2 * SLIP)  # two wrong reads in bank 1
    assert log_clipped(extra(wrong_twice, hits=5), rows) == pytest.approx(-5 * SLIP)  # five that it would explain


def test_a_held_select_is_charged_in_each_region_with_what_is_wrong_there(wrong_twice):
    """A third select that is held active at times came for all of bank 1: bank 0, for which it never came, has one
    wrong read, and nothing to do with the five of both banks."""
    extra = PathFault("extra", (0, 1, 2), 0xFF, (0, 1, 2))
    held = acting(Candidate("select-extra", "decoder", "U9", 2, 0xFF, (Variant(1.0, extra),)), hard=False)
    held = replace(held, effect=Effect(Tally(hits=5), 0, (), np.zeros((64, 2), np.int64)))
    rows = seen(wrong_twice.rows(), [CS1 | 4, CS1 | 4, CS1 | 4, CS1 | 4, CS0, CS0], CS0 | CS1 | 4)
    assert log_clipped(held, rows) == pytest.approx((4 - 1) * SLIP)


def test_what_is_gone_is_asked_once_for_all_ways_of_one_fault(wrong_twice, monkeypatch):
    rows, asked = seen(wrong_twice.rows(), [CS1, 0, 0, CS1, CS0, CS0]), []
    of_region = ClippedSelects._missing

    def missing_in(self, c, region):
        asked.append(region)
        return of_region(self, c, region)

    monkeypatch.setattr(ClippedSelects, "_missing", missing_in)
    clips = ClippedSelects(rows)
    assert [clips.log_of(missing(wrong_twice)) for _ in range(3)] == [pytest.approx(2 * SLIP)] * 3
    assert asked == [1]


def test_exchanged_selects_must_be_seen_on_both_lines(wrong_twice):
    fault = acting(candidate(wrong_twice, "select-swapped", "decoder", component="U9", region=0), hard=True)
    rows = wrong_twice.rows()
    assert log_clipped(fault, seen(rows, [CS0, CS0, CS0, CS0, CS1, CS1])) == pytest.approx(6 * SLIP)
    assert log_clipped(fault, seen(rows, [CS1, CS1, CS1, CS1, CS0, CS0])) == pytest.approx(-3 * SLIP)


def test_other_parts_are_not_asked(wrong_twice):
    chip = acting(candidate(wrong_twice, "dead", "chip", component="U3"), hard=True)
    assert log_clipped(chip, seen(wrong_twice.rows(), [0] * 6)) == 0.0


def test_a_select_that_was_away_in_the_write_lost_it_though_it_came_for_the_read(wrong_twice):
    """The write to bank 1 met no select; both wrong reads did."""
    rows = seen(wrong_twice.rows(), [0, CS1, CS1, CS1, CS0, 0])
    assert log_clipped(missing(wrong_twice), rows) == pytest.approx(2 * SLIP)


def test_what_another_memory_gave_by_its_clipped_select_no_chip_of_the_row_is_charged_with():
    """Bank 0's select comes for a read of bank 1: it does not give what that bank should hold, but no chip of bank 1
    did. The same read with bank 1's own select is theirs."""
    study = study_of([("w", 0, 1), ("w", 16, 2), ("r", 16, 2), ("w", 16, 3), ("r", 16, 0x5A)])
    swapped = acting(candidate(study, "select-swapped", "decoder", region=0, other=1), hard=False).excusing_none()
    rows = study.rows()
    assert np.flatnonzero(rows.wrong).tolist() == [4]
    overlay = FoundFault(swapped, study)
    for came, astray in ((CS0, 1), (CS1, 0)):
        left = laid_over(overlay, seen(rows, [CS0, CS1, CS1, CS1, came]))
        assert int(np.count_nonzero(left.wrong)) == 1 - astray
        assert overlay.astray == astray
        assert log_lost(overlay, 0xFF) == pytest.approx(-astray * math.log(255.0))


def test_an_extra_select_seen_on_its_line_leaves_the_chips_their_stuck_lane() -> None:
    """Both rows take the same writes, so that the select alone spoils no read: the lane that is always low is a
    chip's."""
    rng = np.random.default_rng(2)
    accesses = []
    for cell in rng.integers(16, 32, 60).tolist():
        data = int(rng.integers(0, 256))
        accesses += [("w", cell, data), ("r", cell, data)]
    study = study_of(accesses, lambda _, data: data & ~8)
    rows = seen(study.rows(), [CS0 | CS1] * len(accesses))
    select = candidate(study, "select-extra", "decoder", component="U9", region=0, other=1)
    found = judged(study, [select], study.survey([rows]), rows, (), None, rows)
    always = max((s for s in found if s.scored.hard), key=lambda s: s.log_weight)
    assert always.log_weight > max(s.log_weight for s in found if not s.scored.hard)
    left = laid_over(FoundFault(always.scored, study), rows)
    assert (left.wrong == rows.wrong).all() and rows.wrong.any()
