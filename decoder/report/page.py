"""The result as one self-contained page: nothing is fetched, everything is escaped by jinja2."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib import metadata, resources
from typing import Any

import jinja2
from markupsafe import Markup

from busledger.decoder.board import Board
from busledger.decoder.findings import CheckManyResult, CheckResult, LaneCounts, RegionCounts, Suspect
from busledger.decoder.marks import marked
from busledger.decoder.planning import since_lines
from busledger.decoder.report import palette
from busledger.decoder.report.bad_parts import ordered_steps, shopping_list
from busledger.decoder.report.card import STATE_SIGNS, STATE_WORDS, card_rows
from busledger.decoder.report.cleared_parts import cleared_together, without_columns
from busledger.decoder.report.facts import COVERAGE_HEADS, coverage_lines, coverage_rows, intermittence_lines, trend_of
from busledger.decoder.report.lane_table import lane_columns
from busledger.decoder.report.numbers import count, lane_ranges, percent, plural, rarer_than, seconds
from busledger.decoder.report.over_time import captures_over_time, counts_svg, counts_words
from busledger.decoder.report.phrases import (
    capture_line,
    gain_words,
    how_often_and_sure,
    place_line,
    place_lines,
    region_span,
    safe,
    verdict,
    what_it_does,
    where,
    who,
    why_lines,
)
from busledger.decoder.report.places import LIKELY, places_of
from busledger.decoder.report.places import several as several_bad
from busledger.decoder.report.plots import Histogram, Trend, histogram_svg, trend_svg
from busledger.decoder.report.program_lines import program_lines
from busledger.decoder.report.several import CAPTURE_HEADS, capture_rows, several_words, unread_lines
from busledger.decoder.report.timing_words import TimingFigures

__all__ = ["CAUTIONS", "html_page", "page_style", "templates", "tone_of"]

CAUTIONS = (
    "Switch off before you touch clips, chips or cards, and connect ground first.",
    "Mains and tube areas stay closed; discharge large capacitors through a resistor.",
    "Some pins and backplanes carry 12 V or more: 'busledger parts NAME' marks such pins.",
    "A part is accused together with its socket. Swap it with a like one and see whether the fault moves, "
    "before you buy another.",
)
_SUSPECTS = 12  # of one place
_FAILING = 12  # lanes named over their table
TIMING_SIGNS = {"none": "·", "wrong": "✗", "unsure": "~", "good": "✓"}


def html_page(
    result: CheckResult,
    *,
    board: Board | None = None,
    settings: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
    histograms: Sequence[Histogram] = (),
    timing: TimingFigures | None = None,
    over_time: Trend | None = None,
    pictures: Sequence[tuple[str, str]] = (),
    between: Sequence[str] = (),
    night: Sequence[tuple[str, str]] = (),
    several: CheckManyResult | None = None,
) -> str:
    """HTML text.

    Parameters
    ----------
    board : draws the card; None leaves the drawing out
    settings : what was asked for, name → text, so that the run can be repeated
    notes : the user's own, one text each
    histograms : timing against published limits, each drawn
    timing : timing as a table, with a drawing only where that shows more; stands before ``histograms``
    over_time : compared and wrong reads over the whole capture; None: over the failing part alone, as far as the result
        tells
    pictures : (SVG of ours, caption) of levels around wrong reads
    between : what the other wired sets of the capture say of this one, one sentence each
    night : (SVG of ours, caption) of what a watch saw over the time of day
    several : the captures of which ``result`` is the joint one
    """
    result = marked(result)
    environment = templates()
    trend = trend_of(result.intermittence) if over_time is None else None
    drawn = [*(timing.pictures if timing is not None else ()), *histograms]
    lanes = lane_columns(result.regions)
    return environment.get_template("report.html.j2").render(
        title=f"{safe(result.board or 'Bus check')}: {verdict(result)}",
        style=Markup(page_style()),
        board_name=safe(result.board or ""),
        profile=safe(result.profile),
        tone=tone_of(result),
        verdict=verdict(result),
        capture_line=capture_line(result),
        why=list(why_lines(result)),
        bad=place_lines(result),
        since=[safe(line) for line in since_lines(result.since)],
        steps=list(_steps(result)),
        shopping=shopping_list(board, result),
        places=list(_places(result)),
        card=card_rows(board, result) if board is not None else (),
        words=STATE_WORDS,
        signs=STATE_SIGNS,
        lanes=[safe(lane) for lane in lanes],
        failing=_failing(result),
        heat=[_heat_row(region, lanes) for region in result.regions if region.lanes and region.kind != "io"],
        trend=_over_time(over_time, trend, several),
        program=program_lines(result.program),
        timing=timing.rows if timing is not None else (),
        timing_signs=TIMING_SIGNS,
        timing_sources=[safe(source) for source in timing.sources] if timing is not None else (),
        intermittence=intermittence_lines(result.intermittence, named=several_bad(result)),
        night=[{"svg": Markup(svg), "text": safe(text)} for svg, text in night],
        pictures=[{"svg": Markup(svg), "text": safe(text)} for svg, text in pictures],
        histograms=[
            {"svg": Markup(histogram_svg(one, f"timing-{k}")), "text": safe(one.title)} for k, one in enumerate(drawn)
        ],
        between=[safe(line) for line in between],
        several=_several(several),
        cleared=list(_cleared(result)),
        coverage=coverage_lines(result.coverage),
        coverage_heads=COVERAGE_HEADS,
        coverage_rows=coverage_rows(result.coverage),
        warnings=list(_warnings(result)),
        notes=[safe(note) for note in notes],
        cautions=CAUTIONS,
        facts=list(page_facts(result, settings or {})),
    )


def tone_of(result: CheckResult) -> str:
    """What colour the first line has: ``wrong``, ``good``, or ``unsure`` where nothing could be judged."""
    if not result.judged:
        return "unsure"
    if result.mismatch_total or any(place.bad >= LIKELY for place in places_of(result)):
        return "wrong"
    return "good" if any(region.reads_compared for region in result.regions) else "unsure"


@cache
def templates() -> jinja2.Environment:
    """The folder of templates, everything put into them escaped."""
    folder = resources.files("busledger.decoder.report") / "templates"
    loader = jinja2.FunctionLoader(lambda name: (folder / name).read_text(encoding="utf-8"))
    return jinja2.Environment(loader=loader, autoescape=True, trim_blocks=True, undefined=jinja2.StrictUndefined)


@cache
def page_style() -> str:
    """The style sheet of every page, with its colours."""
    light, dark = (Markup(palette.css_variables(colours)) for colours in (palette.LIGHT, palette.DARK))
    return templates().get_template("report.css.j2").render(light=light, dark=dark)


def _several(result: CheckManyResult | None) -> dict[str, Any] | None:
    """A row a capture, the sentence over them, and those that could not be read."""
    if result is None:
        return None
    return {
        "told": several_words(result),
        "heads": CAPTURE_HEADS,
        "rows": capture_rows(result),
        "unread": unread_lines(result),
    }


def _steps(result: CheckResult) -> Iterator[dict[str, str]]:
    for step in ordered_steps(result):
        yield {"text": safe(step.text), "clip": safe(lane_ranges(step.clip)), "gain": gain_words(step)}


def _places(result: CheckResult) -> Iterator[dict[str, Any]]:
    """The suspects of each place; a heading over each where there are several."""
    places = places_of(result)
    for number, place in enumerate(places, 1):
        # Of a single suspect its own row says the rest.
        told = place_line(place, part_first=True) if len(place.suspects) > 1 else who(place.leader)
        heading = f"{number}. {told}" if len(places) > 1 else ""
        yield {"heading": heading, "suspects": [_suspect(s) for s in place.suspects[:_SUSPECTS]]}


def _suspect(suspect: Suspect) -> dict[str, Any]:
    return {
        "who": who(suspect),
        "where": where(suspect),
        "does": what_it_does(suspect),
        "often": how_often_and_sure(suspect),
        "probability": percent(suspect.probability),
        "share": round(100 * suspect.probability),
    }


def _failing(result: CheckResult) -> str:
    """The lanes that fail, the worst first, in words: a narrow screen may show other columns of the table."""
    found = [
        (lane.low_for_high + lane.high_for_low, lane.compared, f"{safe(region.name)} {safe(lane.lane)}")
        for region in result.regions
        for lane in region.lanes
        if region.kind != "io"
    ]
    wrong = sorted((one for one in found if one[0]), key=lambda one: -one[0] / one[1])
    told = [f"{name} {count(number)} of {count(of)}" for number, of, name in wrong[:_FAILING]]
    more = len(wrong) - _FAILING
    return ", ".join(told) + (f" and {plural(more, 'lane')} more" if more > 0 else "")


def _heat_row(region: RegionCounts, lanes: Sequence[str]) -> dict[str, Any]:
    by_lane = {lane.lane: lane for lane in region.lanes}
    return {
        "name": safe(region.name),
        "span": region_span(region),
        "compared": count(region.reads_compared),
        "cells": [_heat_cell(by_lane.get(lane)) for lane in lanes],
    }


def _heat_cell(lane: LaneCounts | None) -> dict[str, Any]:
    if lane is None or lane.compared == 0:
        return {"text": "–", "level": 0}
    wrong = lane.low_for_high + lane.high_for_low
    if wrong == 0:
        return {"text": "·", "level": 0}
    share = wrong / lane.compared
    return {"text": count(wrong), "level": 1 + (share >= 0.001) + (share >= 0.02) + (share >= 0.25)}


def _over_time(whole: Trend | None, failing: Trend | None, several: CheckManyResult | None) -> dict[str, Any] | None:
    """The whole capture where it was counted, or each of several; else the part of it in which reads failed."""
    each = captures_over_time(several.captures) if several is not None and len(several.captures) > 1 else None
    if each is not None:
        return {"svg": Markup(each[0]), "text": each[1]}
    if whole is not None:
        return {"svg": Markup(counts_svg(whole)), "text": counts_words(whole)}
    return {"svg": Markup(trend_svg(failing, "trend")), "text": _trend_text(failing.wrong)} if failing else None


def _trend_text(wrong: Sequence[int]) -> str:
    windows = plural(len(wrong), "window")
    return (
        f"Share of wrong reads in {windows} of about equally many reads. Only reads of memory count here, and of the "
        "re-reads of a cell that stayed wrong only the first: the height is no rate per chance."
    )


def _cleared(result: CheckResult) -> Iterator[dict[str, str]]:
    for part in cleared_together(result.cleared):
        yield {
            "name": safe(part.component),
            "lanes": safe(lane_ranges(part.lanes)),
            "evidence": safe(without_columns(part)),
            "bound": rarer_than(part.rate_below) if part.rate_below else "",
        }


def _warnings(result: CheckResult) -> Iterator[dict[str, str]]:
    for warning in result.capture.warnings:
        at = "" if warning.time_s is None else seconds(warning.time_s)
        yield {"code": safe(warning.code), "at": at, "text": safe(warning.text)}


def page_facts(result: CheckResult, settings: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Name and value of everything that another person needs to repeat the run."""
    capture = result.capture
    yield "capture", safe(capture.path)
    yield (
        "length",
        f"{seconds(capture.duration_s)}, {plural(capture.channels, 'channel')}, "
        f"{plural(capture.samples, 'row')} of levels",
    )
    yield "cycles", ", ".join(f"{count(n)} {safe(kind)}" for kind, n in result.cycles.by_kind.items())
    if result.cycles.rejected:
        yield "rejected", plural(result.cycles.rejected, "cycle")
    yield from ((safe(name), safe(value)) for name, value in settings.items())
    yield "busledger", metadata.version("busledger")
    yield "Python", platform.python_version()
    yield "libraries", ", ".join(f"{name} {metadata.version(name)}" for name in ("numpy", "numba", "scipy"))
