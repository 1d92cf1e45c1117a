"""Innocent explanations that compete with the faults of the card, before a part is accused."""

from busledger.decoder.diagnosis.rivals.find import find_rivals
from busledger.decoder.diagnosis.rivals.noise import rings_at_all
from busledger.decoder.diagnosis.rivals.rival import CannotJudge, Rival
from busledger.decoder.diagnosis.rivals.sampling import capture_verdict
from busledger.decoder.diagnosis.rivals.standing import (
    TIED,
    assumption_broken,
    not_judged,
    refused_suspect,
    rival_first,
    rival_ties,
    rival_warnings,
    rivals_unread,
    suspect_of,
    together,
    with_sure,
)

__all__ = [
    "TIED",
    "CannotJudge",
    "Rival",
    "assumption_broken",
    "capture_verdict",
    "find_rivals",
    "not_judged",
    "refused_suspect",
    "rings_at_all",
    "rival_first",
    "rival_ties",
    "rival_warnings",
    "rivals_unread",
    "suspect_of",
    "together",
    "with_sure",
]
