"""Regions × lanes with the mismatches in each, no wider than the terminal."""

from __future__ import annotations

from collections.abc import Iterable

from rich.text import Text

from busledger.decoder.findings import RegionCounts
from busledger.decoder.report.numbers import short_count
from busledger.decoder.report.terminal import wrap
from busledger.decoder.text import plain

__all__ = ["lane_columns", "lane_table"]

_NAME_LIMIT = 16
_MOST = 6
_NEVER, _RIGHT = "-", "·"


def lane_table(regions: tuple[RegionCounts, ...], width: int) -> list[Text]:
    """Lines of the table: read mismatches by region and lane.

    Of many regions only those with wrong reads are listed.

    ``·`` a lane that was compared and always right, ``-`` one that was never
    compared. Lanes that do not fit beside each other follow in further bands.
    """
    every = [region for region in regions if region.kind != "io" and region.lanes]
    if not every:
        return []
    failing = [region for region in every if region.mismatches]
    shown = every if len(every) <= _MOST else (failing or every)[:_MOST]
    lanes = lane_columns(shown)
    names = [_cut(plain(region.name), min(_NAME_LIMIT, max(6, width // 4))) for region in shown]
    first = max(len("region"), *(len(name) for name in names))
    reads = [short_count(region.reads_compared) for region in shown]
    second = max(len("reads"), *(len(number) for number in reads))
    cell = 1 + max(len(text) for region in shown for text in (*_cells(region, lanes), *map(plain, lanes)))
    fit = max(1, (width - first - second - 2) // cell)
    lines: list[Text] = []
    for start in range(0, len(lanes), fit):
        band = lanes[start : start + fit]
        head = f"{'region':<{first}}  {'reads':>{second}}" + "".join(f"{plain(lane):>{cell}}" for lane in band)
        lines.append(Text(head, style="dim"))
        for region, name, number in zip(shown, names, reads, strict=True):
            line = Text(f"{name:<{first}}  {number:>{second}}")
            for text in _cells(region, band):
                line.append(f"{text:>{cell}}", style="bold red" if text[0].isdigit() else "dim")
            lines.append(line)
    if len(every) > len(shown):
        wrong = max(0, len(failing) - len(shown))
        more = f"and {len(every) - len(shown)} more regions, " + (f"{wrong} with wrong reads" if wrong else "all right")
        lines += [Text(part, style="dim") for part in wrap(more, width)]
    return lines


def lane_columns(regions: Iterable[RegionCounts]) -> list[str]:
    """Lanes side by side: D7 to D0, as the bits of a word are written. (Lists and ranges in sentences count up.)"""
    return list(dict.fromkeys(lane.lane for region in regions for lane in region.lanes))[::-1]


def _cells(region: RegionCounts, lanes: list[str]) -> list[str]:
    by_lane = {lane.lane: lane for lane in region.lanes}
    cells = []
    for name in lanes:
        lane = by_lane.get(name)
        if lane is None or lane.compared == 0:
            cells.append(_NEVER)
        else:
            wrong = lane.low_for_high + lane.high_for_low
            cells.append(short_count(wrong) if wrong else _RIGHT)
    return cells


def _cut(text: str, limit: int) -> str:
    return text if len(text) <= limit else text[: limit - 1] + "…"
