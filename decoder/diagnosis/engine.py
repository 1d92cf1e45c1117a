"""The diagnosis: one fault after another, until what is left does not ask for one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from decoder.findings import Cleared, Suspect
from decoder.progress import Progress, silent

from .account import account_for
from .candidate import priors
from .evidence import Diagnosis, Evidence
from .next_steps import next_steps
from .overlay import FoundFault
from .scoring import Scored
from .study import Study
from .suspects import Slot, suspects_of
from .weigh import Weighed, weigh
from .weighing import log_sum

__all__ = ["diagnose"]

_ACCUSED = 0.02
_AT_MOST = 3  # faults on one card
_POOL = 80  # candidates that pairs are made of
_STARTS = 4  # pairs replayed


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
    account = account_for(evidence, suspects, progress)
    return Diagnosis(
        suspects=suspects,
        unexplained=left,
        cleared=(*account.cleared, *_seen_working(evidence, suspects)),
        coverage=account.coverage,
        next_steps=next_steps(evidence, study.card, slots),
        intermittence=account.intermittence,
        none_of_these=none,
    )


def _seen_working(evidence: Evidence, suspects: Sequence[Suspect]) -> list[Cleared]:
    """Parts that the checks saw working, but for those that a suspect accuses all the same."""
    if evidence.checks is None:
        return []
    accused = {s.component for s in suspects if s.probability > _ACCUSED}
    return [one for one in evidence.checks.cleared if one.component not in accused]


class _Bench:
    """Weighs with given faults laid over, and remembers what it has weighed."""

    def __init__(self, study: Study) -> None:
        self._study = study
        self._held: dict[object, Weighed] = {}

    def weigh(self, given: Sequence[Scored] = ()) -> Weighed:
        """All candidates, with ``given`` taken as true."""
        key = frozenset((s.candidate.key, s.variant, s.hard, s.path) for s in given)
        if key not in self._held:
            self._held[key] = weigh(self._study, [FoundFault(s, self._study) for s in given])
        return self._held[key]


def _find(study: Study, progress: Progress) -> tuple[list[_Round], int]:
    """A good first fault or pair; more while they pay; then each is weighed again with the others given."""
    bench = _Bench(study)
    weighed = bench.weigh()
    if not weighed.scored:
        return [], weighed.survey.wrong
    if weighed.survey.wrong == 0:
        return [_Round(weighed.scored[0], weighed)], 0
    rounds, weighed = _begin(bench, weighed)
    while len(rounds) < _AT_MOST and weighed.scored:
        best = max(weighed.scored, key=lambda s: math.log(s.candidate.prior) + s.log_lenient)
        if not _pays(best, weighed):
            break
        rounds.append(_Round(best, weighed))
        progress("weighing suspects", len(rounds), None, "faults")
        weighed = bench.weigh([r.chosen for r in rounds])
    left = weighed.survey.wrong
    if len(rounds) > 1:
        left = _again(bench, rounds)
    return rounds, left


def _begin(bench: _Bench, weighed: Weighed) -> tuple[list[_Round], Weighed]:
    """The best single fault, or the larger half of a pair that explains the reads better.

    A single fault far up the path (a write line of the whole card) covers what
    two small ones do, at a poor rate. Pairs are compared by the sum of what
    each half explains, and the few best are replayed one on top of the other.
    """
    single = weighed.scored[0]
    starts = [single, *_halves(weighed, single)]
    tried = []
    for start in starts:
        after = bench.weigh([start])
        value = _alone(start) + after.noise.log_strays(after.survey.wrong)
        best = max(after.scored, key=lambda s: s.log_posterior, default=None)
        if best is not None:
            value = max(value, _alone(start) + best.log_posterior + _second())
        tried.append((value, start, after))
    _, start, after = max(tried, key=lambda item: item[0])
    return [_Round(start, weighed)], after


def _alone(scored: Scored) -> float:
    return math.log(scored.candidate.prior) + scored.log_own


def _second() -> float:
    return math.log(float(priors()["belief"]["second_fault"]))


def _halves(weighed: Weighed, single: Scored) -> list[Scored]:
    """First halves of the pairs that promise more than ``single`` alone."""
    noise = weighed.noise
    pool = sorted(weighed.scored, key=lambda s: -(math.log(s.candidate.prior) + s.log_lenient))[:_POOL]
    pool = [s for s in pool if s.covers]
    found: dict[tuple[object, ...], tuple[float, Scored]] = {}
    for i, one in enumerate(pool):
        for two in pool[i + 1 :]:
            left = max(0, noise.wrong - one.covers - two.covers)
            value = _alone(one) + _alone(two) + _second() + noise.log_strays(left)
            start = one if one.covers >= two.covers else two
            where = (start.candidate.component, start.candidate.region, start.candidate.fault)
            if value > single.log_posterior and value > found.get(where, (-math.inf, start))[0]:
                found[where] = (value, start)
    best = sorted(found.values(), key=lambda item: -item[0])[:_STARTS]
    return [start for _, start in best if start is not single]


def _pays(best: Scored, weighed: Weighed) -> bool:
    """Whether one more fault explains enough of what is left to be worth assuming."""
    noise = weighed.noise._replace(lenient=True)
    return best.log_lenient + math.log(best.candidate.prior) + _second() > noise.log_strays(noise.wrong)


def _again(bench: _Bench, rounds: list[_Round]) -> int:
    """The swap pass: every fault against all candidates, the other faults given."""
    for _ in range(2):
        changed = False
        for i, held in enumerate(rounds):
            weighed = bench.weigh([r.chosen for j, r in enumerate(rounds) if j != i])
            if not weighed.scored:
                continue
            best = weighed.scored[0]
            changed |= best.candidate.key != held.chosen.candidate.key
            rounds[i] = _Round(best, weighed)
        if not changed:
            break
    return bench.weigh([r.chosen for r in rounds]).survey.wrong


def _slot(held: _Round) -> Slot | None:
    """Posterior over one place of the set; None where "none of these" wins."""
    weighed = held.weighed
    logs = [s.log_posterior for s in weighed.scored]
    total = log_sum([*logs, weighed.log_none])
    none = math.exp(weighed.log_none - total)
    shares = [math.exp(value - total) for value in logs]
    if none > 0.5:
        return None
    return Slot(tuple(weighed.scored), tuple(shares), none)
