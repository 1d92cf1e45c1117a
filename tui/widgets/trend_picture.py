"""Trend: when the wrong reads came, over the capture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from decoder.findings import CheckResult
from decoder.text import plain
from tui.loaded import Loaded
from tui.palette import COLOURS
from tui.state import BrowserState
from tui.widgets.check_text import append_title, fact_lines, spark
from tui.wording import thousands, time_text

__all__ = ["cell_trend", "trend_text", "wrong_counts"]

_MOST_ROWS = 200_000
NAME_WIDTH = 14


@lru_cache(maxsize=2)
def _wrong_reads(loaded: Loaded) -> tuple[int, NDArray[np.int64], NDArray[np.int16], NDArray[np.uint32]]:
    """One wrong read in how many is taken, and those reads' times, regions and lanes."""
    rows = loaded.source.mismatch_rows
    step = max(1, -(-len(rows) // _MOST_ROWS))
    rows = rows[::step]
    cycles = loaded.source.cycles
    return step, cycles.time[rows], cycles.region[rows], loaded.source.compared.mismatch[rows]


def wrong_counts(loaded: Loaded, windows: int, region: int | None = None, lane: int | None = None) -> NDArray[np.int64]:
    """Wrong reads in equal spans of time, shape (windows,); of one region or one lane where given.

    Looks at the mismatches only, at most 200 000 of them, taken evenly; counts are then scaled up.
    """
    step, times, regions, lanes = _wrong_reads(loaded)
    keep = np.ones(len(times), np.bool_)
    if region is not None:
        keep &= regions == region
    if lane is not None:
        keep &= (lanes >> np.uint32(lane)) & np.uint32(1) == 1
    times = times[keep]
    edges = loaded.first + (np.arange(windows + 1) * (loaded.span + 1)) // windows
    places = np.searchsorted(times, edges)
    counts: NDArray[np.int64] = np.diff(places).astype(np.int64) * step
    return counts


def cell_trend(loaded: Loaded, state: BrowserState, columns: int) -> Text:
    """The cell chosen on the heat map over time, in a line; empty where nothing of it is wrong."""
    result = loaded.session.result
    if state.region is None or state.lane is None or state.region >= len(result.regions):
        return Text()
    name = result.regions[state.region].name
    index = next((n for n, r in enumerate(loaded.source.facts.regions) if r.name == name), None)
    counts = wrong_counts(loaded, columns, index, state.lane)
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
        for number, region in enumerate(source.facts.regions):
            counts = wrong_counts(loaded, columns, number)
            if counts.sum():
                _line(text, plain(region.name), counts)
        if state.region is not None and state.lane is not None and state.region < len(result.regions):
            name = result.regions[state.region].name
            index = next((n for n, r in enumerate(source.facts.regions) if r.name == name), None)
            append_title(text, "The cell chosen in Where")
            _line(text, f"{plain(name, 9)} D{state.lane}", wrong_counts(loaded, columns, index, state.lane))
    _gaps(text, loaded, columns)
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


def _windows(text: Text, result: CheckResult, columns: int) -> None:
    """Windows of equal eligible accesses, as the engine judged them."""
    windows = result.intermittence.get("windows")
    if not isinstance(windows, Sequence) or isinstance(windows, str) or len(windows) < 2:
        return
    try:
        rows = [(float(w["start_s"]), float(w["end_s"]), int(w["accesses"]), int(w["failures"])) for w in windows]
    except (KeyError, TypeError, ValueError):
        return
    append_title(text, "Share that failed, in windows of equal use")
    most = max((failed / accesses for _, _, accesses, failed in rows if accesses), default=0.0)
    for start, end, accesses, failed in rows[:60]:
        share = failed / accesses if accesses else 0.0
        bar = "█" * max(1 if failed else 0, round(share / most * 24) if most else 0)
        text.append(f" {start:>12.6f} s to {end:>12.6f} s ", COLOURS["dim"])
        text.append(f"{bar:<24}", COLOURS["wrong"])
        text.append(f" {thousands(failed)} of {thousands(accesses)}\n", COLOURS["text"])


def _sentences(text: Text, intermittence: Mapping[str, Any]) -> None:
    """Whatever else the engine says of how failures come and go."""
    lines = [line for key, value in intermittence.items() if key != "windows" for line in fact_lines(key, value)]
    if lines:
        append_title(text, "How the failures come and go")
        for line in lines[:40]:
            text.append(f" {line}\n", COLOURS["text"])
