"""Where it hurts, in words and figures: shares, counts, the worst cell."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from busledger.decoder.findings import CheckResult, LaneCounts, RegionCounts
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.session import BoardLike, ChipLike
from busledger.tui.state import BrowserState
from busledger.tui.wording import thousands

__all__ = [
    "cell_words",
    "chips_of",
    "heat_step",
    "lane_counts",
    "region_words",
    "share_text",
    "worst_cell",
]

# Shares of compared reads that are wrong from which a cell takes the next sign and ground.
_STEPS = (0.0, 0.01, 0.1, 0.5)


def heat_step(wrong: int, compared: int) -> int:
    """0 nothing wrong (or nothing compared), 1 to 4 by the share that is wrong."""
    if not wrong:
        return 0
    return sum(wrong / compared >= step for step in _STEPS)


def share_text(wrong: int, compared: int) -> str:
    """A share in at most three characters: ``-`` nothing compared, ``·`` none, ``<1``, ``37``, ``100`` per cent."""
    if not compared:
        return "-"
    if not wrong:
        return "·"
    share = 100 * wrong / compared
    if share < 1:
        return "<1"
    return "100" if wrong == compared else str(min(99, round(share)))


def lane_counts(region: RegionCounts, lane: int) -> LaneCounts | None:
    """The counts of a lane, None where the ledger has none."""
    return next((counts for counts in region.lanes if counts.lane == f"D{lane}"), None)


def chips_of(board: BoardLike | None, region: str) -> Sequence[ChipLike]:
    """The chips of a region by its name; none without a board."""
    if board is None:
        return ()
    return next((tuple(r.chips) for r in board.regions if r.name == region), ())


def worst_cell(result: CheckResult) -> tuple[int, int] | None:
    """Region and lane with the most wrong reads; None where nothing is wrong."""
    cells = [
        (counts.low_for_high + counts.high_for_low, -number, int(counts.lane[1:]))
        for number, region in enumerate(result.regions)
        for counts in region.lanes
        if counts.lane[1:].isdigit()
    ]
    wrong, place, lane = max(cells, default=(0, 0, 0))
    return (-place, lane) if wrong else None


def cell_words(result: CheckResult, board: BoardLike | None, state: BrowserState) -> Text:
    """The chosen cell's counts and its chip, in a sentence."""
    if state.region is None or state.lane is None or state.region >= len(result.regions):
        return Text("Choose a cell with the arrow keys.", COLOURS["dim"])
    region = result.regions[state.region]
    counts = lane_counts(region, state.lane)
    text = Text()
    place = f"{plain(region.name)} D{state.lane}"
    chip = next((c.designator for c in chips_of(board, region.name) if state.lane in c.lanes), None)
    if region.start is not None and region.end is not None:
        span = f"{region.start:04X}-{region.end:04X}"
        place += f" ({span})" if span != region.name else ""
    text.append(place, f"bold {COLOURS['text']}")
    if chip is not None:
        text.append(f" is {plain(chip)}", COLOURS["accent"])
    if counts is None or not counts.compared:
        text.append(": no read of it could be compared.", COLOURS["dim"])
        return text
    wrong = counts.low_for_high + counts.high_for_low
    colour = COLOURS["wrong" if wrong else "good"]
    text.append(f": {thousands(wrong)} of {thousands(counts.compared)} compared reads wrong", colour)
    if wrong:
        low, high = thousands(counts.low_for_high), thousands(counts.high_for_low)
        text.append(f" ({low} low for high, {high} high for low)", colour)
    text.append(".", colour)
    return text


def region_words(result: CheckResult, state: BrowserState) -> Text:
    """What the chosen region was used for, in a line; empty where none is chosen."""
    text = Text()
    if state.region is None or state.region >= len(result.regions):
        return text
    region = result.regions[state.region]
    text.append(
        f"region: {thousands(region.writes)} writes, {thousands(region.reads)} reads,"
        f" {thousands(region.reads_unknown)} never written, {thousands(region.reads_stale)} stale,"
        f" {thousands(region.reads_disagree)} disagree.",
        COLOURS["dim"],
    )
    return text
