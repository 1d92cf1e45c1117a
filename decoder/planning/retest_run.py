"""A saved check read leniently, and what in it was failing, counted the same way before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, assert_never

from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.diagnosis import KINDS, Looks
from busledger.decoder.text import plain

__all__ = ["Failing", "Run", "SavedSuspect", "failing_as", "failing_of", "run_of"]


class _Lenient(BaseModel):
    """Keys may be added to a result at any time, so unknown ones are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore", populate_by_name=True)


class _Capture(_Lenient):
    duration_s: float = Field(ge=0, allow_inf_nan=False)


class _Lane(_Lenient):
    lane: str
    compared: int = Field(ge=0)
    low_for_high: int = Field(ge=0)
    high_for_low: int = Field(ge=0)


class _Region(_Lenient):
    name: str
    reads_compared: int = Field(ge=0)
    mismatches: int = Field(ge=0)
    lanes: tuple[_Lane, ...] = ()


class SavedSuspect(_Lenient):
    """A suspect of a saved result; ``explains`` is None where a version of old has not said it."""

    fault: str
    component: str | None
    region: str | None
    lanes: tuple[str, ...] = ()
    address_lines: tuple[str, ...] = ()
    summary: str = ""
    other_region: str | None = None
    probability: float = Field(default=0.0, ge=0, le=1)
    explains: int | None = Field(default=None, ge=0)
    rate: float | None = Field(default=None, ge=0, le=1, allow_inf_nan=False)
    rate_95: tuple[float, float] | None = None


class _Part(_Lenient):
    component: str
    bad: float = Field(ge=0, le=1)


class Run(_Lenient):
    """What ``retest`` needs of a ``busledger.check/1``."""

    schema_: Literal["busledger.check/1"] = Field(alias="schema")
    capture: _Capture
    profile: str
    board: str | None = None
    regions: tuple[_Region, ...]
    mismatch_total: int = Field(ge=0)
    suspects: tuple[SavedSuspect, ...] = ()
    parts: tuple[_Part, ...] = ()
    coverage: dict[str, Any] = Field(default_factory=dict)
    intermittence: dict[str, Any] = Field(default_factory=dict)

    @property
    def bursty(self) -> bool:
        """Whether the failures were found to come in bursts."""
        return bool({"bursts over windows", "failures one after another"} & set(self._depends()))

    @property
    def rising(self) -> bool:
        """Whether the rate was found to rise with time."""
        return "time since the capture's start" in self._depends() and _number(self.intermittence, "trend", "z") > 0

    @property
    def spread(self) -> float:
        """How many times more the failures varied than independent ones would: the larger of the index of
        dispersion and the mean run of failures."""
        runs = _number(self.intermittence, "bursts", "runs_of_failures")
        failures = _number(self.intermittence, "failures")
        together = failures / runs if runs > 0 else 1.0
        return max(1.0, _number(self.intermittence, "bursts", "index_of_dispersion"), together)

    def _depends(self) -> list[str]:
        found = self.intermittence.get("depends", ())
        return [str(d.get("on")) for d in found if isinstance(d, Mapping)] if isinstance(found, list | tuple) else []


def _number(facts: Any, *keys: str) -> float:
    for key in keys:
        facts = facts.get(key) if isinstance(facts, Mapping) else None
    return float(facts) if isinstance(facts, int | float) and facts == facts else 0.0


def run_of(result: Any) -> Run:
    """``result`` as a Run; pydantic's ValidationError where it is no check."""
    return Run.model_validate(result)


@dataclass(frozen=True)
class Failing:
    """What failed: the first suspect's place, or, without a suspect, every compared read.

    ``counted`` says in words which accesses are eligible. ``rate`` and ``rate_95``: as ``check`` gave them, per
    chance; None where it gave none. They are what is shown: eligible accesses are only those that can be counted in
    both runs alike.
    """

    summary: str
    component: str | None
    fault: str
    region: str | None
    lanes: tuple[str, ...]
    address_lines: tuple[str, ...]
    other_region: str | None
    counted: str
    rate: float | None = None
    rate_95: tuple[float, float] | None = None

    def count(self, run: Run) -> tuple[int, int]:
        """(failures, eligible accesses) of this fault's place in a run."""
        failures = eligible = 0
        for region in run.regions:
            if self.region is None or region.name == self.region:
                one, of = self._in(region, _covered(run.coverage, region.name))
                failures += one
                eligible += of
        return failures, eligible

    def _in(self, region: _Region, covered: Mapping[str, Any]) -> tuple[int, int]:
        lanes = [lane for lane in region.lanes if lane.lane in self.lanes] if self.lanes else []
        looks = _looks(self.fault)
        if looks in (Looks.LOW, Looks.HIGH) and len(lanes) == 1:
            low = looks is Looks.LOW
            failures = lanes[0].low_for_high if low else lanes[0].high_for_low
            due = _lane(covered, lanes[0].lane).get("high" if low else "low")
            return failures, int(due) if isinstance(due, int) else lanes[0].compared
        failures = region.mismatches
        if lanes:  # a read that is wrong on several of them counts once, as far as sums can tell
            failures = min(failures, sum(lane.low_for_high + lane.high_for_low for lane in lanes))
        return failures, self._showing(region, covered, failures)

    def _showing(self, region: _Region, covered: Mapping[str, Any], failures: int) -> int:
        """Eligible accesses where coverage tells them apart from other compared reads; failures are among them."""
        looks = _looks(self.fault)
        if looks is Looks.ALIAS and self.address_lines:
            tested = [n for line in self.address_lines if isinstance(n := _line(covered, line).get("tested"), int)]
            if len(tested) == len(self.address_lines):
                return min(tested)
        if looks is Looks.BOTH and self.other_region is not None:
            told_from = covered.get("told_apart_from")
            if isinstance(told_from, Mapping):
                found = told_from.get(self.other_region, 0)
                return (found if isinstance(found, int) else 0) + failures
        return region.reads_compared


EVERYTHING = Failing("mismatches", None, "", None, (), (), None, "compared reads")


def _covered(coverage: Mapping[str, Any], region: str) -> Mapping[str, Any]:
    return _named(coverage.get("regions"), "name", region)


def _lane(covered: Mapping[str, Any], lane: str) -> Mapping[str, Any]:
    return _named(covered.get("lanes"), "lane", lane)


def _line(covered: Mapping[str, Any], line: str) -> Mapping[str, Any]:
    return _named(covered.get("address_lines"), "line", line)


def _named(rows: Any, key: str, name: str) -> Mapping[str, Any]:
    for row in rows if isinstance(rows, list | tuple) else ():
        if isinstance(row, Mapping) and row.get(key) == name:
            return row
    return {}


def failing_of(run: Run) -> Failing:
    """What was failing in the run before the repair: its first suspect's place if mismatches lie there, else all of
    them."""
    if not run.suspects:
        return EVERYTHING
    named = failing_as(run.suspects[0])
    return named if named.count(run)[0] else EVERYTHING


def failing_as(s: SavedSuspect) -> Failing:
    """What fails as this suspect says."""
    where = f" of {plain(s.region)}" if s.region else ""
    return Failing(
        plain(s.summary) or f"{KINDS[s.fault].short if s.fault in KINDS else plain(s.fault)}{where}",
        s.component,
        s.fault,
        s.region,
        s.lanes,
        s.address_lines,
        s.other_region,
        _counted(_looks(s.fault)).replace("reads", f"reads{where}", 1),
        s.rate,
        s.rate_95,
    )


def _looks(fault: str) -> Looks:
    """How a fault of a saved result looks in a read; one of a later version, unknown here, could look like anything."""
    return KINDS[fault].looks if fault in KINDS else Looks.ANYTHING


def _counted(looks: Looks) -> str:
    match looks:
        case Looks.LOW:
            return "reads that should be high"
        case Looks.HIGH:
            return "reads that should be low"
        case Looks.ALIAS:
            return "reads whose partner across the line held other data"
        case Looks.BOTH:
            return "reads while the other region held other data"
        case Looks.UNDRIVEN | Looks.JOINED | Looks.OLD | Looks.LOST | Looks.NOTHING | Looks.ANYTHING:
            return "compared reads"
        case _:
            assert_never(looks)
