"""What the diagnosis is given, and what it gives back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple, Protocol

from busledger.decoder.board import Board
from busledger.decoder.bus.columns import Cycles
from busledger.decoder.checks import CheckKey, ProbesResult
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter
from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.coverage.traffic import TrafficCounter
from busledger.decoder.findings import Cleared, NextStep, Part, RegionCounts, Suspect
from busledger.decoder.ledger import Compared

__all__ = [
    "AccessesLike",
    "CheckEvidence",
    "CheckKey",
    "Diagnosis",
    "Evidence",
    "ProfileFacts",
]


class AccessesLike(Protocol):
    """The ledger's ``AccessLog``: rows in time order, as often as asked."""

    def __len__(self) -> int: ...
    def blocks(self) -> Iterator[tuple[Cycles, Compared]]: ...


class CheckEvidence(Protocol):
    """What clipped selects, drivers and timing say of the candidates.

    ``likelihood_ratios`` holds, per key, how much more probable the check's
    observation is under the candidates that the key names than without that
    fault. A ratio of 1 says nothing, 1000 is close to proof, 0.001 close to
    acquittal. ``sentences`` gives the words for a key, shown as evidence; ``cleared`` the
    parts that a check saw working.
    """

    @property
    def likelihood_ratios(self) -> Mapping[CheckKey, float]: ...
    @property
    def sentences(self) -> Mapping[CheckKey, str]: ...
    @property
    def cleared(self) -> Sequence[Cleared]: ...


class ProfileFacts(NamedTuple):
    """The widths of the bus in bits; ``unwired`` masks the address bits that no channel carries."""

    address_bits: int
    data_bits: int
    unwired: int = 0


@dataclass(frozen=True)
class Evidence:
    """Everything the diagnosis may look at.

    ``tick_s``: seconds a tick of the capture. ``checks`` may be None (nothing
    was clipped that a check could judge). ``clipped_lines``: lines that the
    capture carries. ``traffic``: counts over all transfers, inside the regions
    and out; None = not counted. ``coverage``: what the accesses of ``log`` proved, where
    it was counted as they came; None = count it from the log. ``all_agree``: no access of ``log`` was
    wrong in any way, so that only the checks can speak for a fault. ``signs``, ``probes``: what the lines and the
    channels did over the capture, None = not counted; ``exchanged``: two lines whose clips look exchanged, with the
    sentence that says so; ``channels``: what every channel of the file is called; ``assumed``: regions that
    the board file alone told from other memory, address lines not being clipped.
    """

    board: Board
    profile_facts: ProfileFacts
    counts: Sequence[RegionCounts]
    log: AccessesLike
    tick_s: float
    checks: CheckEvidence | None = None
    clipped_lines: frozenset[str] = frozenset()
    traffic: TrafficCounter | None = None
    coverage: CoverageCounter | None = None
    all_agree: bool = False
    signs: CaptureSigns | None = None
    probes: ProbesResult | None = None
    exchanged: tuple[tuple[str, str], str] | None = None
    channels: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()

    @cached_property
    def spoken(self) -> Mapping[tuple[str | None, str | None], Sequence[CheckKey]]:
        """The checks' keys by fault and scope."""
        found: dict[tuple[str | None, str | None], list[CheckKey]] = {}
        for key in self.checks.likelihood_ratios if self.checks is not None else ():
            found.setdefault((key[0], key[1]), []).append(key)
        return found


@dataclass(frozen=True)
class Diagnosis:
    """The result, in the contract's types; ``none_of_these`` is the probability
    that no fault of the list explains the mismatches."""

    suspects: tuple[Suspect, ...] = ()
    parts: tuple[Part, ...] = ()
    unexplained: int = 0
    cleared: tuple[Cleared, ...] = ()
    coverage: dict[str, Any] = field(default_factory=dict)
    next_steps: tuple[NextStep, ...] = ()
    intermittence: dict[str, Any] = field(default_factory=dict)
    none_of_these: float = 0.0
