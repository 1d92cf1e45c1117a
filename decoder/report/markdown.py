"""The result as markdown, for a repair log or an issue."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from busledger.decoder.board import Board
from busledger.decoder.findings import CheckManyResult, CheckResult
from busledger.decoder.marks import marked
from busledger.decoder.planning import since_lines
from busledger.decoder.report.bad_parts import ordered_steps, shopping_list
from busledger.decoder.report.facts import COVERAGE_HEADS, coverage_lines, coverage_rows, intermittence_lines
from busledger.decoder.report.lane_table import lane_columns
from busledger.decoder.report.numbers import NO_BREAK, count, lane_ranges, percent, rarer_than
from busledger.decoder.report.page import CAUTIONS, page_facts
from busledger.decoder.report.phrases import (
    capture_line,
    how_often_and_sure,
    place_lines,
    safe,
    verdict,
    what_it_does,
    where,
    who,
    why_lines,
)
from busledger.decoder.report.places import places_of
from busledger.decoder.report.places import several as several_bad
from busledger.decoder.report.program_lines import program_lines
from busledger.decoder.report.several import capture_rows, several_words, unread_lines

__all__ = ["markdown_text"]

# What could begin markup inside a line, each of them escapable by CommonMark 0.31, section 2.4; | is for tables.
_SPECIAL = re.compile(r"([\\`*_\[\]<>|~&])")
_LINE_START = re.compile(r"^(\s*)([-+=#]|#{2,6}|\d+[.)])(?=\s|$)")


def markdown_text(
    result: CheckResult,
    *,
    board: Board | None = None,
    settings: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
    between: Sequence[str] = (),
    several: CheckManyResult | None = None,
) -> str:
    """Markdown; names from files are escaped, so that they show as they are. ``board`` tells the parts' types;
    ``several``: the captures of which ``result`` is the joint one."""
    result = marked(result)
    lines = list(_document(result, board, settings or {}, notes, between, several))
    return "\n".join(lines).replace(NO_BREAK, " ") + "\n"


def _captures(result: CheckManyResult | None) -> Iterator[str]:
    """How many they are, a line each, and those that could not be read."""
    if result is None:
        return
    yield several_words(result)
    for start, compared, wrong, share, path in capture_rows(result):
        yield f"{path}: from {start}, {wrong} of {compared} compared reads wrong ({share})"
    yield from unread_lines(result)


def escaped(text: str) -> str:
    """``text`` so that markdown shows it and does nothing else with it."""
    shown = _SPECIAL.sub(r"\\\1", safe(text))
    return _LINE_START.sub(lambda m: f"{m[1]}{m[2][:-1]}\\{m[2][-1]}", shown)


def _document(
    result: CheckResult,
    board: Board | None,
    settings: Mapping[str, str],
    notes: Sequence[str],
    between: Sequence[str],
    several: CheckManyResult | None,
) -> Iterator[str]:
    yield f"# {escaped(verdict(result))}"
    yield ""
    if result.board:
        yield f"{escaped(result.board)}: {escaped(capture_line(result))}"
    else:
        yield escaped(capture_line(result))
    yield from _list("What is bad", place_lines(result), numbered=True)
    yield from _list("Since the earlier result", since_lines(result.since))
    yield from _list("Why", why_lines(result))
    yield from _list("What to do next", (step.text for step in ordered_steps(result)), numbered=True)
    yield from _list("To buy", shopping_list(board, result))
    yield from _suspects(result)
    yield from _lanes(result)
    yield from _list("The captures", _captures(several))
    yield from _list("Between the sets", between)
    yield from _table(
        "Cleared",
        ("part", "lanes", "evidence", "fails less than"),
        [
            (c.component, lane_ranges(c.lanes), c.evidence, rarer_than(c.rate_below) if c.rate_below else "")
            for c in result.cleared
        ],
    )
    yield from _list("The program", program_lines(result.program))
    yield from _list("Over time", intermittence_lines(result.intermittence, named=several_bad(result)))
    yield from _table("What the capture exercised", COVERAGE_HEADS, coverage_rows(result.coverage))
    yield from _list("What it did not exercise", coverage_lines(result.coverage))
    yield from _list("Warnings", (f"{warning.code}: {warning.text}" for warning in result.capture.warnings))
    yield from _list("Notes", notes)
    yield from _list("Cautions", CAUTIONS)
    yield from _table("How this was found", ("what", "value"), list(page_facts(result, settings)))


def _suspects(result: CheckResult) -> Iterator[str]:
    """A table for all of one place; where there are several, the number of each suspect's place before it."""
    places = places_of(result)
    heads = ("part", "where", "what it does", "how often", "probability")
    rows = [
        ((str(number),) if len(places) > 1 else ())
        + (who(s), where(s), what_it_does(s), how_often_and_sure(s), percent(s.probability))
        for number, place in enumerate(places, 1)
        for s in place.suspects
    ]
    yield from _table("Suspects", ("place", *heads) if len(places) > 1 else heads, rows)


def _lanes(result: CheckResult) -> Iterator[str]:
    shown = [region for region in result.regions if region.lanes and region.kind != "io"]
    lanes = lane_columns(shown)
    rows = []
    for region in shown:
        by_lane = {lane.lane: lane for lane in region.lanes}
        cells = []
        for name in lanes:
            lane = by_lane.get(name)
            never = lane is None or lane.compared == 0
            cells.append("–" if never or lane is None else count(lane.low_for_high + lane.high_for_low))
        rows.append((region.name, count(region.reads_compared), *cells))
    yield from _table("Wrong reads by region and lane", ("region", "compared", *lanes), rows)


def _list(title: str, items: Iterator[str] | Sequence[str] | list[str], *, numbered: bool = False) -> Iterator[str]:
    shown = [escaped(item) for item in items]
    if not shown:
        return
    yield ""
    yield f"## {title}"
    yield ""
    yield from (f"{number}. {item}" if numbered else f"- {item}" for number, item in enumerate(shown, 1))


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    if not rows:
        return
    yield ""
    yield f"## {title}"
    yield ""
    yield f"| {' | '.join(escaped(head) for head in heads)} |"
    yield f"|{'---|' * len(heads)}"
    yield from (f"| {' | '.join(escaped(cell) for cell in row)} |" for row in rows)
