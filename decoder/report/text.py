"""The result of ``check`` as text for a terminal: the answer first, then why, then what next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rich.text import Text

from busledger.decoder.findings import CheckResult, Cleared, WarningFinding
from busledger.decoder.report.facts import when_lines
from busledger.decoder.report.lane_table import lane_table
from busledger.decoder.report.numbers import lane_ranges, odds, seconds
from busledger.decoder.report.phrases import NO_FAULT, capture_line, safe, verdict, why_lines
from busledger.decoder.report.terminal import printed, wrap

__all__ = ["check_text"]

_LABEL = 9  # columns of the labels on the left
_NARROW = 60  # below this the labels stand on lines of their own
_CLEARED_NAMES = 12
_WARNINGS = 5
_STEPS = 3
_GRAVE = (
    "no-region",
    "probe-clip-noisy",
    "probe-clip-off",
    "probe-fits-no-bus",
    "probe-never-moved",
    "probe-slow-sampling",
    "probe-unknown-channel",
    "swapped-clips",
)
_GAPS = 2


def check_text(result: CheckResult, *, width: int = 80, colour: bool = False, answer_only: bool = False) -> str:
    """The whole report; with ``answer_only`` its first line, and any warning that takes the ground from it."""
    told = verdict(result)
    style = "bold green" if told.startswith(NO_FAULT) else "bold red" if result.suspects else "bold yellow"
    lines = [Text(line, style=style) for line in wrap(told, width)]
    if answer_only:
        # Quiet, but not so quiet that an answer stands without the ground it lacks.
        lines += [Text(line, style="yellow") for warning in _grave(result) for line in wrap(warning, width)]
    else:
        lines += _body(result, width)
    return printed(lines, width=width, colour=colour)


def _body(result: CheckResult, width: int) -> Iterator[Text]:
    yield Text()
    yield from _block("Why", list(why_lines(result)), width)
    yield from _block("When", when_lines(result.intermittence), width)
    yield from _block("Cleared" if result.mismatch_total else "Proved", _cleared(result.cleared), width)
    yield from _block("Not seen", coverage_gaps(result.coverage), width)
    yield from _block("Say", _proposed(result), width)
    steps = [f"{n}. {safe(step.text)}" for n, step in enumerate(result.next_steps[:_STEPS], 1)]
    yield from _block("Next", steps, width)
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
        hang = 3 if line[:1].isdigit() and line[1:3] == ". " else 0
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
    return [f"{shown}: each fails less than {odds(max(bounds))}, if at all (95 %)"]


def coverage_gaps(coverage: Mapping[str, Any]) -> list[str]:
    """Sentences on what the capture did not exercise."""
    gaps = coverage.get("not_exercised", ())
    return [safe(str(gap)) for gap in gaps][:_GAPS]


def _grave(result: CheckResult) -> Iterator[str]:
    """The warnings that take the verdict's ground away."""
    return (_warning(warning) for warning in result.capture.warnings if warning.code in _GRAVE)


def _warning(warning: WarningFinding) -> str:
    at = "" if warning.time_s is None else f" at {seconds(warning.time_s)}"
    return f"Warning ({safe(warning.code)}{at}): {safe(warning.text)}"


def _warnings(result: CheckResult) -> Iterator[str]:
    warnings = result.capture.warnings
    yield from (_warning(warning) for warning in warnings[:_WARNINGS])
    if len(warnings) > _WARNINGS:
        yield f"and {len(warnings) - _WARNINGS} more warnings, all in --json"
