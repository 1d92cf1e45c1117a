"""Innocent explanations that compete with the faults of the card, before a part is accused."""

from busledger.decoder.diagnosis.rivals.find import find_rivals
from busledger.decoder.diagnosis.rivals.rival import CannotJudge, Rival
from busledger.decoder.diagnosis.rivals.sampling import capture_verdict
from busledger.decoder.diagnosis.rivals.standing import (
    not_judged,
    refused_suspect,
    rival_first,
    rival_warnings,
    rivals_unread,
    suspect_of,
    with_sure,
)

__all__ = [
    "CannotJudge",
    "Rival",
    "capture_verdict",
    "find_rivals",
    "not_judged",
    "refused_suspect",
    "rival_first",
    "rival_warnings",
    "rivals_unread",
    "suspect_of",
    "with_sure",
]
