"""What ``check`` says against the recording, held against the findings of ``selects``, ``buffers`` and ``timing``.

A clip that is off shows in every check that looks at its line, and none of them can tell by itself. So each takes the
word of the main job: what rests on a line that is in doubt is said as a doubt, and accuses nobody; the rest stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

from busledger.decoder.checks import (
    BuffersResult,
    CheckFinding,
    CheckName,
    CheckSetResult,
    Grounds,
    SelectsResult,
    TimingResult,
)
from busledger.decoder.findings import CheckResult

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import CannotJudge
    from busledger.decoder.pipeline.gathered import Gathered

__all__ = [
    "CLIPS",
    "Doubt",
    "checks_held",
    "doubt_of_refusal",
    "doubts_about",
    "doubts_of_lines",
    "held_against",
    "selects_unseen",
]

R = TypeVar("R", SelectsResult, BuffersResult, TimingResult)
_LIKELY = 0.5
_FEW = 8  # reads that came back right without their select: judged
CLIPS = ("clip-off", "clip-noisy", "clips-exchanged", "too-slow")
_OF_ONE_LINE = ("clip-off", "clip-noisy", "clips-exchanged")


@dataclass(frozen=True)
class Doubt:
    """Why the recording is not believed: on ``lines``, empty = on none; ``change``: what to do about it."""

    code: str
    lines: tuple[str, ...]
    reason: str
    change: str
    time_s: float | None = None

    def touches(self, ground: frozenset[str]) -> bool:
        """Whether what rests on the lines of ``ground`` is in doubt."""
        return not self.lines or not ground.isdisjoint(self.lines)


def doubt_of_refusal(refused: CannotJudge) -> Doubt:
    """That the capture as a whole cannot be judged; a clip that is off leaves what other lines show."""
    code = refused.fault or refused.code
    lines = refused.lines if code in _OF_ONE_LINE else ()
    return Doubt(code, lines, refused.reason, refused.change)


def _doubts_of(result: CheckResult) -> tuple[Doubt, ...]:
    """What an answer of ``check`` says against the recording: clips that are likelier off than not, or that it was not
    judged at all."""
    from busledger.decoder.diagnosis import rival_first, rival_ties

    first = (rival_first(result.suspects), rival_ties(result.suspects))
    marked = {f"/{line}": line for line in result.active_low}
    found = []
    for suspect in result.suspects:
        if suspect.scope != "clip" or not (suspect.probability >= _LIKELY or suspect in first):
            continue
        clips = suspect.detail.get("clips", ()) if suspect.fault in _OF_ONE_LINE else ()
        lines = tuple(marked.get(str(line), str(line)) for line in clips)
        found.append(Doubt(suspect.fault, lines, suspect.summary, str(suspect.detail.get("next_step", ""))))
    if not result.judged and not found:
        change = result.next_steps[0].text if result.next_steps else ""
        found.append(Doubt("not-judged", (), result.not_judged_because, change))
    return tuple(found)


def doubts_of_lines(gathered: Gathered) -> tuple[Doubt, ...]:
    """What the lines show beside all reads: memory that is written and read over the same two exchanged clips looks
    well, and the decoder before it does not."""
    if gathered.exchanged is None:
        return ()
    lines, sentence = gathered.exchanged
    return (Doubt("clips-exchanged", lines, sentence, ""),)


def doubts_about(result: CheckResult, gathered: Gathered) -> tuple[Doubt, ...]:
    """Those of an answer of ``check``, and those of the lines that it did not tell."""
    found = _doubts_of(result)
    told = {doubt.code for doubt in found}
    return (*found, *(doubt for doubt in doubts_of_lines(gathered) if doubt.code not in told))


def selects_unseen(checks: CheckSetResult) -> tuple[CheckFinding, ...]:
    """Clips of selects that were not seen though their regions answered rightly: a doubt about each."""
    regions = checks.selects.regions if checks.selects is not None else ()
    return tuple(
        CheckFinding(
            code="clip-off",
            weight="doubt",
            text=f"{region.select} was not seen in {region.missing} of {region.cycles} cycles of {region.region}, yet "
            f"{region.answered} reads of it came back right: look at its clip",
            lines=(region.select,),
            count=region.answered,
            of=region.missing,
            first_time_s=region.first_missing_s,
        )
        for region in regions
        if region.data_came and region.answered >= _FEW
    )


def held_against(check: CheckName, result: R, doubts: Sequence[Doubt], grounds: Grounds) -> R:
    """The result of one check, its findings as far as the doubts leave them; not judged where no fault is left, and
    the check looks at what is in doubt."""
    touching: list[Doubt] = [doubt for doubt in doubts if doubt.touches(grounds.of_check(check))]
    if not touching:
        return result
    findings: list[CheckFinding] = [_left(check, finding, touching, grounds) for finding in result.findings]
    judged = any(finding.weight == "fault" for finding in findings)
    update = {
        "findings": (*map(_said, touching), *findings),
        "judged": judged,
        "not_judged_because": "" if judged else touching[0].reason,
    }
    return result.model_copy(update=update)


def checks_held(checks: CheckSetResult, doubts: Sequence[Doubt], grounds: Grounds) -> CheckSetResult:
    """All of the checks' results, as far as the doubts leave them."""
    selects, buffers, timing = checks.selects, checks.buffers, checks.timing
    return replace(
        checks,
        selects=held_against("selects", selects, doubts, grounds) if selects is not None else None,
        buffers=held_against("buffers", buffers, doubts, grounds) if buffers is not None else None,
        timing=held_against("timing", timing, doubts, grounds) if timing is not None else None,
    )


def _left(check: CheckName, finding: CheckFinding, doubts: Iterable[Doubt], grounds: Grounds) -> CheckFinding:
    if finding.weight != "fault" or not any(doubt.touches(grounds.of(check, finding)) for doubt in doubts):
        return finding
    return finding.model_copy(update={"weight": "doubt", "text": f"{finding.text}; not held against the card"})


def _said(doubt: Doubt) -> CheckFinding:
    change = doubt.change[:1].lower() + doubt.change[1:].rstrip(".")
    text = f"{doubt.reason}; {change}" if change else doubt.reason
    return CheckFinding(code=doubt.code, weight="doubt", text=text, lines=doubt.lines, first_time_s=doubt.time_s)
