"""From mismatches to a named part: faults are proposed, replayed and weighed."""

from .engine import diagnose
from .evidence import CheckEvidence, CheckKey, Diagnosis, Evidence, ProfileFacts
from .traffic import TrafficCounter

__all__ = [
    "CheckEvidence",
    "CheckKey",
    "Diagnosis",
    "Evidence",
    "ProfileFacts",
    "TrafficCounter",
    "diagnose",
]
