"""Rows of hand-made traffic on the small card, as the diagnosis sees them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.faults.candidates import propose
from busledger.decoder.diagnosis.replay.replay import NOTHING
from busledger.decoder.diagnosis.replay.study import Overlay, Rows, Study
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.scoring import Scored

from .faulty_cards import Hardware, evidence_of
from .small_cards import Access, Bend, log_of, two_banks

BOTH = {0: 0xFF, 1: 0xFF}


def study_of(accesses: Sequence[Access], bend: Bend = lambda _, data: data) -> Study:
    """The study of a list of accesses; reads come back as ``bend`` says."""
    board = two_banks()
    return Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, accesses, bend), 1e-9))


def without_chips(study: Study) -> Story:
    """The story of the same traffic where the board file names regions and no chips."""
    board = study.evidence.board
    regions = tuple(replace(region, chips=()) for region in board.regions)
    return Story.of(Study(replace(study.evidence, board=replace(board, regions=regions))))


def study_on(hardware: Hardware, rounds: int = 6) -> Study:
    """The study of random fills of a card with faults."""
    return Study(evidence_of(hardware, rounds))


def candidate(study: Study, fault: str, scope: str, **wanted: object) -> Candidate:
    """The one listed fault that fits."""
    found = [c for c in propose(study.card, BOTH, {}) if (c.fault, c.scope) == (fault, scope)]
    (one,) = [c for c in found if all(getattr(c, name) == value for name, value in wanted.items())]
    return one


def acting(candidate: Candidate, *, hard: bool, way: int = 0) -> Scored:
    """A fault in one of its ways, before anything was counted."""
    return Scored(candidate, candidate.variants[way], hard, NOTHING)


def laid_over(overlay: Overlay, rows: Rows) -> Rows:
    """The rows with the overlay on them."""
    overlay.start()
    return overlay.feed(rows)
