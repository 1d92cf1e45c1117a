"""The main job: cycles, ledger, mismatches, suspects, in one pass over the capture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import KIND_NAMES, Kind
from busledger.decoder.capture import Note
from busledger.decoder.checks import (
    CheckSet,
    CheckSetResult,
    MixedClips,
    SelectsSeen,
    SwappedAddressClips,
    SwappedClips,
    SwappedLines,
    SwappedPair,
    skew_of,
)
from busledger.decoder.findings import (
    CaptureFinding,
    CheckResult,
    CycleCounts,
    NextStep,
    RegionCounts,
    Suspect,
    WarningFinding,
)
from busledger.decoder.ledger import AccessLog, Counter, TrafficMap
from busledger.decoder.pipeline.beside import Beside
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.following import ProgramAccount
from busledger.decoder.pipeline.gathered import Gathered
from busledger.decoder.pipeline.request import Request, region_map_of
from busledger.decoder.pipeline.run import Decoded, Run, open_run
from busledger.decoder.pipeline.stated import left_out
from busledger.decoder.progress import Progress, silent

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import CaptureSigns, Evidence

__all__ = [
    "Gathering",
    "capture_finding",
    "conclude",
    "conclude_after",
    "cycle_counts",
    "evidence_of",
    "gather",
    "outside_the_card",
    "run_check",
]

_NOTES_OF_A_KIND = 5  # more of one code word are summed up in one sentence


def run_check(
    request: Request, progress: Progress = silent, see: Callable[[Run, Decoded], None] | None = None
) -> CheckResult:
    """Decode, compare and diagnose one capture; ``see`` is shown every block as it passes, and changes nothing.

    Raises
    ------
    BusledgerError
        as ``open_run``; a hardware fault is a result, not an error.
    """
    run = open_run(request, progress)
    try:
        gathered = gather(run, None if see is None else partial(see, run))
        try:
            gathered = divide(gathered)
            return conclude(gathered, progress)
        finally:
            gathered.log.close()
    finally:
        run.file.close()


def gather(run: Run, tap: Callable[[Decoded], None] | None = None, *, time_everything: bool = False) -> Gathered:
    """One pass: count the cycles, keep the accesses that the ledger took.

    ``tap`` sees every decoded block as it passes; ``time_everything``: the timing of a board without graded chips too.
    """
    gathering = Gathering(run, time_everything=time_everything)
    # Two threads beside this one: whichever core is free takes the checks or the accounts of the last blocks.
    with Beside("checks") as checking, Beside("accounts") as accounting:
        for block in run.blocks():
            gathering.take(block, checking, accounting)
            if tap is not None:
                tap(block)
    return gathering.gathered()


class Gathering:
    """What is made of a run's blocks, one after the other: the accounts, and the checks' own state.

    Its state goes into a pickle while neither thread has work (``Beside.settle``); ``log`` keeps the accesses.
    """

    def __init__(self, run: Run, *, time_everything: bool = False, log: AccessLog | None = None) -> None:
        self._run, self._time_everything = run, time_everything
        self._accounts = _Accounts(run, log if log is not None else AccessLog(everywhere=not run.board_given))
        self._checks: CheckSet | None = None
        self._seen: SelectsSeen | None = None

    def take(self, block: Decoded, checking: Beside, accounting: Beside) -> None:
        """One block, in the order of time; both threads may still be at it when this returns."""
        run = self._run
        self._checks = self._checks or _checks_of(run, time_everything=self._time_everything)
        if run.board is not None:
            self._seen = self._seen or SelectsSeen(run.board, run.profile, run.layout, run.tick_fs, run.grid_ticks)
            self._seen.fill(block.levels, block.cycles, block.compared)
        checking.do(partial(self._checks.feed, block.levels, block.cycles, block.compared))
        accounting.do(partial(self._accounts.take, block))

    @property
    def counts(self) -> tuple[RegionCounts, ...]:
        """The regions' counts so far."""
        return self._accounts.counts

    def gathered(self) -> Gathered:
        """All of it, once the run has ended."""
        assert self._checks is not None  # a run gives at least its end
        return self._accounts.gathered(self._checks.finish(self._run.request.grade))


class _Accounts:
    """Everything that is counted or kept of the cycles of one run."""

    def __init__(self, run: Run, log: AccessLog) -> None:
        from busledger.decoder.diagnosis import CoverageCounter, TrafficCounter

        self._run = run
        self._signs: CaptureSigns | None = None
        self._kinds = np.zeros(len(Kind), np.int64)
        self._log = log
        self._counter = Counter(run.region_map)
        self._lanes = TrafficCounter(len(run.region_map.regions), run.profile.data_bits)
        self._touched = TrafficMap(tuple(run.profile.space(rule) for rule in range(len(run.profile.rules))))
        self._swapped = SwappedClips(run.region_map, run.profile)
        self._mixed: MixedClips | None = None
        self._selected: SwappedAddressClips | None = None
        self._coverage: CoverageCounter | None = None
        self._program = ProgramAccount(run)
        if run.board is not None:
            bits = (run.profile.address_bits, run.profile.data_bits)
            self._coverage = CoverageCounter(run.board, *bits, run.unwired)

    def take(self, block: Decoded) -> None:
        """One block, in the order of time."""
        run = self._run
        self._kinds += np.bincount(block.cycles.kind, minlength=len(Kind))
        cycles, compared = run.region_map.by_owner(block.cycles, block.compared)
        kept = self._log.append(cycles, compared)
        if kept is not None and self._coverage is not None:
            self._coverage.feed(*kept)
        self._lanes.feed(cycles)
        self._program.take(block)
        self._swapped.feed(block.cycles)
        self._signs = self._signs or _signs_of(run)
        self._signs.feed(block.levels, block.cycles)
        self._mixed = self._mixed or MixedClips(run.profile, run.layout, run.grid_ticks or 1.0)
        self._mixed.feed(block.levels, block.cycles)
        if run.board is not None:
            self._selected = self._selected or _selects_of(run, run.board)
            self._selected.feed(block.levels, block.cycles)
        if run.board_given:
            self._counter.feed(cycles, compared)
        else:
            outside = block.cycles.region < 0  # of what --ignore and --device name
            self._touched.feed(block.cycles if outside.all() else block.cycles.take(outside))

    @property
    def counts(self) -> tuple[RegionCounts, ...]:
        return self._counter.counts()

    def gathered(self, checked: CheckSetResult) -> Gathered:
        """All of it, beside what the checks found."""
        found = self._gathered(checked)
        found.program = self._program.finding()
        return found

    def _gathered(self, checked: CheckSetResult) -> Gathered:
        run = self._run
        if run.board is None:
            found = _with_inferred_regions(run, self._log, self._touched, self._kinds, checked)
            found.signs = self._signs
            pair = self._mixed.finish() if self._mixed is not None else None
            if pair is not None:
                found.notes = [*found.notes, Note("swapped-clips", pair.sentence())]
                found.exchanged = (pair.lines, pair.sentence())
            return found
        pair = self._pair()
        notes = [*run.notes(), *([Note("swapped-clips", pair.sentence())] if pair is not None else [])]
        return Gathered(
            run=run,
            board=run.board,
            region_map=run.region_map,
            counts=self._counter.counts(run.ledger.stories() if run.ledger is not None else ()),
            log=self._log,
            traffic=self._lanes,
            kinds=self._kinds,
            checks=checked,
            notes=notes,
            coverage=self._coverage,
            signs=self._signs,
            exchanged=(pair.lines, pair.sentence()) if pair is not None else None,
        )

    def _pair(self) -> SwappedPair | SwappedLines | None:
        """Two lines whose clips look exchanged, by a ROM's image, by the selects, or by when they move."""
        for one in (self._swapped, self._selected, self._mixed):
            pair = one.finish() if one is not None else None
            if pair is not None:
                return pair
        return None


def _signs_of(run: Run) -> CaptureSigns:
    from busledger.decoder.diagnosis import CaptureSigns

    return CaptureSigns(run.profile, run.layout, run.grid_ticks)


def _selects_of(run: Run, board: Board) -> SwappedAddressClips:
    skew = skew_of(run.grid_ticks, run.tick_fs)
    return SwappedAddressClips(board, run.profile, run.layout, max(1, skew))


def _checks_of(run: Run, *, time_everything: bool) -> CheckSet:
    board = run.board if run.board is not None else Board.from_regions("", (), bus=run.profile.name)
    common = (board, run.profile, run.layout, run.tick_fs, run.grid_ticks)
    return CheckSet(*common, time_everything=time_everything)


def _with_inferred_regions(
    run: Run, log: AccessLog, touched: TrafficMap, kinds: NDArray[np.int64], checked: CheckSetResult
) -> Gathered:
    """Sort the accesses into the regions that the traffic shows; those outside any stay counted as such."""
    from busledger.decoder.diagnosis import TrafficCounter

    regions = [
        Region(
            name=f"{found.start:04X}-{found.end:04X}",
            start=found.start,
            end=found.end,
            kind="ram",
            space=cast(Literal["memory", "program"], found.space),
            inferred=True,
        )
        for found in touched.runs()
    ]
    board = Board.from_regions(
        "", [*regions, *left_out(run.request.ignored, run.request.devices)], bus=run.profile.name
    )
    region_map = region_map_of(board.regions, run.profile)
    counter = Counter(region_map)
    lanes = TrafficCounter(len(board.regions), run.profile.data_bits)
    inside = AccessLog()
    for cycles, compared in log.blocks():
        region_map.locate(cycles, region_map.spaces(cycles))
        counter.feed(cycles, compared)
        lanes.feed(cycles)
        inside.append(cycles, compared)
    log.close()
    notes = run.notes()
    if not regions:
        notes.append(
            Note(
                "no-region",
                "no run of addresses was both written and read, so no memory can be judged: "
                "capture a memory test, or state a region with --region NAME=4000-43FF",
            )
        )
    return Gathered(run, board, region_map, counter.counts(), inside, lanes, kinds, checked, notes)


def _of_the_whole(suspect: Suspect, parents: Mapping[str, str]) -> Suspect:
    """A suspect of a part of a stated region carries the stated name; its summary still says which part."""
    if suspect.region is None or suspect.region not in parents:
        return suspect
    other = suspect.other_region
    detail = {**suspect.detail, "part": suspect.region}
    renamed = {"region": parents[suspect.region], "other_region": parents.get(other, other) if other else None}
    return suspect.model_copy(update={**renamed, "detail": detail})


def cycle_counts(kinds: NDArray[np.int64], rejected: int) -> CycleCounts:
    """The contract's sums: ``total`` leaves out idle and refresh."""
    by_kind = {KIND_NAMES[k]: int(n) for k, n in enumerate(kinds) if n}
    total = int(kinds.sum() - kinds[Kind.IDLE] - kinds[Kind.REFRESH])
    return CycleCounts(total=total, by_kind=by_kind, rejected=rejected)


def capture_finding(run: Run, notes: list[Note], checks: CheckSetResult | None = None) -> CaptureFinding:
    """The recording and what makes it less sure."""
    doubts = () if checks is None else checks.doubts
    grid = run.grid_ticks if run.grid_ticks is not None else 1.0
    return CaptureFinding(
        path=run.file.path,
        duration_s=run.duration_s,
        channels=len(run.file.header.signals),
        samples=run.rows,
        resolution_s=grid * run.tick_s,
        warnings=(*_warnings(notes), *doubts),
    )


def _warnings(notes: list[Note]) -> tuple[WarningFinding, ...]:
    shown: list[WarningFinding] = []
    seen: dict[str, int] = {}
    for note in notes:
        seen[note.code] = seen.get(note.code, 0) + 1
        if seen[note.code] <= _NOTES_OF_A_KIND:
            shown.append(WarningFinding(code=note.code, time_s=note.time_s, text=note.text))
    for code, times in seen.items():
        if times > _NOTES_OF_A_KIND:
            more = times - _NOTES_OF_A_KIND
            shown.append(WarningFinding(code=code, text=f"and {more} more of this kind ({code})"))
    return tuple(shown)


def _assumptions(run: Run) -> dict[str, Any]:
    """What the answer rests on beside the capture, for ``coverage``."""
    if not run.assumed:
        return {}
    unclipped = [f"A{bit}" for bit in range(run.profile.address_bits) if run.unwired >> bit & 1]
    return {"assumed_all_memory": {"regions": list(run.assumed), "not_clipped": unclipped}}


def evidence_of(gathered: Gathered) -> Evidence:
    """What the diagnosis may look at."""
    from busledger.decoder.diagnosis import Evidence, ProfileFacts

    run = gathered.run
    profile = run.profile
    return Evidence(
        board=gathered.board,
        profile_facts=ProfileFacts(profile.address_bits, profile.data_bits, run.unwired),
        counts=gathered.fine_counts or gathered.counts,
        log=gathered.log,
        tick_s=run.tick_s,
        checks=gathered.checks.evidence if gathered.checks is not None else None,
        clipped_lines=run.clipped,
        traffic=gathered.traffic,
        coverage=gathered.coverage,
        all_agree=gathered.log.all_agree,
        signs=gathered.signs,
        probes=gathered.checks.probes if gathered.checks is not None else None,
        exchanged=gathered.exchanged,
    )


def conclude(gathered: Gathered, progress: Progress = silent) -> CheckResult:
    """Weigh what was gathered and put it into the contract's words."""
    from busledger.decoder.diagnosis import (
        Diagnosis,
        capture_verdict,
        diagnose,
        not_judged,
        rival_warnings,
        rivals_unread,
        with_sure,
    )
    from busledger.decoder.diagnosis import refused_suspect as suspect_of

    run = gathered.run
    profile = run.profile
    rejected = 0 if run.extractor is None else run.extractor.rejected
    evidence = evidence_of(gathered)
    refused = capture_verdict(evidence)
    wrong = sum(region.mismatches for region in gathered.counts)
    warned: tuple[WarningFinding, ...] = ()
    if refused is None:
        found = diagnose(evidence, progress)
        unread = rivals_unread(evidence)
        found = replace(found, suspects=with_sure(found.suspects, unread, evidence.board.regions))
        told = {s.summary for s in found.suspects}
        doubts = gathered.checks.doubts if gathered.checks is not None else ()
        warned = rival_warnings([rival for rival in unread if rival.summary not in told], doubts)
        refused = not_judged(found.suspects, wrong)
        # Of a capture that cannot be judged no part is accused, and none cleared either.
        if refused is not None:
            found = Diagnosis(suspects=outside_the_card(found.suspects), unexplained=found.unexplained)
    else:
        found = Diagnosis(suspects=suspect_of(refused))
    steps = found.next_steps if refused is None else (NextStep(text=_sentence(refused.change)),)
    capture = capture_finding(run, gathered.notes, gathered.checks)
    result = CheckResult(
        capture=capture.model_copy(update={"warnings": (*capture.warnings, *warned)}),
        profile=profile.name,
        board=gathered.board.name or None,
        cycles=cycle_counts(gathered.kinds, rejected),
        regions=gathered.counts,
        mismatch_total=wrong,
        suspects=tuple(_of_the_whole(s, gathered.parents) for s in found.suspects),
        parts=found.parts,
        unexplained=found.unexplained,
        cleared=found.cleared,
        coverage={**found.coverage, **_assumptions(run)},
        next_steps=steps,
        intermittence=found.intermittence,
        checks=gathered.checks.summary() if gathered.checks is not None else {},
        judged=refused is None,
        not_judged_because=refused.reason if refused is not None else "",
        program=gathered.program,
    )
    return run.marks.said(result)


def conclude_after(gathering: Gathering, progress: Progress = silent) -> CheckResult:
    """The answer out of a run that has ended; its log is closed."""
    gathered = gathering.gathered()
    try:
        gathered = divide(gathered)
        return conclude(gathered, progress)
    finally:
        gathered.log.close()


def outside_the_card(suspects: Sequence[Suspect]) -> tuple[Suspect, ...]:
    """Those that are no parts of the card, ranked anew."""
    kept = [s for s in suspects if s.scope in ("clip", "machine")]
    return tuple(s.model_copy(update={"rank": rank, "tied_with": ()}) for rank, s in enumerate(kept, 1))


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:].rstrip(".") + "."
