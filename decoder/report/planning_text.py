"""The results of ``plan``, ``join`` and ``match`` for a terminal; the first line is the answer."""

from __future__ import annotations

from busledger.decoder.marks import marked
from busledger.decoder.planning import JoinResult, MatchPlace, MatchResult, PlanPass, PlanResult
from busledger.decoder.report.numbers import NO_BREAK, count, plural
from busledger.decoder.report.planning_words import (
    clip_place,
    headline,
    pass_title,
    sampling_lines,
    unproven_words,
    why_words,
)
from busledger.decoder.report.tables import paragraphs, table_text
from busledger.decoder.text import plain

__all__ = ["join_text", "match_text", "plan_text"]

_GROUPS = 12
_HEADS = {
    "wrong-read": "The bad one first reads wrong",
    "unwritten": "Only memory that was not written differs, first",
}
_STRETCHES = 5


def plan_text(result: PlanResult, *, width: int, colour: bool, answer_only: bool = False) -> str:
    """What to clip, pass by pass, how fast to sample, where to trigger, and the cautions."""
    result = marked(result)
    head = paragraphs([headline(result)], width=width, colour=colour, title=True)
    if answer_only:
        return head
    before = [*sampling_lines(result), result.trigger]
    parts = [head + paragraphs(before, width=width, colour=colour)]
    parts += [_pass_text(one, width=width, colour=colour) for one in result.passes]
    if result.tied:
        told = ["No line of the plan parts these:", *(f"- {group}" for group in result.tied)]
        parts.append(paragraphs(told, width=width, colour=colour, title=True))
    cautions = ["Before you clip:", *(f"- {caution}" for caution in result.cautions)]
    parts.append(paragraphs(cautions, width=width, colour=colour, title=True))
    return "\n".join(parts)


def _pass_text(one: PlanPass, *, width: int, colour: bool) -> str:
    rows = [(str(k), clip.line, why_words(clip), clip_place(clip)) for k, clip in enumerate(one.clips)]
    told = [unproven_words(one.clips)] if unproven_words(one.clips) else []
    told += [f"shows {text}" for text in one.shows] + [f"not yet: {text}" for text in one.cannot]
    return (
        paragraphs([pass_title(one)], width=width, colour=colour, title=True)
        + table_text(("channel", "line", "", "clip at"), rows, width=width, colour=colour)
        + paragraphs(told, width=width, colour=colour)
    )


def join_text(result: JoinResult, *, width: int, colour: bool) -> str:
    """What was joined, pass by pass, and what it can be trusted for."""
    joined = f"{count(result.joined)} of {plural(result.cycles, 'cycle')} joined ({100 * result.share:.2f}{NO_BREAK}%)"
    head = f"{joined}, written to {plain(result.out)}"
    rows = [
        (
            str(k + 1),
            count(p.paired),
            f"{100 * p.share:.2f}{NO_BREAK}%",
            str(sum(s.cycles for s in p.left_out)),
            str(p.inserted),
            ", ".join(map(plain, p.lines)) or "none that an earlier pass lacks",
        )
        for k, p in enumerate(result.passes)
    ]
    table = table_text(
        ("pass", "paired", "agree", "left out", "extra", "lines taken"), rows, width=width, colour=colour
    )
    tail = paragraphs(result.cautions, width=width, colour=colour)
    return paragraphs([head], width=width, colour=colour, title=True) + "\n" + table + "\n" + tail


def match_text(result: MatchResult, *, width: int, colour: bool, answer_only: bool = False) -> str:
    """Where the two part first, then every place by cause."""
    if result.first is None:
        told = f"No difference: {plural(result.paired, 'cycle')} of the two captures are the same{_longer(result)}"
        if not result.paired:
            told = "The two captures have no cycles in common: is it the same program, from the same start?"
        return paragraphs([told], width=width, colour=colour, title=True)
    shown = result.telling or result.first
    head = paragraphs([f"{_HEADS.get(shown.cause, 'They part')} at {_place(shown)}"], width=width, colour=colour,
                      title=True)  # fmt: skip
    if answer_only:
        return head
    meaning = next(g.meaning for g in result.groups if g.cause == shown.cause)
    why = [
        f"Here {meaning}.",
        *_before(result, shown),
        f"{plural(result.places, 'place')} in all; {100 * result.share:.1f}{NO_BREAK}% of the shorter capture "
        "found its partner.",
    ]
    rows = [
        (str(g.places), g.cause, g.region or "-", " ".join(g.lanes) or "-", _time(g.first))
        for g in sorted(result.groups, key=lambda g: -g.places)[:_GROUPS]
    ]
    table = table_text(("places", "cause", "region", "lanes", "first at"), rows, width=width, colour=colour)
    more = len(result.groups) - _GROUPS
    rest = [f"and {plural(more, 'group')} more, in --json"] if more > 0 else []
    steps = [plain(result.instruction.sentence, 800)] if result.instruction is not None else []
    ways = [f"Ways parted at {_place(s)}, for {plural(s.cycles, 'cycle')}" for s in result.stretches[:_STRETCHES]]
    return (
        head
        + paragraphs(why, width=width, colour=colour)
        + "\n"
        + table
        + paragraphs([*rest, *steps, *ways], width=width, colour=colour)
    )


def _longer(result: MatchResult) -> str:
    """What one of them holds beyond the other's end: of that nothing is known."""
    more = abs(result.cycles_good - result.cycles_bad)
    if not more:
        return ""
    ends, goes_on = ("bad", "good") if result.cycles_good > result.cycles_bad else ("good", "bad")
    return f"; the {ends} one ends there, of {plural(more, 'more cycle')} in the {goes_on} one nothing can be said"


def _before(result: MatchResult, shown: MatchPlace) -> list[str]:
    """What differs earlier than the place in the first line, if anything does."""
    first = result.first
    if first is None or first == shown:
        return []
    group = next(g for g in result.groups if g.cause == first.cause)
    return [f"They part earlier, at {_place(first)}, but there {group.meaning}."]


def _time(place: MatchPlace) -> str:
    good = "-" if place.time_good_s is None else f"{place.time_good_s * 1e3:.6g} ms"
    bad = "-" if place.time_bad_s is None else f"{place.time_bad_s * 1e3:.6g} ms"
    if place.time_good_s is None or place.time_bad_s is None:
        return f"{bad} in the bad one only" if place.time_good_s is None else f"{good} in the good one only"
    return f"{good} in the good one, {bad} in the bad one"


def _place(place: MatchPlace) -> str:
    text = f"{place.kind} of {place.address:04X}"
    if place.region:
        text += f" ({plain(place.region)})"
    if place.good is not None and place.bad is not None:
        text += f": {place.good:02X} in the good capture, {place.bad:02X} in the bad one"
    if place.lanes:
        text += f", {' '.join(place.lanes)}"
    return f"{text}; {_time(place)}"
