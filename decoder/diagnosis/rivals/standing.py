"""What rivals make of an answer: that the card was not judged, and what else is off although every read came right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.rival import CannotJudge
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.findings import Suspect, WarningFinding

__all__ = ["RIVAL_SCOPES", "assumption_broken", "not_judged", "refused_suspect", "rival_first", "rival_warnings"]

RIVAL_SCOPES = ("clip", "machine")
SURE = 0.5


def rival_first(suspects: Sequence[Suspect]) -> Suspect | None:
    """The first suspect, where it is likelier than not and no part of the card."""
    first = suspects[0] if suspects else None
    return first if first is not None and first.scope in RIVAL_SCOPES and first.probability >= SURE else None


def not_judged(suspects: Sequence[Suspect], wrong: int) -> CannotJudge | None:
    """Why the card was not judged: the likeliest cause is a clip that spoils the recording, and explains half of what
    is wrong or more. None where the card was judged."""
    first = rival_first(suspects)
    if first is None or not first.detail.get("stops_judging") or 2 * first.explains < wrong:
        return None
    return CannotJudge(first.fault, first.summary, str(first.detail["next_step"]))


def assumption_broken(suspects: Sequence[Suspect], assumed: Sequence[str], lines: str) -> CannotJudge | None:
    """Why the card was not judged: regions were told by the board file alone, ``lines`` not being clipped, and what
    came from one of them (``assumed``) is not what one memory gives, so that a part too would be accused of it. None
    where that is not so."""
    first = rival_first(suspects)
    if first is None or first.scope != "machine" or not assumed:
        return None
    accused = [s for s in suspects if s.scope not in RIVAL_SCOPES and s.probability >= SURE]
    here = [first.region, *(s.region for s in accused)]
    if not accused or any(region is not None and region not in assumed for region in here):
        return None
    where = first.region or ", ".join(assumed)
    reason = (
        f"with {lines} not clipped, what looks like {where} on the other lines gives what no one memory would: the "
        f"machine may have more than the board file names, or {first.summary.partition(':')[0]}"
    )
    return CannotJudge("assumed-all-memory", reason, f"clip {lines}, or add what else answers there to the board file")


def refused_suspect(refused: CannotJudge) -> tuple[Suspect, ...]:
    """The cause for which a capture is refused, where it is one of the list."""
    if refused.fault is None:
        return ()
    return (
        Suspect(
            rank=1,
            fault=refused.fault,  # type: ignore[arg-type]
            scope="clip",
            component=None,
            region=None,
            probability=1.0,
            explains=0,
            contradicted=0,
            summary=refused.reason,
            detail={"next_step": refused.change, "stops_judging": True, "clips": list(refused.lines)},
        ),
    )


def rival_warnings(evidence: Evidence, told: Sequence[WarningFinding] = ()) -> tuple[WarningFinding, ...]:
    """Clips that look bad although no read came out wrong by them; those that the channels' own check told already
    (``told``) are left out.

    Raises
    ------
    OutputError
        the access log's temporary file cannot be read back.
    """
    if evidence.signs is None or not evidence.signs.rows:
        return ()
    known = " ".join(one.text for one in told if one.code.startswith("probe-")).split()
    return tuple(_warnings(evidence, {word.strip(",:;") for word in known}))


def _warnings(evidence: Evidence, known: set[str]) -> Iterator[WarningFinding]:
    from busledger.decoder.diagnosis.rivals.find import rivals_of_lines

    for rival in rivals_of_lines(Story.of(Study(evidence))):
        if not rival.explains and not known.intersection(rival.lines):
            yield WarningFinding(code=rival.fault, text=f"{rival.summary}. {rival.next_step}")
