"""Several wired sets for a terminal: a section for each, then what lies between them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from busledger.decoder.checks import AddressSpan, BetweenResult, LaneBetween, SetEntry, SetsResult
from busledger.decoder.report.numbers import count, lane_ranges, plural, seconds
from busledger.decoder.report.tables import paragraphs
from busledger.decoder.text import plain

__all__ = ["between_lines", "between_text", "set_heading", "sets_text"]

_SPANS = 4


def sets_text(
    result: SetsResult[Any],
    text: Callable[..., str],
    *,
    width: int,
    colour: bool,
    answer_only: bool = False,
) -> str:
    """``text`` prints one set's result, as for a capture with one bus."""
    parts = []
    for number, entry in enumerate(result.sets, 1):
        head = set_heading(number, entry, width=width, colour=colour)
        if entry.result is None:
            parts.append(head + paragraphs([f"Not judged: {entry.message}"], width=width, colour=colour))
        else:
            parts.append(head + text(entry.result, width=width, colour=colour, answer_only=answer_only))
    between = between_text(result.between, width=width, colour=colour, answer_only=answer_only)
    return "\n".join([*parts, *([between] if between else [])])


def set_heading(number: int, entry: SetEntry[Any], *, width: int, colour: bool) -> str:
    """The line above a set's section: its number, its name, and what tells it from the others."""
    bus = "" if entry.name == entry.profile else f", {entry.profile} bus"
    wiring = "" if entry.wiring is None else f", wired by {entry.wiring}"
    return paragraphs([f"Set {number}: {entry.name}{bus}{wiring}"], width=width, colour=colour, title=True)


def between_text(between: tuple[BetweenResult, ...], *, width: int, colour: bool, answer_only: bool = False) -> str:
    """What each two sets say of each other; with ``answer_only`` a line for each two."""
    if not between:
        return ""
    lines = [line for one in between for line in list(between_lines(one))[: 1 if answer_only else None]]
    return paragraphs(["Between the sets", *lines], width=width, colour=colour, title=True)


def between_lines(one: BetweenResult) -> Iterator[str]:
    """Sentences, the answer first."""
    first, second = plain(one.first), plain(one.second)
    if not one.same_bus:
        yield f"{first} and {second}: {one.why_not}"
        return
    yield f"{first} and {second}: {_answer(one)}"
    yield f"{plural(one.matched, 'cycle')} seen on both sides{_by_time(one)}"
    yield from _alone(first, second, one.only_first)
    yield from _alone(second, first, one.only_second)
    if one.other_address:
        told = ", ".join(f"{line.line} alone {count(line.count)} times" for line in one.address_lines)
        yield f"{plural(one.other_address, 'cycle')} came together at two addresses that differ" + (
            f" in {told}" if told else ""
        )
    if one.data_outside:
        yield f"{plural(one.data_outside, 'cycle')} outside the stated regions: data not compared"
    if one.data_apart:
        yield (
            f"{plural(one.data_apart, 'data word')} at {_addresses(one.apart)} have nothing in common on the two "
            "sides: the driver between them is off there, as for memory that lies before it, or does not work there"
        )
    if one.same_channels:
        yield f"{lane_ranges(one.same_channels)} not compared: both sets take them from the same channels"
    if one.inverted:
        yield f"The data of {second} are those of {first} inverted, as through an inverting driver"
    differing = [lane for lane in one.lanes if lane.differ]
    yield from (_lane(lane, first, second, one.inverted) for lane in differing)
    if differing:
        yield from _where(one)
        yield (
            "The recording shows that the two sides differ, not which part makes them: the driver between them, "
            "its socket, a track, or a clip"
        )


def _answer(one: BetweenResult) -> str:
    """The first sentence: do the data agree?"""
    if not one.data_compared:
        return "two sides of one bus, with no data to compare"
    if not one.data_differ:
        lanes = lane_ranges(lane.lane for lane in one.lanes if lane.compared)
        return f"two sides of one bus; all {plural(one.data_compared, 'data word')} agree ({lanes})"
    wrong = [lane.lane for lane in one.lanes if lane.differ]
    differ = f"{lane_ranges(wrong)} {'differs' if len(wrong) == 1 else 'differ'}"
    at = "" if one.first_difference_s is None else f", first at {seconds(one.first_difference_s)}"
    return f"{differ} in {count(one.data_differ)} of {plural(one.data_compared, 'data word')}{at}"


def _by_time(one: BetweenResult) -> str:
    return ", paired by time alone (hardly an address line is clipped on both)" if one.by_time_alone else ""


def _alone(here: str, there: str, kinds: Mapping[str, int]) -> Iterator[str]:
    if kinds:
        told = ", ".join(f"{count(number)} {kind}" for kind, number in kinds.items())
        yield f"{plural(sum(kinds.values()), 'cycle')} on {here} only, not on {there}: {told}"


def _lane(lane: LaneBetween, first: str, second: str, inverted: bool) -> str:
    low, high = ("high", "low") if inverted else ("low", "high")
    ways = [(lane.second_low, f"low on {second} where {high} on {first}"),
            (lane.second_high, f"high on {second} where {low} on {first}")]  # fmt: skip
    told = ", ".join(f"{count(number)} times {words}" for number, words in ways if number)
    shares = [f"{count(n)} of {plural(of, what)}" for n, of, what in (
        (lane.reads, lane.reads_compared, "read"), (lane.writes, lane.writes_compared, "write")) if of]  # fmt: skip
    return f"{lane.lane}: {told} ({', '.join(shares)})"


def _where(one: BetweenResult) -> Iterator[str]:
    """Where the differences lie, if that is not everywhere."""
    if one.spans and sum(span.compared for span in one.spans) < one.data_compared:
        yield f"They lie in {_addresses(one.spans)}; elsewhere the two sides agree"


def _addresses(spans: Sequence[AddressSpan]) -> str:
    shown = ", ".join(f"{span.start:04X}-{span.end:04X}" for span in spans[:_SPANS])
    return f"{shown} and {len(spans) - _SPANS} more ranges" if len(spans) > _SPANS else shown
