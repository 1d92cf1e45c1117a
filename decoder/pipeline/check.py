"""The main job: what one pass over a capture gathered, weighed, and put into the contract's words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import KIND_NAMES, Kind
from busledger.decoder.capture import Note
from busledger.decoder.checks import CheckSetResult, Grounds
from busledger.decoder.findings import (
    CaptureFinding,
    CheckResult,
    CycleCounts,
    NextStep,
    Suspect,
    WarningFinding,
)
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.doubts import checks_held, doubts_about, selects_unseen
from busledger.decoder.pipeline.gathered import Gathered
from busledger.decoder.pipeline.gathering import Gathering, gather
from busledger.decoder.pipeline.refusing import refused_capture
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import Decoded, Run, open_run
from busledger.decoder.progress import Progress, silent

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import Diagnosis, Evidence

__all__ = [
    "capture_finding",
    "conclude",
    "conclude_after",
    "cycle_counts",
    "evidence_of",
    "outside_the_card",
    "run_check",
]

_SURE = 0.95  # of what is wrong
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
        channels=tuple(signal.name for signal in run.file.header.signals),
        assumed=run.assumed,
    )


def conclude(gathered: Gathered, progress: Progress = silent) -> CheckResult:
    """Weigh what was gathered and put it into the contract's words."""
    from busledger.decoder.diagnosis import (
        Diagnosis,
        assumption_broken,
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
    refused = refused_capture(gathered, evidence)
    wrong = sum(region.mismatches for region in gathered.counts)
    warned: tuple[WarningFinding, ...] = ()
    if refused is None:
        found = diagnose(evidence, progress)
        unread = rivals_unread(evidence)
        found = replace(found, suspects=with_sure(found.suspects, unread, evidence.board.regions))
        told = {s.summary for s in found.suspects}
        doubts = gathered.checks.doubts if gathered.checks is not None else ()
        warned = rival_warnings([rival for rival in unread if rival.summary not in told], doubts)
        warned += tuple(
            WarningFinding(code=f.code, time_s=f.first_time_s, text=run.marks.text(f.text))
            for f in (selects_unseen(gathered.checks) if gathered.checks is not None else ())
            if not any(line in warning.text for warning in warned for line in f.lines)
        )
        if _clips_weighed(found, gathered):
            gathered.notes = [_weighed_note(note) for note in gathered.notes]
            gathered.exchanged = None
        broken = assumption_broken(found.suspects, run.assumed, run.unclipped, run.counted)
        refused = not_judged(found.suspects, wrong) or broken
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
        judged=refused is None,
        not_judged_because=refused.reason if refused is not None else "",
        program=gathered.program,
    )
    if gathered.checks is not None:
        held = checks_held(gathered.checks, doubts_about(result, gathered), Grounds(gathered.board, profile))
        result = result.model_copy(update={"checks": held.summary()})
    return run.marks.said(result)


def _clips_weighed(found: Diagnosis, gathered: Gathered) -> bool:
    """Whether two clips that look exchanged were weighed and are not the cause: the ROM reads that speak for them are
    wrong, and something else, all but sure, explains them and what lies beside the ROM."""
    in_rom = any(region.kind == "rom" and region.mismatches for region in gathered.counts)
    if gathered.exchanged is None or not in_rom or found.unexplained:
        return False
    sure = any(s.probability >= _SURE and s.scope != "clip" for s in found.suspects)
    return sure and not any(s.fault == "clips-exchanged" for s in found.suspects)


def _weighed_note(note: Note) -> Note:
    """The warning of exchanged clips beside an answer that knows better."""
    if note.code != "swapped-clips":
        return note
    found = note.text.split("; look at", 1)[0]
    return replace(note, code="clips-weighed", text=f"{found}; the reads of other memory speak against that")


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
