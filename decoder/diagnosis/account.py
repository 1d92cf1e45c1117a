"""What stands beside the suspects in a result: the parts cleared, the coverage, how failures come and go."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

from busledger.decoder.diagnosis.coverage.clearing import DATA_BUS, clear
from busledger.decoder.diagnosis.coverage.coverage import coverage_of
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.faults.kinds import ON_CARD
from busledger.decoder.diagnosis.intermittence.occasions import intermittence_of
from busledger.decoder.findings import Cleared, Suspect
from busledger.decoder.progress import Progress, silent

__all__ = ["LEAST_ACCUSED", "Account", "account_for"]

# A suspect less probable than this does not keep a part from being cleared: at one in fifty the reads that clear it
# say more than the suspicion (judged).
LEAST_ACCUSED = 0.02
LANE_FAULTS = frozenset(kind.name for kind in ON_CARD if kind.lanes_alone)


class Account(NamedTuple):
    """The contract's ``cleared``, ``coverage`` and ``intermittence``."""

    cleared: tuple[Cleared, ...]
    coverage: dict[str, Any]
    intermittence: dict[str, Any]


def account_for(evidence: Evidence, suspects: Sequence[Suspect], progress: Progress = silent) -> Account:
    """One pass over the access log for clearing and coverage (unless they were counted as it grew), one or two more
    for an intermittent suspect.

    Parts that a suspect accuses are not cleared: drivers not on the accused lanes, other parts not at all.
    """
    facts = evidence.profile_facts
    counter = evidence.coverage or _counted(evidence, progress)
    return Account(
        cleared=clear(counter, _accused(evidence, suspects)),
        coverage=coverage_of(counter),
        intermittence=intermittence_of(
            evidence.board,
            evidence.log,
            suspects,
            address_bits=facts.address_bits,
            data_bits=facts.data_bits,
            tick_s=evidence.tick_s,
        ),
    )


def _counted(evidence: Evidence, progress: Progress) -> CoverageCounter:
    facts = evidence.profile_facts
    counter = CoverageCounter(evidence.board, facts.address_bits, facts.data_bits, facts.unwired)
    done = 0
    for cycles, compared in evidence.log.blocks():
        counter.feed(cycles, compared)
        done += len(cycles)
        progress("clearing parts", done, len(evidence.log), "cycles")
    return counter


def _accused(evidence: Evidence, suspects: Sequence[Suspect]) -> dict[str, Collection[str]]:
    """Component → accused lanes, empty for all of them."""
    drivers = {DATA_BUS, *(buffer.designator for buffer in evidence.board.buffers)}
    accused: dict[str, set[str]] = {}
    entirely: set[str] = set()
    for suspect in suspects:
        name = DATA_BUS if suspect.scope == "bus" else suspect.component
        if name is None or suspect.probability < LEAST_ACCUSED:
            continue
        accused.setdefault(name, set()).update(suspect.lanes)
        if name not in drivers or suspect.fault not in LANE_FAULTS or not suspect.lanes:
            entirely.add(name)
    return {name: () if name in entirely else sorted(lanes) for name, lanes in accused.items()}
