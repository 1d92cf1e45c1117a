"""The diagnosis: one fault after another, until what is left does not ask for one."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import logsumexp

from decoder.progress import Progress, silent

from .candidates import priors
from .evidence import Diagnosis, Evidence
from .overlay import FoundFault
from .study import Study
from .suspects import Slot, suspects_of
from .weigh import Scored, Weighed, weigh

__all__ = ["diagnose"]

_AT_MOST = 3  # faults on one card


@dataclass
class _Round:
    """One place in the set of faults: what was weighed with all the others taken as given."""

    chosen: Scored
    weighed: Weighed


def diagnose(evidence: Evidence, progress: Progress = silent) -> Diagnosis:
    """Name the faulty parts that the capture's mismatches speak of.

    Raises
    ------
    OutputError
        the access log's temporary file cannot be read back.
    """
    study = Study(evidence)
    progress("weighing suspects", 0, None, "faults")
    rounds, left = _find(study, progress)
    slots = [slot for slot in map(_slot, rounds) if slot is not None]
    suspects = suspects_of(study, slots)
    if rounds and not slots:
        left = rounds[0].weighed.survey.wrong
    none = max((slot.none for slot in slots), default=1.0 if rounds or left else 0.0)
    return Diagnosis(suspects=suspects, unexplained=left, none_of_these=none)


def _find(study: Study, progress: Progress) -> tuple[list[_Round], int]:
    """Greedy addition; then each fault is weighed again with the others given."""
    rounds: list[_Round] = []
    while True:
        weighed = weigh(study, [FoundFault(r.chosen, study.cells) for r in rounds])
        left = weighed.survey.wrong
        if not weighed.scored or len(rounds) == _AT_MOST:
            break
        best = max(weighed.scored, key=lambda s: math.log(s.candidate.prior) + s.log_lenient)
        if rounds and not _pays(best, weighed):
            break
        rounds.append(_Round(best, weighed))
        progress("weighing suspects", len(rounds), None, "faults")
    if len(rounds) > 1:
        left = _again(study, rounds, left)
    return rounds, left


def _pays(best: Scored, weighed: Weighed) -> bool:
    """Whether one more fault explains enough of what is left to be worth assuming."""
    noise = weighed.noise._replace(lenient=True)
    price = math.log(float(priors()["belief"]["second_fault"])) + math.log(best.candidate.prior)
    return best.log_lenient + price > noise.log_strays(noise.wrong)


def _again(study: Study, rounds: list[_Round], left: int) -> int:
    """The swap pass: every fault against all candidates, the other faults given."""
    for _ in range(2):
        changed = False
        for i, held in enumerate(rounds):
            others = [FoundFault(r.chosen, study.cells) for j, r in enumerate(rounds) if j != i]
            weighed = weigh(study, others)
            if not weighed.scored:
                continue
            best = weighed.scored[0]
            changed |= best.candidate.key != held.chosen.candidate.key
            rounds[i] = _Round(best, weighed)
        if not changed:
            break
    return weigh(study, [FoundFault(r.chosen, study.cells) for r in rounds]).survey.wrong


def _slot(held: _Round) -> Slot | None:
    """Posterior over one place of the set; None where "none of these" wins."""
    weighed = held.weighed
    logs = [s.log_posterior for s in weighed.scored]
    total = float(logsumexp([*logs, weighed.log_none]))
    none = math.exp(weighed.log_none - total)
    shares = [math.exp(value - total) for value in logs]
    if none > 0.5:
        return None
    return Slot(tuple(weighed.scored), tuple(shares), none)
