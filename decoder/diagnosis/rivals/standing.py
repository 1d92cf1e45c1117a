"""What rivals make of an answer: that the card was not judged, and what else is off although every read came right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.rival import CannotJudge, Rival
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import beside_an_answer
from busledger.decoder.findings import Suspect, WarningFinding

__all__ = [
    "RIVAL_SCOPES",
    "TIED",
    "assumption_broken",
    "not_judged",
    "refused_suspect",
    "rival_first",
    "rival_ties",
    "rival_warnings",
    "rivals_unread",
    "suspect_of",
    "together",
    "with_sure",
]

RIVAL_SCOPES = ("clip", "machine")
SURE = 0.5
TIED = 0.8  # of the other's chance: nobody can tell them apart. Judged
_WORD = 8  # lanes
_BROKEN = 0.9  # chance from which what a region shows is no memory's. Judged
_PROVED = 7.0  # nats: one in a thousand is left for a program that does so


def rival_first(suspects: Sequence[Suspect]) -> Suspect | None:
    """The first suspect, where it is likelier than not and no part of the card."""
    first = suspects[0] if suspects else None
    return first if first is not None and first.scope in RIVAL_SCOPES and first.probability >= SURE else None


def rival_ties(suspects: Sequence[Suspect]) -> Suspect | None:
    """A rival in the first place that is as likely as any part of the card, none of which is likelier than not: nobody
    can tell them apart from what was recorded. None where that is not so."""
    first = [s for s in suspects if s.place == suspects[0].place and s.scope in RIVAL_SCOPES]
    best = max(first, key=lambda s: s.probability, default=None)
    parts = [s for s in suspects if s.scope not in RIVAL_SCOPES]
    accused = any(s.probability >= SURE for s in parts)
    most = max((together(parts, s) for s in parts), default=0.0)
    return best if best is not None and not accused and best.probability >= TIED * most else None


def together(suspects: Sequence[Suspect], one: Suspect) -> float:
    """The chance of ``one`` and of those among ``suspects`` that no read tells from it."""
    return sum(s.probability for s in suspects if s is one or s.rank in one.tied_with)


def not_judged(suspects: Sequence[Suspect], wrong: int) -> CannotJudge | None:
    """Why the card was not judged: the likeliest cause is a clip that spoils the recording, and explains half of what
    is wrong or more, or the lines prove it and no part is likelier bad than not. None where the card was judged."""
    first = rival_first(suspects)
    if first is None or not first.detail.get("stops_judging"):
        return None
    accused = any(s.scope not in RIVAL_SCOPES and s.probability >= SURE for s in suspects)
    if 2 * first.explains < wrong and (first.explains or accused):
        return None
    return CannotJudge(first.fault, first.summary, str(first.detail["next_step"]))


def assumption_broken(
    suspects: Sequence[Suspect], assumed: Sequence[str], lines: str, counted: Sequence[str] = ()
) -> CannotJudge | None:
    """Why the card was not judged: regions were told by the board file alone, ``lines`` not being clipped, and what
    came from one of them (``assumed``) is not what one memory gives, so that a part too would be accused of it: a
    rival stands first, or a part of them is bad in no way that is listed, as whatever else answers there would seem to
    be. So would cells of a region that were told apart by counting along (``counted``), under the same code: both take
    it that what the clips leave open is as assumed. None where that is not so."""
    first = rival_first(suspects)
    accused = [s for s in suspects if s.scope not in RIVAL_SCOPES and s.probability >= SURE]
    strange = [s for s in accused if s.fault == "unlisted" and s.region is not None and "answers_for" not in s.detail]
    if not accused:
        return None
    if first is None or first.scope != "machine":
        # Other memory would be seen on every lane; a strange chip is on its own.
        if len({lane for s in strange if s.region == strange[0].region for lane in s.lanes}) < _WORD:
            return None
        first = strange[0]
    elif first.probability < _BROKEN:
        return None  # of a tie with a part nothing is known that would doubt the others
    said = first.summary.partition(":")[0]
    if first in strange:
        said = f"{first.component or 'a chip of ' + str(first.region)} is bad"
    here = [region for region in (first.region, *(s.region for s in accused)) if region is not None]
    one, other = "", "the machine may have more than the board file names"
    add, names = "add what else answers there to the board file", assumed
    if not assumed or not set(here) <= set(assumed):
        if first not in strange or not set(here) <= set(counted):
            return None
        one, other = "one cell of ", "it may be another cell than was counted"
        add, names = "let the test run through the cells in even steps", counted
    where = first.region or ", ".join(names)
    reason = (
        f"with {lines} not clipped, what looks like {one}{where} on the other lines gives what no one memory would: "
        f"{other}, or {said}"
    )
    return CannotJudge("assumed-all-memory", reason, f"clip {lines}, or {add}")


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


def rivals_unread(evidence: Evidence) -> tuple[Rival, ...]:
    """Clips that look bad although no read came out wrong by them, or by what their lines show beside all reads.

    Raises
    ------
    OutputError
        the access log's temporary file cannot be read back.
    """
    if evidence.signs is None or not evidence.signs.rows:
        return ()
    from busledger.decoder.diagnosis.rivals.find import rivals_of_lines, unread_of_lines

    story = Story.of(Study(evidence))
    shown = list(unread_of_lines(story))
    if all(one.log_seen <= 0.0 for one in shown):
        return tuple(shown)
    told = {(rival.fault, rival.lines): rival for rival in rivals_of_lines(story) if rival.explains}
    return tuple(replace(told.get((one.fault, one.lines), one), log_seen=one.log_seen) for one in shown)


def rival_warnings(rivals: Sequence[Rival], told: Sequence[WarningFinding] = ()) -> tuple[WarningFinding, ...]:
    """A warning for each of ``rivals_unread``; those that the channels' own check told already (``told``) are left
    out."""
    known = " ".join(one.text for one in told if one.code.startswith("probe-")).split()
    words = {word.strip(",:;") for word in known}
    return tuple(
        WarningFinding(code=rival.fault, text=f"{rival.summary}. {beside_an_answer(rival.next_step)}")
        for rival in rivals
        if not words.intersection(rival.lines)
    )


def _sure_of(rivals: Sequence[Rival]) -> tuple[Rival, ...]:
    """Those that what the lines show proves by itself; one a line."""
    found = {rival.lines: rival for rival in rivals if rival.log_prior + rival.log_seen > _PROVED}
    return tuple(found.values())


def with_sure(suspects: Sequence[Suspect], rivals: Sequence[Rival], regions: Sequence[Region]) -> tuple[Suspect, ...]:
    """The suspects with those rivals that the lines prove though no read came out wrong by them: in front, unless
    something else is likelier than not."""
    named = {(s.fault, line) for s in suspects for line in s.detail.get("clips", ())}
    # What a select's clip shows at its region's addresses, a decoder's fault explains as well: they were weighed.
    decoders = [s for s in suspects if s.scope == "decoder" and s.probability >= SURE]
    decoded = {region for s in decoders for region in (s.region, s.other_region, *s.detail.get("regions", ()))}
    sure = [
        rival
        for rival in _sure_of(rivals)
        if not any((rival.fault, line) in named for line in rival.lines)
        and (rival.region is None or regions[rival.region].name not in decoded)
    ]
    if not sure:
        return tuple(suspects)
    first = all(s.probability < SURE for s in suspects)
    places = max((s.place for s in suspects), default=0)
    told = []
    for number, rival in enumerate(sure, 1):
        region = None if rival.region is None else regions[rival.region].name
        chance = 1.0 / (1.0 + math.exp(-min(rival.log_prior + rival.log_seen, 60.0)))
        rank, place = (number, number) if first else (len(suspects) + number, places + number)
        told.append(suspect_of(rival, region, rank=rank, place=place, probability=chance))
    if not first:
        return (*suspects, *told)
    later = len(told)
    moved = (
        s.model_copy(
            update={
                "rank": s.rank + later,
                "place": s.place + later,
                "tied_with": tuple(rank + later for rank in s.tied_with),
            }
        )
        for s in suspects
    )
    return (*told, *moved)


def suspect_of(rival: Rival, region: str | None, *, rank: int, place: int, probability: float) -> Suspect:
    """A rival in the contract's words."""
    detail: dict[str, Any] = {"next_step": rival.next_step}
    if rival.addresses is not None:
        detail["span"] = list(rival.addresses)
    if rival.stops_judging:
        detail["stops_judging"] = True
    if rival.propose:
        detail["propose"] = list(rival.propose)
    if rival.lines:
        detail["clips"] = list(rival.lines)
    return Suspect(
        rank=rank,
        fault=rival.fault,  # type: ignore[arg-type]
        scope=rival.scope,  # type: ignore[arg-type]
        component=None,
        region=region,
        lanes=tuple(line for line in rival.lines if line[:1] == "D" and line[1:].isdigit()),
        address_lines=tuple(line for line in rival.lines if line[:1] == "A" and line[1:].isdigit()),
        probability=round(probability, 6),
        explains=rival.explains,
        contradicted=rival.against,
        summary=rival.summary,
        evidence=rival.evidence,
        place=place,
        first_cycles=tuple(int(i) for i in rival.index[:8]),
        detail=detail,
    )
