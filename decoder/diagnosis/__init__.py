"""From mismatches to a named part: faults are proposed, replayed and weighed."""

from busledger.decoder.diagnosis.account import Account, account_for
from busledger.decoder.diagnosis.coverage.clearing import clear
from busledger.decoder.diagnosis.coverage.coverage import coverage_of
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter
from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.coverage.traffic import TrafficCounter
from busledger.decoder.diagnosis.engine import diagnose
from busledger.decoder.diagnosis.evidence import CheckEvidence, CheckKey, Diagnosis, Evidence, ProfileFacts
from busledger.decoder.diagnosis.faults import saying
from busledger.decoder.diagnosis.faults.kind import Kind, Looks
from busledger.decoder.diagnosis.faults.kinds import KINDS, ON_CARD, RIVALS
from busledger.decoder.diagnosis.faults.listing import PossibleFault, possible_faults
from busledger.decoder.diagnosis.intermittence.occasions import intermittence_of
from busledger.decoder.diagnosis.rivals import (
    TIED,
    CannotJudge,
    Rival,
    assumption_broken,
    capture_verdict,
    find_rivals,
    not_judged,
    refused_suspect,
    rival_first,
    rival_ties,
    rival_warnings,
    rivals_unread,
    together,
    with_sure,
)
from busledger.decoder.diagnosis.statistics import (
    Interval,
    clean_run_chance,
    clean_run_needed,
    clopper_pearson,
    rate_below,
)

__all__ = [
    "KINDS",
    "ON_CARD",
    "RIVALS",
    "TIED",
    "Account",
    "CannotJudge",
    "CaptureSigns",
    "CheckEvidence",
    "CheckKey",
    "CoverageCounter",
    "Diagnosis",
    "Evidence",
    "Interval",
    "Kind",
    "Looks",
    "PossibleFault",
    "ProfileFacts",
    "Rival",
    "TrafficCounter",
    "account_for",
    "assumption_broken",
    "capture_verdict",
    "clean_run_chance",
    "clean_run_needed",
    "clear",
    "clopper_pearson",
    "coverage_of",
    "diagnose",
    "find_rivals",
    "intermittence_of",
    "not_judged",
    "possible_faults",
    "rate_below",
    "refused_suspect",
    "rival_first",
    "rival_ties",
    "rival_warnings",
    "rivals_unread",
    "saying",
    "together",
    "with_sure",
]
