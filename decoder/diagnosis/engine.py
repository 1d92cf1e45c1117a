"""The diagnosis: one fault after another, until what is left does not ask for one."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from busledger.decoder.diagnosis.account import account_for
from busledger.decoder.diagnosis.evidence import Diagnosis, Evidence
from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.next_steps import next_steps
from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.diagnosis.suspects import Slot, suspects_of
from busledger.decoder.diagnosis.weigh import Weighed, seen_by_checks, weigh
from busledger.decoder.findings import Cleared, Suspect
from busledger.decoder.progress import Progress, silent

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
    if study.evidence.all_agree and not seen_by_checks(study):
        return [], 0
    weighed = bench.weigh()
    if not weighed.scored:
        return [], weighed.survey.wrong
    if weighed.survey.wrong == 0:
        return [_Round(weighed.scored[0], weighed)], 0
    rounds, weighed = _begin(bench, weighed)
    while len(rounds) < _AT_MOST:
        new = [s for s in weighed.scored if not any(_same(s, r.chosen) for r in rounds)]
        best = max(new, key=lambda s: math.log(s.candidate.prior) + s.log_lenient, default=None)
        if best is None or not _pays(best, weighed):
            break
        rounds.append(_Round(_narrowest(best, weighed), weighed))
        progress("weighing suspects", len(rounds), None, "faults")
        weighed = bench.weigh([r.chosen for r in rounds])
    left = weighed.survey.wrong
    if len(rounds) > 1:
        left = _again(bench, rounds)
    return rounds, left


def _begin(bench: _Bench, weighed: Weighed) -> tuple[list[_Round], Weighed]:
    """The best single fault, or one half of a pair that explains the reads better.

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
        best = max((s for s in after.scored if not _same(s, start)), key=lambda s: s.log_posterior, default=None)
        if best is not None:
            value = max(value, _joint(bench, start, best))
        tried.append((value, start, after))
    _, start, after = max(tried, key=lambda item: item[0])
    return [_Round(start, weighed)], after


def _joint(bench: _Bench, start: Scored, best: Scored) -> float:
    """What a pair is worth: each half weighed with the other taken as given.

    What one hides of the other counts for neither, so a hard fault is not
    taken for one that comes and goes because another bends some of its reads.
    """
    value = _alone(start) + best.log_posterior + _second()
    if best.hard:
        again = bench.weigh([best])
        same = [s for s in again.scored if s.candidate.key == start.candidate.key]
        value = max([value, *(s.log_posterior + _alone(best) + _second() for s in same)])
    return value


def _narrowest(best: Scored, weighed: Weighed) -> Scored:
    """Of the candidates with the effect of ``best``, the one that reaches least, where that matters.

    A fault that leaves unknown contents behind explains whatever is read there: laid over the rows, one of the whole
    card would hide all else that is wrong.
    """
    effect = best.effect
    if not effect.tally.unsure_bits:
        return best
    alike = [
        s
        for s in weighed.scored
        if s.hard == best.hard and s.effect.hash_ == effect.hash_ and s.effect.tally == effect.tally
    ]
    return min([best, *alike], key=lambda s: (len(s.candidate.regions), s.candidate.mask.bit_count()))


def _same(one: Scored, two: Scored) -> bool:
    """Whether both are one fault of one part, seen twice."""
    a, b = one.candidate, two.candidate
    if (a.fault, a.scope, a.component, a.region, a.other, a.cell) != (
        b.fault, b.scope, b.component, b.region, b.other, b.cell,
    ):  # fmt: skip
        return False
    return bool(a.lanes & b.lanes) and (not a.lines or bool(set(a.lines) & set(b.lines)))


def _alone(scored: Scored) -> float:
    return math.log(scored.candidate.prior) + scored.log_own


def _second() -> float:
    return math.log(float(priors()["belief"]["second_fault"]))


def _halves(weighed: Weighed, single: Scored) -> list[Scored]:
    """Halves of the pairs that promise more than ``single`` alone, each as it fails in its pair.

    A hard half comes first: what it hides of the other is known exactly.
    """
    noise = weighed.noise
    pool = sorted(weighed.scored, key=lambda s: -(math.log(s.candidate.prior) + s.log_lenient))[:_POOL]
    both = [each for s in pool for each in (s, s.other) if each is not None and _shows(each)]
    found: dict[tuple[object, ...], tuple[float, Scored]] = {}
    for i, one in enumerate(both):
        for two in both[i + 1 :]:
            if one.candidate.key == two.candidate.key:
                continue
            left = max(0, noise.wrong - _shows(one) - _shows(two))
            value = _alone(one) + _alone(two) + _second() + noise.log_strays(left)
            start = one if (one.hard, one.covers) >= (two.hard, two.covers) else two
            where = (start.candidate.component, start.candidate.region, start.candidate.fault, start.hard)
            if value > single.log_posterior and value > found.get(where, (-math.inf, start))[0]:
                found[where] = (value, start)
    best = sorted(found.values(), key=lambda item: -item[0])[:_STARTS]
    return [start for _, start in best if start is not single]


def _shows(scored: Scored) -> int:
    """Wrong reads that it has a part in, though another fault may have hurt other lanes of them."""
    return max(scored.covers, scored.effect.tally.hits)


def _pays(best: Scored, weighed: Weighed) -> bool:
    """Whether one more fault explains enough of what is left to be worth assuming."""
    noise = weighed.noise._replace(lenient=True)
    return best.log_lenient + math.log(best.candidate.prior) + _second() > noise.log_strays(noise.wrong)


def _again(bench: _Bench, rounds: list[_Round]) -> int:
    """The swap pass: every fault against all candidates, the other faults given; one that the others make
    unnecessary goes."""
    for _ in range(2):
        changed = False
        for held in list(rounds):
            others = [r.chosen for r in rounds if r is not held]
            weighed = bench.weigh(others)
            best = next((s for s in weighed.scored if not any(_same(s, o) for o in others)), None)
            if best is None or not _pays(best, weighed):
                if len(rounds) > 1:
                    rounds.remove(held)
                    changed = True
                continue
            best = _narrowest(best, weighed)
            now, was = best, held.chosen
            changed |= (now.candidate.key, now.hard, now.variant) != (was.candidate.key, was.hard, was.variant)
            rounds[rounds.index(held)] = _Round(best, weighed)
        if not changed:
            break
    _merge(bench, rounds)
    return bench.weigh([r.chosen for r in rounds]).survey.wrong


def _merge(bench: _Bench, rounds: list[_Round]) -> None:
    """One fault further up the path in place of two that are alike, where it leaves no more unexplained."""
    left = bench.weigh([r.chosen for r in rounds]).survey.wrong
    for one, two in itertools.permutations(list(rounds), 2):
        kept = [r.chosen for r in rounds if r is not one and r is not two]
        effect = one.chosen.effect
        if effect.tally.unsure_bits:
            continue  # it would explain anything: see _narrowest
        for wide in one.weighed.scored:
            wider = len(wide.candidate.regions) > len(one.chosen.candidate.regions)
            if not wider or wide.effect.hash_ != effect.hash_ or wide.effect.tally != effect.tally:
                continue
            if bench.weigh([*kept, wide]).survey.wrong <= left:
                again = bench.weigh(kept)
                same = [s for s in again.scored if s.candidate.key == wide.candidate.key]
                if same:
                    rounds[:] = [r for r in rounds if r is not one and r is not two]
                    rounds.append(_Round(same[0], again))
                    return


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
