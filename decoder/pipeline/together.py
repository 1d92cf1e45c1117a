"""Captures decoded one by one, and weighed once more as one body of evidence.

Between captures anything may have been written, so each has a ledger of its
own; what the ledgers took is laid one behind the other on a joint clock.
"""

from __future__ import annotations

import pickle
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Cycles
from busledger.decoder.diagnosis import (
    CheckKey,
    Diagnosis,
    Evidence,
    ProfileFacts,
    TrafficCounter,
    diagnose,
    not_judged,
)
from busledger.decoder.findings import (
    CaptureFinding,
    CheckResult,
    Cleared,
    CycleCounts,
    LaneCounts,
    NextStep,
    RegionCounts,
)
from busledger.decoder.ledger import AccessLog, Compared
from busledger.decoder.pipeline.check import conclude, outside_the_card
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.gathered import Gathered
from busledger.decoder.pipeline.gathering import gather
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import FS, Run, open_run
from busledger.decoder.progress import Progress

__all__ = ["Part", "Placed", "decode_part", "weigh_together"]

_MOST_TICKS = 1 << 60  # of the joint clock: hours in femtoseconds would pass 64 bits
_SURE = 1e9  # a product of likelihood ratios beyond this says no more


@dataclass
class Part:
    """What one capture left: its own result, and the accesses in ``rows``, a file of pickled blocks.

    ``first_tick`` in ticks of ``tick_fs``; ``listed``: cycles that have a number in its list.
    """

    result: CheckResult
    rows: str
    tick_fs: int
    first_tick: int
    counts: tuple[RegionCounts, ...]
    traffic: TrafficCounter
    kinds: NDArray[np.int64]
    clipped: frozenset[str]
    unwired: int
    ratios: Mapping[CheckKey, float]
    sentences: Mapping[CheckKey, str]
    cleared: tuple[Cleared, ...]

    @property
    def listed(self) -> int:
        return int(self.kinds.sum())


@dataclass(frozen=True)
class Placed:
    """A part with its path and its start on the joint clock, seconds."""

    path: str
    part: Part
    start_s: float


def decode_part(request: Request, rows: str) -> Part:
    """Decode and judge one capture; its accesses go to the file ``rows``.

    Raises
    ------
    BusledgerError
        as ``run_check``.
    """
    run = open_run(request)
    try:
        gathered = gather(run)
        try:
            with Path(rows).open("wb") as out:
                for block in gathered.log.blocks():
                    pickle.dump(block, out, protocol=pickle.HIGHEST_PROTOCOL)
            whole = gathered
            gathered = divide(gathered)
            result = conclude(gathered)
        finally:
            gathered.log.close()
    finally:
        run.file.close()
    evidence = whole.checks.evidence if whole.checks is not None else None
    return Part(
        result=result,
        rows=rows,
        tick_fs=run.tick_fs,
        first_tick=run.first_tick or 0,
        counts=whole.counts,
        traffic=whole.traffic,
        kinds=whole.kinds,
        clipped=run.clipped,
        unwired=run.unwired,
        ratios=dict(evidence.likelihood_ratios) if evidence is not None else {},
        sentences=dict(evidence.sentences) if evidence is not None else {},
        cleared=tuple(evidence.cleared) if evidence is not None else (),
    )


def weigh_together(request: Request, placed: Sequence[Placed], progress: Progress) -> CheckResult:
    """One more weighing over the accesses of all captures, in time order."""
    run = open_run(replace(request, capture=placed[0].path))
    run.file.close()
    gathered, tick_s = _gathered(run, placed)
    unwired = 0
    for one in placed:
        unwired |= one.part.unwired
    try:
        gathered = divide(gathered)
        found = diagnose(
            Evidence(
                board=gathered.board,
                profile_facts=ProfileFacts(run.profile.address_bits, run.profile.data_bits, unwired),
                counts=gathered.fine_counts or gathered.counts,
                log=gathered.log,
                tick_s=tick_s,
                checks=_checks([one.part for one in placed]),
                clipped_lines=frozenset.intersection(*(one.part.clipped for one in placed)),
                traffic=gathered.traffic,
            ),
            progress,
        )
    finally:
        gathered.log.close()
    results = [one.part.result for one in placed]
    refused = not_judged(found.suspects, sum(region.mismatches for region in gathered.counts))
    if refused is not None:
        steps = (NextStep(text=refused.change),)
        found = Diagnosis(suspects=outside_the_card(found.suspects), unexplained=found.unexplained, next_steps=steps)
    # A capture that could not be judged by itself spoils the whole: its reads lie in it.
    alone = next((r.not_judged_because for r in results if not r.judged), "")
    joint = results[0].model_copy(
        update={
            "capture": _captures(results),
            "cycles": _cycles(results),
            "regions": gathered.counts,
            "mismatch_total": sum(region.mismatches for region in gathered.counts),
            "suspects": found.suspects,
            "unexplained": found.unexplained,
            "cleared": found.cleared,
            "coverage": found.coverage,
            "next_steps": found.next_steps,
            "intermittence": found.intermittence,
            "checks": {},
            "parts": found.parts,
            "judged": refused is None and all(r.judged for r in results),
            "not_judged_because": refused.reason if refused is not None else alone,
        }
    )
    return run.marks.said(joint)


def _gathered(run: Run, placed: Sequence[Placed]) -> tuple[Gathered, float]:
    """All parts in one log; also the seconds of a tick of the joint clock."""
    board = run.board
    assert board is not None  # the caller made sure that regions are stated
    tick_fs = _joint_tick(placed)
    log, listed = AccessLog(), 0
    traffic = TrafficCounter(len(board.regions), run.profile.data_bits)
    kinds = np.zeros_like(placed[0].part.kinds)
    for one in placed:
        part = one.part
        begin = round(one.start_s / (tick_fs * FS))
        for cycles, compared in _rows(part.rows):
            since = (cycles.time - part.first_tick) * (part.tick_fs / tick_fs)
            cycles.time[:] = begin + np.rint(since).astype(np.int64)
            compared.index += listed
            compared.writer[compared.writer >= 0] += listed
            log.append(cycles, compared)
        listed += part.listed
        kinds += part.kinds
        traffic.high += part.traffic.high
        traffic.low += part.traffic.low
        traffic.differ += part.traffic.differ
        traffic.values |= part.traffic.values
    counts = _summed([one.part.counts for one in placed])
    return Gathered(run, board, run.region_map, counts, log, traffic, kinds), tick_fs * FS


def _joint_tick(placed: Sequence[Placed]) -> int:
    """Femtoseconds of a tick: the finest of the captures, coarser where the whole span would not fit 61 bits."""
    tick = min(one.part.tick_fs for one in placed)
    span_s = max(one.start_s + one.part.result.capture.duration_s for one in placed)
    while span_s / (tick * FS) > _MOST_TICKS:
        tick *= 10
    return tick


def _rows(path: str) -> Iterator[tuple[Cycles, Compared]]:
    with Path(path).open("rb") as file:
        while True:
            try:
                yield pickle.load(file)  # written a moment ago by our own worker, in our own folder
            except EOFError:
                return


def _summed(each: Sequence[tuple[RegionCounts, ...]]) -> tuple[RegionCounts, ...]:
    """The same regions, counts added."""
    found = []
    for regions in zip(*each, strict=True):
        lanes = [
            LaneCounts(
                lane=same[0].lane,
                compared=sum(lane.compared for lane in same),
                low_for_high=sum(lane.low_for_high for lane in same),
                high_for_low=sum(lane.high_for_low for lane in same),
            )
            for same in zip(*(region.lanes for region in regions), strict=True)
        ]
        numbers = {
            name: sum(getattr(region, name) for region in regions)
            for name in (
                "writes", "reads", "reads_compared", "mismatches", "reads_unknown", "reads_stale", "reads_disagree",
                "reads_ambiguous",
            )
        }  # fmt: skip
        found.append(regions[0].model_copy(update={**numbers, "lanes": tuple(lanes)}))
    return tuple(found)


@dataclass(frozen=True)
class _Checks:
    """The checks of all captures: each looked at other traffic, so their ratios multiply."""

    likelihood_ratios: Mapping[CheckKey, float]
    sentences: Mapping[CheckKey, str]
    cleared: Sequence[Cleared]


def _checks(parts: Sequence[Part]) -> _Checks:
    ratios: dict[CheckKey, float] = {}
    sentences: dict[CheckKey, str] = {}
    for part in parts:
        for key, ratio in part.ratios.items():
            ratios[key] = min(max(ratios.get(key, 1.0) * ratio, 1 / _SURE), _SURE)
        for key, sentence in part.sentences.items():
            sentences.setdefault(key, sentence)
    # Seen working means in every capture.
    often = Counter((c.component, c.lanes) for part in parts for c in part.cleared)
    cleared = [c for c in parts[0].cleared if often[c.component, c.lanes] == len(parts)]
    return _Checks(ratios, sentences, cleared)


def _captures(results: Sequence[CheckResult]) -> CaptureFinding:
    return results[0].capture.model_copy(
        update={
            "path": f"{len(results)} captures",
            "duration_s": sum(r.capture.duration_s for r in results),
            "samples": sum(r.capture.samples for r in results),
            "warnings": tuple(warning for r in results for warning in r.capture.warnings),
        }
    )


def _cycles(results: Sequence[CheckResult]) -> CycleCounts:
    by_kind: dict[str, int] = {}
    for result in results:
        for kind, count in result.cycles.by_kind.items():
            by_kind[kind] = by_kind.get(kind, 0) + count
    return CycleCounts(
        total=sum(r.cycles.total for r in results),
        by_kind=by_kind,
        rejected=sum(r.cycles.rejected for r in results),
    )
