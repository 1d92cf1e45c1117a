"""A good run against a bad one: the first place where they part, and every later one, by cause.

The two are paired cycle by cycle on what the processor asked for (kind and
address, not data: data is what may differ). What stays without a partner is a
stretch where one run did something else.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.bus import KIND_NAMES, Cycles, Kind
from busledger.decoder.ledger import Compared, Verdict, actions
from busledger.decoder.planning.alignment import Alignment, align, comparable
from busledger.decoder.planning.match_program import MatchInstruction

__all__ = ["MatchGroup", "MatchPlace", "MatchResult", "Run", "match_runs"]

Cause = Literal["wrong-read", "other-read", "other-write", "unwritten", "other-path"]
CAUSES: dict[Cause, str] = {
    "wrong-read": "the read did not give what was written in its own run: memory, select or driver",
    "other-read": "the read differs, but is what its own run had written, or nothing says what it should be",
    "unwritten": "the cell had not been written in either run: what memory holds at power-up, or a device, not a fault",
    "other-write": "the processor wrote something else: it follows from an earlier difference",
    "other-path": "one run did what the other did not: the program went another way, or an interrupt came",
}
_CODES: tuple[Cause, ...] = ("wrong-read", "other-read", "other-write", "unwritten")
# What tells most comes first in the answer: a read that its own run contradicts is a fault, whenever it came; what
# memory held at power-up differs from run to run on a healthy card.
_TELLING: dict[Cause, int] = {"wrong-read": 0, "other-read": 1, "other-write": 1, "other-path": 1, "unwritten": 2}


class _Finding(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class MatchPlace(_Finding):
    """One place: cycle numbers and seconds in each run; None where the run has no such cycle.

    ``lanes`` are the data lanes that differ.
    """

    cause: Cause
    cycle_good: int | None
    cycle_bad: int | None
    time_good_s: float | None
    time_bad_s: float | None
    kind: str
    address: int
    region: str | None
    lanes: tuple[str, ...] = ()
    good: int | None = None
    bad: int | None = None
    cycles: int = 1


class MatchGroup(_Finding):
    """Places of one cause in one region on the same lanes."""

    cause: Cause
    meaning: str
    region: str | None
    lanes: tuple[str, ...]
    places: int
    first: MatchPlace


class MatchResult(_Finding):
    """``share``: paired cycles of the shorter run. ``places`` counts every difference; ``first`` is the earliest of
    them, ``telling`` the first that says most: a wrong read before all, power-up contents last."""

    schema_: Literal["busledger.match/1"] = Field(default="busledger.match/1", alias="schema")
    good: str
    bad: str
    cycles_good: int
    cycles_bad: int
    paired: int
    share: float
    places: int
    first: MatchPlace | None
    telling: MatchPlace | None = None
    groups: tuple[MatchGroup, ...]
    stretches: tuple[MatchPlace, ...]
    instruction: MatchInstruction | None = Field(default=None, description="the first instruction that differs")

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Run(BaseModel):
    """One decoded run: transfers only, with what the ledger said of them; ``number`` their cycle numbers."""

    model_config = ConfigDict(arbitrary_types_allowed=True, frozen=True)
    path: str
    cycles: Cycles
    compared: Compared
    tick_s: float
    address_bits: int
    data_bits: int
    region_names: tuple[str, ...]
    region_kinds: tuple[str, ...] = ()


_SHOWN = 50  # stretches listed one by one


def match_runs(good: Run, bad: Run) -> MatchResult:
    """Pair two runs and list where they part."""
    address = good.address_bits & bad.address_bits
    pairing = align(comparable(good.cycles, address, 0), comparable(bad.cycles, address, 0))
    data = np.uint32(good.data_bits & bad.data_bits)
    i, j = pairing.first, pairing.second
    differ = (good.cycles.data[i] ^ bad.cycles.data[j]) & data
    differ &= ~(good.cycles.data_unknown[i] | bad.cycles.data_unknown[j])
    at = np.flatnonzero(differ)
    causes = _causes(good, bad, i[at], j[at])
    groups = _groups(good, bad, i[at], j[at], differ[at], causes)
    stretches = _stretches(good, bad, pairing)
    candidates = [g.first for g in groups] + list(stretches)
    first = min(candidates, key=_order, default=None)
    if stretches:
        groups.append(
            MatchGroup(
                cause="other-path",
                meaning=CAUSES["other-path"],
                region=None,
                lanes=(),
                places=len(stretches),
                first=stretches[0],
            )
        )
    return MatchResult(
        good=good.path,
        bad=bad.path,
        cycles_good=len(good.cycles),
        cycles_bad=len(bad.cycles),
        paired=len(i),
        share=pairing.share,
        places=len(at) + len(stretches),
        first=first,
        telling=min(candidates, key=lambda place: (_TELLING[place.cause], *_order(place)), default=None),
        groups=tuple(sorted(groups, key=lambda g: _order(g.first))),
        stretches=tuple(stretches[:_SHOWN]),
    )


def _order(place: MatchPlace) -> tuple[float, float]:
    good = place.time_good_s if place.time_good_s is not None else float("inf")
    bad = place.time_bad_s if place.time_bad_s is not None else float("inf")
    return min(good, bad), good


def _causes(good: Run, bad: Run, good_rows: NDArray[np.int64], rows: NDArray[np.int64]) -> NDArray[np.uint8]:
    """Index into ``_CODES`` for each differing pair, from the bad run's side. A ROM's cells are never written."""
    causes = np.full(len(rows), 1, np.uint8)
    unwritten = (bad.compared.verdict[rows] == Verdict.UNKNOWN) & (good.compared.verdict[good_rows] == Verdict.UNKNOWN)
    for index, kind in enumerate(bad.region_kinds):
        unwritten &= (bad.cycles.region[rows] != index) | (kind == "ram")
    causes[unwritten] = 3
    causes[bad.compared.verdict[rows] == Verdict.MISMATCH] = 0
    writes = (actions(bad.cycles)[rows] == 2) | (bad.cycles.kind[rows] == Kind.IO_WRITE)
    causes[writes] = 2
    return causes


def _groups(
    good: Run,
    bad: Run,
    i: NDArray[np.int64],
    j: NDArray[np.int64],
    differ: NDArray[np.uint32],
    causes: NDArray[np.uint8],
) -> list[MatchGroup]:
    region = bad.cycles.region[j].astype(np.int64)
    # One group a cause, region and lane: a place with several wrong lanes counts in each.
    found = []
    for cause in range(len(_CODES)):
        for where in np.unique(region[causes == cause]).tolist():
            inside = (causes == cause) & (region == where)
            masks, first_at, counts = np.unique(differ[inside], return_index=True, return_counts=True)
            rows = np.flatnonzero(inside)
            for mask, at, count in zip(masks.tolist(), first_at.tolist(), counts.tolist(), strict=True):
                k = int(rows[at])
                place = _place(good, bad, int(i[k]), int(j[k]), _CODES[cause], mask)
                found.append(
                    MatchGroup(
                        cause=_CODES[cause],
                        meaning=CAUSES[_CODES[cause]],
                        region=place.region,
                        lanes=place.lanes,
                        places=count,
                        first=place,
                    )
                )
    return found


def _place(good: Run, bad: Run, i: int, j: int, cause: Cause, mask: int) -> MatchPlace:
    return MatchPlace(
        cause=cause,
        cycle_good=int(good.compared.index[i]),
        cycle_bad=int(bad.compared.index[j]),
        time_good_s=float(good.cycles.time[i] * good.tick_s),
        time_bad_s=float(bad.cycles.time[j] * bad.tick_s),
        kind=KIND_NAMES[bad.cycles.kind[j]],
        address=int(bad.cycles.address[j]),
        region=_region(bad, j),
        lanes=tuple(f"D{k}" for k in range(32) if mask >> k & 1),
        good=int(good.cycles.data[i]),
        bad=int(bad.cycles.data[j]),
    )


def _region(run: Run, row: int) -> str | None:
    index = int(run.cycles.region[row])
    return run.region_names[index] if index >= 0 else None


def _stretches(good: Run, bad: Run, pairing: Alignment) -> list[MatchPlace]:
    """Spans between pairs where either run has cycles of its own; before and after all pairs is no difference."""
    i, j = pairing.first, pairing.second
    if not len(i):
        return []
    found = []
    jumps = np.flatnonzero((np.diff(i) > 1) | (np.diff(j) > 1))
    for k in jumps.tolist():
        own_good, own_bad = int(i[k + 1] - i[k] - 1), int(j[k + 1] - j[k] - 1)
        at_good, at_bad = int(i[k]) + 1, int(j[k]) + 1
        found.append(_stretch(good, bad, at_good, at_bad, own_good, own_bad))
    rest_good, rest_bad = len(good.cycles) - int(i[-1]) - 1, len(bad.cycles) - int(j[-1]) - 1
    if min(rest_good, rest_bad) > 0:
        # Both go on, but not together any more.
        found.append(_stretch(good, bad, int(i[-1]) + 1, int(j[-1]) + 1, rest_good, rest_bad))
    return found


def _stretch(good: Run, bad: Run, at_good: int, at_bad: int, own_good: int, own_bad: int) -> MatchPlace:
    run, row = (bad, at_bad) if own_bad else (good, at_good)
    return MatchPlace(
        cause="other-path",
        cycle_good=int(good.compared.index[at_good]) if own_good else None,
        cycle_bad=int(bad.compared.index[at_bad]) if own_bad else None,
        time_good_s=float(good.cycles.time[at_good] * good.tick_s) if own_good else None,
        time_bad_s=float(bad.cycles.time[at_bad] * bad.tick_s) if own_bad else None,
        kind=KIND_NAMES[run.cycles.kind[row]],
        address=int(run.cycles.address[row]),
        region=_region(run, row),
        cycles=max(own_good, own_bad),
    )
