"""Trend: when the wrong reads came, over the capture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.diagnosis import KINDS
from busledger.decoder.figures import NO_BREAK
from busledger.decoder.findings import CheckResult
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.report import how_often_and_sure, places_of, who
from busledger.decoder.text import plain
from busledger.tui.filters import Filter, matches
from busledger.tui.loaded import Loaded
from busledger.tui.palette import COLOURS
from busledger.tui.places import cell_filter
from busledger.tui.state import BrowserState
from busledger.tui.widgets.check_text import append_title, spark
from busledger.tui.wording import thousands, time_text

__all__ = ["cell_trend", "trend_text", "wrong_counts"]

_MOST_ROWS = 200_000
NAME_WIDTH = 14


@lru_cache(maxsize=2)
def _wrong_reads(loaded: Loaded) -> tuple[int, NDArray[np.int64], Cycles, Compared]:
    """One wrong read in how many is taken; those reads' times and columns."""
    rows = loaded.source.mismatch_rows
    step = max(1, -(-len(rows) // _MOST_ROWS))
    cycles = loaded.source.cycles.take(rows[::step])
    return step, cycles.time, cycles, loaded.source.compared.take(rows[::step])


def wrong_counts(loaded: Loaded, windows: int, wanted: Filter | None = None) -> NDArray[np.int64]:
    """Wrong reads in equal spans of time, shape (windows,); only those that pass a filter, where one is given.

    Looks at the mismatches only, at most 200 000 of them, taken evenly; counts are then scaled up.
    """
    step, times, cycles, compared = _wrong_reads(loaded)
    if wanted is not None:
        times = times[matches(wanted, cycles, compared)]
    edges = loaded.first + (np.arange(windows + 1) * (loaded.span + 1)) // windows
    places = np.searchsorted(times, edges)
    counts: NDArray[np.int64] = np.diff(places).astype(np.int64) * step
    return counts


def _chosen(loaded: Loaded, state: BrowserState) -> tuple[str, Filter] | None:
    """Name and filter of the cell chosen on the heat map."""
    result = loaded.session.result
    if state.region is None or state.lane is None or state.region >= len(result.regions):
        return None
    name = result.regions[state.region].name
    return f"{plain(name, 9)} D{state.lane}", cell_filter(loaded.source.facts, result, {name}, 1 << state.lane)


def cell_trend(loaded: Loaded, state: BrowserState, columns: int) -> Text:
    """The cell chosen on the heat map over time, in a line; empty where nothing of it is wrong."""
    chosen = _chosen(loaded, state)
    counts = wrong_counts(loaded, columns, chosen[1]) if chosen is not None else np.zeros(0, np.int64)
    if not counts.any():
        return Text()
    text = Text("when: ", COLOURS["dim"], no_wrap=True)
    text.append(spark(counts.tolist(), columns), COLOURS["wrong"])
    return text


def trend_text(loaded: Loaded, state: BrowserState, width: int) -> Text:
    """The whole page."""
    text = Text(end="")
    source, result = loaded.source, loaded.session.result
    columns = max(20, min(120, width - NAME_WIDTH - 14))
    total = len(source.mismatch_rows)
    if not total:
        text.append("No read is wrong, so there is no trend.\n", COLOURS["good"])
    else:
        ends = (time_text(t, source.facts.tick_fs, 6) + " s" for t in (loaded.first, loaded.last))
        append_title(text, "Wrong reads over the capture", " to ".join(ends))
        step = -(-total // _MOST_ROWS)
        if step > 1:
            text.append(f" estimated from one wrong read in {step}\n", COLOURS["caution"])
        _line(text, "all", wrong_counts(loaded, columns))
        for region in result.regions:
            wanted = cell_filter(source.facts, result, {region.name}, 0)
            if region.mismatches and (counts := wrong_counts(loaded, columns, wanted)).any():
                _line(text, plain(region.name), counts)
        chosen = _chosen(loaded, state)
        if chosen is not None:
            append_title(text, "The cell chosen in Where")
            _line(text, chosen[0], wrong_counts(loaded, columns, chosen[1]))
    _gaps(text, loaded, columns)
    _rates(text, result)
    _windows(text, result, columns)
    _sentences(text, result.intermittence)
    return text


def _line(text: Text, name: str, counts: NDArray[np.int64]) -> None:
    shown = name if len(name) <= NAME_WIDTH else name[: NAME_WIDTH - 1] + "…"
    text.append(f" {shown:<{NAME_WIDTH}}", COLOURS["text"])
    text.append(spark(counts.tolist(), len(counts)), COLOURS["wrong"])
    text.append(f" {thousands(int(counts.sum()))}\n", COLOURS["dim"])


def _gaps(text: Text, loaded: Loaded, columns: int) -> None:
    gaps = loaded.source.facts.gaps
    if not gaps:
        return
    line = [" "] * columns
    for start, end in gaps:
        low, high = ((t - loaded.first) * columns // (loaded.span + 1) for t in (start, end))
        for column in range(max(0, low), min(columns - 1, high) + 1):
            line[column] = "▒"
    text.append(f" {'no samples':<{NAME_WIDTH}}{''.join(line)} {len(gaps)} spans\n", COLOURS["caution"])


def _rates(text: Text, result: CheckResult) -> None:
    """How often each that comes and goes does so, as every report says it."""
    coming = [place.leader for place in places_of(result) if place.leader.intermittent]
    if not coming:
        return
    append_title(text, "How often")
    for suspect in coming:
        cells = "scatter" in suspect.detail or "where_lines" in suspect.detail
        of = "the reads of the cells that fail" if cells else "the accesses in which it could have shown"
        said = f"{who(suspect)}: {how_often_and_sure(suspect)} of {of}"
        text.append(f" {said.replace(NO_BREAK, ' ')}\n", COLOURS["text"])


def _windows(text: Text, result: CheckResult, columns: int) -> None:
    """Windows of equally many accesses in which the fault could have shown, as the engine judged them."""
    windows = result.intermittence.get("windows")
    if not isinstance(windows, Sequence) or isinstance(windows, str) or len(windows) < 2:
        return
    try:
        rows = [(float(w["start_s"]), float(w["end_s"]), int(w["accesses"]), int(w["failures"])) for w in windows]
    except (KeyError, TypeError, ValueError):
        return
    append_title(text, "Wrong reads of those that could have shown it, in windows of equally many")
    most = max((failed / accesses for _, _, accesses, failed in rows if accesses), default=0.0)
    for start, end, accesses, failed in rows[:60]:
        share = failed / accesses if accesses else 0.0
        bar = "█" * max(1 if failed else 0, round(share / most * 24) if most else 0)
        text.append(f" {start:>12.6f} s to {end:>12.6f} s ", COLOURS["dim"])
        text.append(f"{bar:<24}", COLOURS["wrong"])
        text.append(f" {thousands(failed)} of {thousands(accesses)}\n", COLOURS["text"])


def _sentences(text: Text, intermittence: Mapping[str, Any]) -> None:
    """What the engine says of how failures come and go: its sentences and its suggestions."""
    if not intermittence:
        return
    append_title(text, "How the failures come and go", _whose(intermittence))
    said = [*_strings([intermittence.get("basis")]), *_strings(intermittence.get("sentences"))]
    text.append("".join(f"   {line}\n" for line in said), COLOURS["text"])
    for line in _strings(intermittence.get("suggestions")):
        text.append(f" → {line}\n", COLOURS["key"])
    others = intermittence.get("others")
    for other in others if isinstance(others, list | tuple) else ():
        if isinstance(other, Mapping):
            _sentences(text, {key: value for key, value in other.items() if key != "others"})


def _strings(value: object) -> list[str]:
    """The sentences of a list, safe to show; nothing where the result holds something else."""
    return [plain(item, 400) for item in value if isinstance(item, str)] if isinstance(value, list | tuple) else []


def _whose(intermittence: Mapping[str, Any]) -> str:
    component, fault = intermittence.get("component"), intermittence.get("fault")
    does = KINDS[fault].short if isinstance(fault, str) and fault in KINDS else fault
    return " ".join(plain(str(word), 40) for word in (component, does) if word)
