"""Faults judged on a few cells, many in one call: each as if it had been played alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from busledger.decoder.diagnosis.playing import play
from busledger.decoder.diagnosis.replay import few_cells, memory_kernel
from busledger.decoder.diagnosis.replay.few_cells import Focus
from busledger.decoder.diagnosis.replay.replay import Effect, PathRun, Tables, screened
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import PathFault

from .rows_of import study_of
from .small_cards import Access

BOTH, FIRST = (0, 1), (0,)
FAULTS = [
    *(PathFault("forced", (0, bit, level), 0xFF, FIRST) for bit in range(4) for level in (0, 1)),
    *(PathFault("joined", (0, 1, 3, high), 0x0F, FIRST) for high in (0, 1)),
    *(PathFault("forced-board", (bit, 0), 0xFF, BOTH) for bit in (0, 4, 11)),
    *(PathFault("joined-board", (2, 5, 0), mask, BOTH, floats=memory_kernel.KEPT_FROM_BUS) for mask in (0xFF, 0xF0)),
    *(PathFault("write-lost", (0,), 0xFF, FIRST, stores) for stores in range(7)),
    *(PathFault("silent", (0,), 0xFF, FIRST, floats=floats) for floats in range(5)),
    PathFault("extra", (0, 1), 0xFF, BOTH, joins=memory_kernel.NOBODY_KNOWS),
    PathFault("swapped", (0, 1), 0xFF, BOTH),
]


def _traffic() -> Study:
    """Random traffic on two banks, in which A3 has no contact now and then."""
    rng = np.random.default_rng(9)
    accesses: list[Access] = [
        ("w" if rng.random() < 0.4 else "r", int(rng.integers(0, 32)), int(rng.integers(0, 256))) for _ in range(900)
    ]
    held: dict[int, int] = {}
    seen = []
    for kind, cell, data in accesses:
        reached = cell & ~8 if rng.random() < 0.1 else cell
        if kind == "w":
            held[reached] = data
        else:
            seen.append(held.get(reached, 0xA5))
    reads = iter(seen)
    return study_of(accesses, lambda _, __: next(reads))


def _plain(effect: Effect) -> list[object]:
    return [np.asarray(value).tolist() for value in dataclasses.astuple(effect)]


@pytest.mark.parametrize("at_once", [1, 5, 256])
def test_of_all_cells_they_are_as_each_of_them_alone(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(few_cells, "_AT_ONCE", at_once)
    study = _traffic()
    rows = study.rows()
    focus = Focus(study, study.cells.identity)
    assert np.count_nonzero(rows.wrong) > 20
    for regions in (FIRST, BOTH):
        mine, members = screened(rows, regions), [f for f in FAULTS if f.regions == regions]
        found = focus.play(members, mine)
        assert list(found) == members
        for fault in members:
            run = PathRun(fault, Tables(study))
            run.feed(mine)
            assert [_plain(e) for e in found[fault]] == [_plain(e) for e in run.effects()], fault


def test_on_a_few_cells_they_are_as_in_calls_of_their_own() -> None:
    study = _traffic()
    rows = study.rows()
    few = np.unique(rows.cell[np.flatnonzero(rows.wrong)[:4]]).astype(np.int32)
    together = play(study, FAULTS, rows, few)
    assert set(together) == set(FAULTS)
    assert any(always.tally.hits for always, _ in together.values())
    for fault in FAULTS:
        (alone,) = play(study, [fault], rows, few).values()
        assert [_plain(e) for e in together[fault]] == [_plain(e) for e in alone], fault


def test_none_is_judged_on_cells_of_other_regions() -> None:
    study = _traffic()
    other = np.arange(study.cells.span(1).start, study.cells.span(1).start + 3, dtype=np.int32)
    found = play(study, [f for f in FAULTS if f.regions == FIRST], study.rows(), other)
    assert not any(effect.tally.hits or effect.tally.misses for pair in found.values() for effect in pair)
