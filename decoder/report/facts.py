"""Sentences and windows out of the open dictionaries of a result: coverage and intermittence."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from typing import Any

from busledger.decoder.report.numbers import count, lane_ranges
from busledger.decoder.report.phrases import safe
from busledger.decoder.report.plots import Trend

__all__ = ["COVERAGE_HEADS", "coverage_lines", "coverage_rows", "intermittence_lines", "trend_of", "when_lines"]

_MOST = 40
_OF_CELLS = re.compile(r"cells compared \(.*; a bad cell elsewhere would not show\.$")


def coverage_lines(coverage: Mapping[str, Any]) -> list[str]:
    """What the capture did not exercise, as the engine says it, and any figures beside the regions' table.

    How many cells were compared stands in that table: it is not said again.
    """
    lines = list(_lines({key: value for key, value in coverage.items() if key != "regions"}))
    if coverage.get("regions"):
        kept = [line for line in lines if not _OF_CELLS.search(line)]
        lines = [*kept, "A bad cell that was not compared would not show."] if len(kept) < len(lines) else lines
    return lines[:_MOST]


COVERAGE_HEADS = ("region", "cells compared", "lanes seen at both levels", "address lines told apart")


def coverage_rows(coverage: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """One row a region under ``COVERAGE_HEADS``."""
    rows: list[tuple[str, ...]] = []
    for region in coverage.get("regions", ()):
        lanes = [lane["lane"] for lane in region.get("lanes", ()) if lane["low"] and lane["high"]]
        lines = [line["line"] for line in region.get("address_lines", ()) if line["told_apart"]]
        cells = f"{count(region['cells_compared'])} of {count(region['cells'])}"
        rows.append(
            (safe(region["name"]), cells, safe(lane_ranges(lanes)) or "none", safe(lane_ranges(lines)) or "none")
        )
    return rows


def intermittence_lines(intermittence: Mapping[str, Any], *, named: bool = False) -> list[str]:
    """How the failures come and go, a sentence a line, suggestions last and named as such.

    ``named``: several parts are bad, so it is said whose failures these are.
    """
    found = _of_one_suspect(intermittence)
    basis = [found["basis"]] if "basis" in found else []
    said = _named(found, [safe(text) for text in (*basis, *found.get("sentences", ()))], named)
    return (said + [f"Suggestion: {safe(text)}" for text in found.get("suggestions", ())])[:_MOST]


def when_lines(intermittence: Mapping[str, Any], *, named: bool = False) -> list[str]:
    """The same for one screen; the first suggestion always among them, with the sentence that it rests on."""
    found = _of_one_suspect(intermittence)
    said, suggested = list(found.get("sentences", ()))[:2], list(found.get("suggestions", ()))[:1]
    ground = [
        str(one["text"])
        for one in found.get("depends", ())
        if isinstance(one, Mapping) and one.get("suggestion") in suggested and "text" in one
    ][:1]
    said += [text for text in ground if suggested and text not in said]
    return [safe(text) for text in (*_named(found, said, named), *suggested)]


def _named(found: Mapping[str, Any], said: list[str], named: bool) -> list[str]:
    whose = found.get("component")
    return [f"{whose}: {said[0]}", *said[1:]] if named and whose and said else said


def _of_one_suspect(intermittence: Mapping[str, Any]) -> Mapping[str, Any]:
    """The description itself, or the first of several kept by suspect."""
    if "windows" in intermittence or "sentences" in intermittence:
        return intermittence
    several = (value for value in intermittence.values() if isinstance(value, Mapping) and "windows" in value)
    return next(several, {})


def _lines(facts: Mapping[str, Any]) -> Iterator[str]:
    for key, value in facts.items():
        name = safe(str(key)).replace("_", " ")
        if isinstance(value, list | tuple) and value and all(isinstance(item, str) and " " in item for item in value):
            yield from (safe(item) for item in value)
        elif isinstance(value, str):
            yield f"{name}: {safe(value)}"
        elif value not in (None, [], (), {}):
            yield f"{name}: {_short(value)}"


def _short(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return count(value)
    if isinstance(value, float):
        return f"{value:.3g}"
    if isinstance(value, Mapping):
        return "; ".join(f"{safe(str(key)).replace('_', ' ')} {_short(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_short(item) for item in value) or "none"
    return safe(str(value))


def trend_of(intermittence: Mapping[str, Any]) -> Trend | None:
    """The windows over time, if the result holds at least two with a failure among them."""
    windows = _of_one_suspect(intermittence).get("windows")
    if not isinstance(windows, list | tuple) or len(windows) < 2:
        return None
    edges = [float(w["start_s"]) for w in windows] + [float(windows[-1]["end_s"])]
    wrong = tuple(int(w["failures"]) for w in windows)
    if not any(wrong) or any(b <= a for a, b in itertools.pairwise(edges)):
        return None
    return Trend(tuple(edges), tuple(int(w["accesses"]) for w in windows), wrong)
