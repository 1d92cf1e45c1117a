"""Failures over the time of day: what a night looked like, with the hours on its axis."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from busledger.decoder.report.numbers import NO_BREAK, plural
from busledger.decoder.report.plots import figure_of, ink, svg_of

__all__ = ["night_pictures"]

_BARS = 240  # a night of minutes is more than a page is wide
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440)
_TICKS = 9


def night_pictures(
    minutes: Sequence[tuple[int, int, int]], days: Sequence[tuple[float, float]]
) -> list[tuple[str, str]]:
    """(SVG, caption) of wrong reads a minute by the time of day; nothing where nothing was compared.

    Parameters
    ----------
    minutes : (minutes since 1970, wrong reads, reads compared)
    days : (seconds of capture time, seconds since 1970) at which each capture begins
    """
    counted = sorted(minute for minute in minutes if minute[2])
    if not counted:
        return []
    first, last = counted[0][0], counted[-1][0]
    width = next((step for step in _STEPS if (last - first) // step < _BARS), (last - first) // _BARS + 1)
    first -= first % width
    bars = (last - first) // width + 1
    wrong, seen = [0] * bars, [0] * bars
    for minute, bad, compared in counted:
        wrong[(minute - first) // width] += bad
        seen[(minute - first) // width] += compared
    edges = [first + k * width for k in range(bars + 1)]
    with figure_of(6.4, 2.2) as (figure, axes):
        axes.stairs([count / width for count in wrong], edges, fill=True, color=ink("wrong"))
        for k in range(bars):
            if not seen[k]:
                axes.axvspan(edges[k], edges[k + 1], color=ink("rule"), alpha=0.25, linewidth=0)
        axes.set_xlim(edges[0], edges[-1])
        axes.set_ylim(bottom=0)
        axes.set_ylabel(f"wrong reads{NO_BREAK}/ min")
        step = next((s for s in _STEPS if (edges[-1] - edges[0]) / s <= _TICKS), 1440)
        at = list(range(-(-edges[0] // step) * step, edges[-1] + 1, step)) or [edges[0]]
        axes.set_xticks(at, [_clock(minute) for minute in at])
        axes.set_xlabel("time of day")
        picture = svg_of(figure, "night")
    begun, ended = _clock(counted[0][0], date=True), _clock(last, date=True)
    text = f"Wrong reads a minute by the time of day, {begun} to {ended}"
    text += f", {plural(len(days), 'capture')}" if len(days) > 1 else ""
    blind = sum(1 for count in seen if not count)
    text += "; grey: nothing was compared." if blind else "."
    return [(picture, text)]


def _clock(minute: int, *, date: bool = False) -> str:
    moment = datetime.fromtimestamp(minute * 60).astimezone()
    return moment.strftime("%Y-%m-%d %H:%M" if date else "%H:%M")
