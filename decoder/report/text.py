"""The result of ``check`` as text for a terminal: the answer first, then why, then what next."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rich.text import Text

from busledger.decoder.board import Board
from busledger.decoder.diagnosis import KINDS
from busledger.decoder.findings import CheckResult, Cleared, WarningFinding
from busledger.decoder.marks import marked
from busledger.decoder.report.bad_parts import card_strip, ordered_steps, shopping_list
from busledger.decoder.report.facts import when_lines
from busledger.decoder.report.lane_table import lane_table
from busledger.decoder.report.numbers import NO_BREAK, lane_ranges, plural, rarer_than, seconds
from busledger.decoder.report.phrases import NO_FAULT, capture_line, place_lines, safe, verdict, why_lines
from busledger.decoder.report.places import several
from busledger.decoder.report.program_lines import program_lines
from busledger.decoder.report.terminal import printed, wrap

__all__ = ["check_text"]

_LABEL = 9  # columns of the labels on the left
_NARROW = 60  # below this the labels stand on lines of their own
_CLEARED_NAMES = 12
_WARNINGS = 5
_STEPS = 3
_GAPS = 2
_ITEM = re.compile(r"\d+\. ")
# What takes the ground from under a verdict: said even where only the first line was asked for.
_GRAVE = frozenset(
    ("sample-rate", "swapped-clips", "no-region", "truncated", "early-end", "hidden-cells", "assumed-all-memory")
)


def check_text(
    result: CheckResult,
    *,
    board: Board | None = None,
    width: int = 80,
    colour: bool = False,
    answer_only: bool = False,
) -> str:
    """The whole report; with ``answer_only`` just its first line, and what takes the ground from under it.

    ``board`` draws the card where several parts of it are bad, and gives their types.
    """
    result = marked(result)
    told = verdict(result)
    style = "bold green" if told.startswith(NO_FAULT) else "bold red" if result.suspects else "bold yellow"
    lines = [Text(line, style=style) for line in wrap(told, width)]
    if answer_only:
        lines += [Text(line, style="yellow") for said in _grave(result) for line in wrap(said, width)]
    else:
        lines += _body(result, board, width)
    return printed(lines, width=width, colour=colour)


def _body(result: CheckResult, board: Board | None, width: int) -> Iterator[Text]:
    yield Text()
    yield from _block("Bad", [f"{n}. {line}" for n, line in enumerate(place_lines(result), 1)], width)
    if result.since:
        from busledger.decoder.planning import since_lines  # an earlier answer is seldom given

        yield from _block("Since", [safe(line) for line in since_lines(result.since)], width)
    yield from _block("Why", list(why_lines(result)), width)
    yield from _block("Program", program_lines(result.program), width)
    yield from _block("When", when_lines(result.intermittence, named=several(result)), width)
    yield from _block("Cleared" if result.mismatch_total else "Proved", _cleared(result.cleared), width)
    yield from _block("Not seen", coverage_gaps(result.coverage), width)
    yield from _block("Say", _proposed(result), width)
    many = several(result)
    shown = ordered_steps(result)[: None if many else _STEPS]
    yield from _block("Next", [f"{n}. {safe(step.text)}" for n, step in enumerate(shown, 1)], width)
    yield from _block("To buy", shopping_list(board, result), width)
    strip = list(card_strip(board, result, width))
    if strip:
        yield Text()
        yield from (Text(line, style="bold") for line in wrap("The card", width))
        yield from strip
    table = lane_table(result.regions, width)
    if table:
        yield Text()
        yield from (Text(line, style="bold") for line in wrap("Wrong reads by region and lane", width))
        yield from table
    yield Text()
    yield from (Text(line, style="dim") for line in wrap(capture_line(result), width))
    for warning in _warnings(result):
        yield from (Text(line, style="yellow") for line in wrap(warning, width))


def _proposed(result: CheckResult) -> list[str]:
    """Lines for the board file that would say what a likely cause outside the card found about the machine."""
    first = result.suspects[0] if result.suspects else None
    lines = first.detail.get("propose", ()) if first is not None and first.scope in ("clip", "machine") else ()
    if first is None or first.probability < 0.5 or not lines:
        return []
    return ["In the board file:", *(safe(str(line)) for line in lines)]


def _block(label: str, lines: Sequence[str], width: int) -> Iterator[Text]:
    """A label on the left and lines beside it, wrapped to stay beside it."""
    if not lines:
        return
    if width < _NARROW:
        yield Text(label, style="bold")
        indent = 1
    else:
        indent = _LABEL
    wrapped: list[str] = []
    for line in lines:
        number_of_item = _ITEM.match(line)
        hang = number_of_item.end() if number_of_item else 0
        for number, part in enumerate(wrap(line, width - indent - hang)):
            wrapped.append((" " * hang if number else "") + part)
    for number, part in enumerate(wrapped):
        text = Text()
        if number == 0 and width >= _NARROW:
            text.append(label.ljust(indent), style="bold")
        else:
            text.append(" " * indent)
        text.append(part)
        yield text


def _cleared(cleared: Sequence[Cleared]) -> list[str]:
    """One compact list: names with the lanes where not all of the part is cleared."""
    if not cleared:
        return []
    by_part: dict[str, list[str]] = {}
    for part in cleared:
        by_part.setdefault(safe(part.component), []).extend(part.lanes)
    names = [f"{name} ({lane_ranges(lanes)})" if lanes else name for name, lanes in by_part.items()]
    more = len(names) - _CLEARED_NAMES
    shown = ", ".join(names[:_CLEARED_NAMES]) + (f" and {more} more" if more > 0 else "")
    bounds = [part.rate_below for part in cleared if part.rate_below]
    if not bounds:
        return [shown]
    return [f"{shown}: each fails less than {rarer_than(max(bounds))}, if at all (95{NO_BREAK}%)"]


def coverage_gaps(coverage: Mapping[str, Any]) -> list[str]:
    """Sentences on what the capture did not exercise; how many there are that do not fit is told."""
    gaps = [safe(str(gap)) for gap in coverage.get("not_exercised", ())]
    more = len(gaps) - _GAPS
    return [*gaps[:_GAPS], *([f"And {more} more like these, in --json."] if more > 0 else [])]


def _grave(result: CheckResult) -> Iterator[str]:
    """Warnings without which the verdict would mislead: bad clips, too few samples, nothing to compare."""
    return (_warning(warning) for warning in result.capture.warnings if _is_grave(warning))


def _is_grave(warning: WarningFinding) -> bool:
    """Whether a verdict may be worth nothing for it; a clip that looks bad is told under its fault's own name."""
    rival = warning.code in KINDS and not KINDS[warning.code].on_card
    return rival or warning.code in _GRAVE or warning.code.startswith("probe-")


def _warning(warning: WarningFinding) -> str:
    at = "" if warning.time_s is None else f" at {seconds(warning.time_s)}"
    return f"Warning ({safe(warning.code)}{at}): {safe(warning.text)}"


def _warnings(result: CheckResult) -> Iterator[str]:
    """In their order; where they are many, all that are grave and as many others as there is room for."""
    warnings = result.capture.warnings
    room = max(0, _WARNINGS - sum(map(_is_grave, warnings)))
    others = [warning for warning in warnings if not _is_grave(warning)]
    left_out = {id(warning) for warning in others[room:]}
    yield from (_warning(warning) for warning in warnings if id(warning) not in left_out)
    if left_out:
        yield f"and {plural(len(left_out), 'more warning')}, all in --json"
