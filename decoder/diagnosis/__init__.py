"""From mismatches to a named part: faults are proposed, replayed and weighed."""

from .account import Account, account_for
from .clearing import clear
from .coverage import coverage_of
from .coverage_counter import CoverageCounter
from .engine import diagnose
from .evidence import CheckEvidence, CheckKey, Diagnosis, Evidence, ProfileFacts
from .listing import PossibleFault, possible_faults
from .occasions import intermittence_of
from .statistics import (
    Interval,
    accesses_needed,
    clean_run_chance,
    clean_run_needed,
    clopper_pearson,
    rate_below,
    wilson,
)
from .traffic import TrafficCounter

__all__ = [
    "Account",
    "CheckEvidence",
    "CheckKey",
    "CoverageCounter",
    "Diagnosis",
    "Evidence",
    "Interval",
    "PossibleFault",
    "ProfileFacts",
    "TrafficCounter",
    "accesses_needed",
    "account_for",
    "clean_run_chance",
    "clean_run_needed",
    "clear",
    "clopper_pearson",
    "coverage_of",
    "diagnose",
    "intermittence_of",
    "possible_faults",
    "rate_below",
    "wilson",
]
