"""Proof of repair: does a clean run after the repair show that the fault is gone, and if not, how much longer?

Had the fault stayed as it was, its k failures among m eligible accesses before
and the none among n after would be one lot of k failures that happened to fall
before: the chance is C(m, k) / C(m + n, k) (Fisher's exact test, one-sided;
R. A. Fisher, Statistical Methods for Research Workers, 5th ed., 1934, section 21.02).
At 5 % the repair is proved at 95 %. For many failures this is the well known
(1 - rate)**n; for few it does not trust the old rate further than it was known.
Failures in bursts count as fewer independent ones, and the run must also be long.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.diagnosis import clean_run_needed, clopper_pearson, rate_below
from busledger.decoder.errors import UsageError
from busledger.decoder.figures import NO_BREAK, between, count, odds, rarer_than
from busledger.decoder.findings import CheckResult, PartSince
from busledger.decoder.planning.became import chance_of_clean_run, headline, parts_since, saved_run, since_lines
from busledger.decoder.planning.retest_run import Failing, Run, failing_of, run_of

__all__ = ["Needed", "RetestAfter", "RetestBefore", "RetestResult", "retest"]

Verdict = Literal["proved-99", "proved-95", "not-yet", "still-failing"]
LEVELS = {95: 0.05, 99: 0.01}


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class RetestBefore(_Result):
    """What was failing. ``eligible``: accesses in which it would have shown, counted alike before and after.

    ``rate`` and ``rate_interval`` (95 %): as ``check`` gave them, per chance; of the eligible accesses, where it gave
    none.

    ``independent_failures``: failures that count as independent (fewer than ``failures`` where they came in bursts).
    """

    summary: str
    component: str | None
    fault: str
    region: str | None
    lanes: tuple[str, ...]
    failures: int
    eligible: int
    rate: float
    rate_interval: tuple[float, float]
    rate_method: str
    bursty: bool
    independent_failures: float
    duration_s: float


class RetestAfter(_Result):
    """The run after the repair. ``rate_below_95`` and ``_99``: the rate that it excludes (exact, one-sided)."""

    capture: str
    failures: int
    eligible: int
    duration_s: float
    rate_below_95: float
    rate_below_99: float
    other_mismatches: int


class Needed(_Result):
    """What a clean run must have at a level, and how much is missing; None where that cannot be said."""

    confidence: int
    eligible: int
    more_eligible: int
    seconds: float | None
    more_seconds: float | None


class RetestResult(_Result):
    """The answer of ``retest``; ``chance``: of a run this clean had nothing been repaired.

    ``parts``: what became of each part that either run names. Where more than one was named before, ``verdict`` and
    ``chance`` are those of the least proved; ``before``, ``after`` and ``needed`` are of the likeliest one's place.
    """

    schema_: Literal["busledger.retest/1"] = Field(default="busledger.retest/1", alias="schema")
    verdict: Verdict
    chance: float
    before: RetestBefore
    after: RetestAfter
    needed: tuple[Needed, ...]
    counted: str
    sentences: tuple[str, ...]
    parts: tuple[PartSince, ...] = ()

    @property
    def proved(self) -> bool:
        """Whether the repair is proved at 95 % or better."""
        return self.verdict.startswith("proved")

    def to_json(self) -> str:
        """The JSON text that ``retest --json`` prints."""
        return self.model_dump_json(by_alias=True, indent=2)


def retest(before: dict[str, Any], after: CheckResult) -> RetestResult:
    """Judge a run after a repair against the result saved before it.

    Parameters
    ----------
    before : the JSON object that ``check --json`` wrote before the repair
    after : the same check on the run after it

    Raises
    ------
    UsageError
        ``before`` is no result of ``check``, or nothing was failing in it.
    """
    old = saved_run(before)
    failing = failing_of(old)
    new = run_of(after.model_dump(by_alias=True, mode="json"))
    failures, eligible = failing.count(new)
    was = _before(old, failing)
    independent = was.independent_failures
    chance = 1.0 if failures else chance_of_clean_run(independent, was.eligible, eligible, old, new)
    needed = tuple(_needed(level, was, eligible, new, clean=not failures) for level in LEVELS)
    verdict: Verdict = (
        "still-failing" if failures else "proved-99" if chance <= 0.01 else "proved-95" if chance <= 0.05 else "not-yet"
    )
    parts = parts_since(old, new)
    together = headline(parts)
    if together:
        verdict, chance = _of_all(parts)
    now = RetestAfter(
        capture=after.capture.path,
        failures=failures,
        eligible=eligible,
        duration_s=new.capture.duration_s,
        rate_below_95=rate_below(eligible, 0.95, failures),
        rate_below_99=rate_below(eligible, 0.99, failures),
        other_mismatches=max(0, after.mismatch_total - failures),
    )
    if together:
        told = since_lines(parts)
        told[0] = f"{_OF_ALL[verdict]} {told[0]}"
        other = now.other_mismatches if all(part.state == "gone" for part in parts) else 0
    else:
        told = _sentences(verdict, was, now, needed, failing)
        told += [part.text for part in parts if part.state in ("new", "still-there")]
        other = now.other_mismatches
    told += _cautions(was, other, old, new)
    return RetestResult(
        verdict=verdict,
        chance=chance,
        before=was,
        after=now,
        needed=needed,
        counted=failing.counted,
        sentences=tuple(s.replace(NO_BREAK, " ") for s in told),
        parts=parts,
    )


_OF_ALL: dict[Verdict, str] = {
    "still-failing": "Not repaired.",
    "not-yet": "Not proved yet.",
    "proved-95": "Repair proved at 95 %.",
    "proved-99": "Repair proved at 99 %.",
}


def _of_all(parts: Sequence[PartSince]) -> tuple[Verdict, float]:
    """The verdict on several parts, and the chance of the one that is least proved."""
    were = [part for part in parts if part.state != "new"]
    if any(part.state == "still-there" or part.failures for part in were):
        return "still-failing", 1.0
    chance = max(1.0 if part.chance is None else part.chance for part in were)
    least = min(part.proved or 0 for part in were)
    return ("proved-99" if least == 99 else "proved-95" if least else "not-yet"), chance


def _before(old: Run, failing: Failing) -> RetestBefore:
    failures, eligible = failing.count(old)
    if failures == 0:
        raise UsageError(
            "nothing was failing in the result from before the repair",
            expected="a result with mismatches",
            hint="Give the result of the capture that showed the fault.",
        )
    eligible = max(eligible, failures)
    interval = clopper_pearson(failures, eligible)
    given = failing.rate is not None and failing.rate_95 is not None
    spread = old.spread if old.bursty else 1.0
    return RetestBefore(
        summary=failing.summary,
        component=failing.component,
        fault=failing.fault,
        region=failing.region,
        lanes=failing.lanes,
        failures=failures,
        eligible=eligible,
        rate=failing.rate if given and failing.rate is not None else failures / eligible,
        rate_interval=failing.rate_95 if given and failing.rate_95 is not None else (interval.low, interval.high),
        rate_method=interval.method,
        bursty=old.bursty,
        independent_failures=max(1.0, failures / spread),
        duration_s=old.capture.duration_s,
    )


def _needed(level: int, was: RetestBefore, eligible: int, new: Run, *, clean: bool) -> Needed:
    """A clean run at one level. After failures the whole of it is still to come, after another repair."""
    alpha = LEVELS[level]
    accesses = clean_run_needed(was.independent_failures, was.eligible, alpha)
    done, run_s = (eligible, new.capture.duration_s) if clean else (0, 0.0)
    pace = eligible / new.capture.duration_s if new.capture.duration_s > 0 else 0.0
    seconds = accesses / pace if pace > 0 else None
    if was.bursty:
        lasting = was.duration_s * (alpha ** (-1 / was.independent_failures) - 1)
        seconds = max(seconds, lasting) if seconds is not None else None
    return Needed(
        confidence=level,
        eligible=accesses,
        more_eligible=max(0, accesses - done),
        seconds=seconds,
        more_seconds=None if seconds is None else max(0.0, seconds - run_s),
    )


def _duration(seconds: float) -> str:
    for size, name in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.2g} {name}"
    return f"{seconds:.2g} s"


def _sentences(
    verdict: Verdict,
    was: RetestBefore,
    now: RetestAfter,
    needed: tuple[Needed, ...],
    failing: Failing,
) -> list[str]:
    said = [_verdict_sentence(verdict, was, now, failing.counted)]
    said.append(
        f"Before: {failing.summary.removesuffix(f', {odds(was.rate)}'.replace(NO_BREAK, ' '))}, {odds(was.rate)} "
        f"(95 % sure: {between(was.rate_interval)})."
    )
    said.append(f"To compare the runs: {count(was.failures)} of {count(was.eligible)} {failing.counted} were wrong.")
    if now.eligible and not now.failures:
        said.append(
            f"This run excludes that more than {rarer_than(now.rate_below_95)} of these still fail (95 % sure), "
            f"more than {rarer_than(now.rate_below_99)} (99 %)."
        )
    said += [_needed_sentence(n, now) for n in needed if n.more_eligible or n.more_seconds]
    return said


def _cautions(was: RetestBefore, other_mismatches: int, old: Run, new: Run) -> list[str]:
    said: list[str] = []
    if was.bursty:
        said.append(
            f"It came in bursts: {count(was.failures)} failures count as about {was.independent_failures:.2g} "
            "independent ones, so the run must also be long."
        )
    if old.rising:
        said.append("It rose as the machine ran: start the run cold and let it last at least as long as the first one.")
    if other_mismatches:
        said.append(f"{count(other_mismatches)} mismatches elsewhere in this run: run check on it.")
    if old.board != new.board or old.profile != new.profile:
        said.append(
            "The two runs name different boards or profiles: the comparison holds only if the card is the same."
        )
    return said


def _verdict_sentence(verdict: Verdict, was: RetestBefore, now: RetestAfter, counted: str) -> str:
    if verdict == "still-failing":
        return f"Not repaired: {count(now.failures)} of {count(now.eligible)} {counted} were wrong."
    if not now.eligible:
        return "Not proved: this run did not exercise what was failing."
    ran = f"{count(now.eligible)} {counted}, none wrong"
    if verdict == "not-yet":
        return f"Not proved yet: {ran}; too few for a fault that shows in {odds(was.rate)}."
    return f"Repair proved at {verdict[-2:]} %: {ran}."


def _needed_sentence(needed: Needed, now: RetestAfter) -> str:
    level = f"{needed.confidence} %"
    if now.failures:
        lasting = "" if needed.seconds is None else f", about {_duration(needed.seconds)} at this run's pace"
        return f"After the next repair {level} needs {count(needed.eligible)} such reads, none wrong{lasting}."
    lasting = "" if needed.more_seconds is None else f", about {_duration(needed.more_seconds)} at this run's pace"
    if needed.more_eligible:
        return f"For {level} it needs {count(needed.more_eligible)} more such reads, none wrong{lasting}."
    return f"For {level} it must run on without a failure{lasting.replace(', about', ' for about', 1)}."
