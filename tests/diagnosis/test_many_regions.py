"""Cards of hundreds of regions: no pair of them is tried one by one, and the bad chips are named all the same."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis import diagnose
from busledger.decoder.diagnosis.faults.candidates import listed_faults, propose
from busledger.decoder.diagnosis.replay.likely_pairs import likely_pairs
from busledger.decoder.diagnosis.replay.study import Study

from .many_regions import evidence_of_regions


def test_the_bad_chips_of_256_regions_are_named_and_no_other() -> None:
    evidence = evidence_of_regions(256, {3: lambda d: d & ~np.uint32(2), 200: lambda d: d | np.uint32(0x40)})
    found = diagnose(evidence)
    assert {part.component for part in found.parts if part.bad >= 0.5} == {"U7", "U402"}
    assert sorted((s.component, s.fault, s.lanes) for s in found.suspects if s.probability >= 0.5) == [
        ("U402", "stuck-high", ("D6",)),
        ("U7", "stuck-low", ("D1",)),
    ]


def test_a_region_that_answers_for_another_is_among_the_few_pairs_that_are_played() -> None:
    """Region 41 reads as the AND of itself and what region 7, filled alike each time, holds at the same place."""
    other = evidence_of_regions(64, {}).log
    held = np.concatenate([cycles.data for cycles, _ in other.blocks()]).reshape(3, 2, 64, 16)[:, 0, 7]
    evidence = evidence_of_regions(64, {41: lambda d: d & held})
    study = Study(evidence)
    pairs = likely_pairs(study, study.rows())
    assert pairs is not None and pairs[0] == (7, 41) and len(pairs) <= 240
    chosen = listed_faults(study.card).shared({41: 0xFF}, pairs)
    assert [(c.region, c.other) for c in chosen if c.fault == "select-extra"].count((7, 41)) == 1


def test_what_is_listed_once_is_what_was_proposed_each_time() -> None:
    study = Study(evidence_of_regions(4, {}))
    for wrong in ({}, {0: 0xFF}, {1: 0x10, 2: 0x01}, dict.fromkeys(range(4), 255)):
        shared = [c for c in propose(study.card, wrong, {}) if c.scope != "chip"]
        found = listed_faults(study.card).shared(wrong)
        assert [c for c in found if c.scope != "chip"] == shared
        # A chip's own select is what other rows share with it: it may have spoilt what they gave.
        assert all(any(wrong.get(r, 0) & c.mask for r in c.reach) for c in found if c.scope == "chip")
    whole = [c for c in propose(study.card, {1: 0xFF}, {}) if c.scope == "chip" and c.component == "U3"]
    assert list(listed_faults(study.card).of_chip(1, "U3")) == whole
    assert likely_pairs(study, study.rows()) is None
