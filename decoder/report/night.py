"""Failures over the time of day: what a night looked like, with the hours on its axis.

Drawn by hand, as the scenes are: at the end of every watch the plotting library would take half a second to load.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from busledger.decoder.report.numbers import NO_BREAK, plural

__all__ = ["night_pictures", "night_scale"]

_BARS = 240  # a night of minutes is more than a page is wide
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440)
_TICKS = 9
_WIDTH, _HEIGHT = 640.0, 200.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 22.0, 12.0, 40.0


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
    picture = _drawn([count / width for count in wrong], [not count for count in seen], first, width)
    begun, ended = _clock(counted[0][0], date=True), _clock(last, date=True)
    text = f"Wrong reads a minute by the time of day, {begun} to {ended}"
    text += f", {plural(len(days), 'capture')}" if len(days) > 1 else ""
    blind = sum(1 for count in seen if not count)
    text += "; grey: nothing was compared." if blind else "."
    return [(picture, text)]


def _drawn(rates: Sequence[float], blind: Sequence[bool], first: int, width: int) -> str:
    """Bars of wrong reads a minute, ``width`` minutes each from ``first`` on; grey where nothing was compared."""
    right, floor = _WIDTH - _RIGHT, _HEIGHT - _BOTTOM
    across = (right - _LEFT) / len(rates)
    top, marks = night_scale(max(rates))
    boxes, edges = "", np.flatnonzero(np.diff([False, *blind, False])).tolist()
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        boxes += f"M{_LEFT + begin * across:.2f} {_TOP:g}V{floor:g}H{_LEFT + end * across:.2f}V{_TOP:g}z"
    bars = "".join(
        f"M{_LEFT + k * across:.2f} {floor:g}v-{(floor - _TOP) * rate / top:.2f}h{across:.2f}V{floor:g}z"
        for k, rate in enumerate(rates)
        if rate
    )
    ticks, words = "", ""
    for mark in marks:
        y = floor - (floor - _TOP) * mark / top
        ticks += f"M{_LEFT:g} {y:.2f}h-4"
        words += f'<text x="{_LEFT - 7:g}" y="{y + 4:.2f}" text-anchor="end">{mark:g}</text>'
    last = first + width * len(rates)
    step = next((s for s in _STEPS if (last - first) / s <= _TICKS), 1440)
    for minute in list(range(-(-first // step) * step, last + 1, step)) or [first]:
        x = _LEFT + (minute - first) / width * across
        ticks += f"M{x:.2f} {floor:g}v4"
        words += f'<text x="{x:.2f}" y="{floor + 16:g}" text-anchor="middle">{_clock(minute)}</text>'
    middle = (_TOP + floor) / 2
    return (
        f'<svg aria-hidden="true" focusable="false" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" width="{_WIDTH:g}" '
        f'xmlns="http://www.w3.org/2000/svg" font-size="12" font-family="sans-serif">'
        f'<path fill="var(--rule)" opacity="0.25" d="{boxes}"/><path fill="var(--wrong)" d="{bars}"/>'
        f'<path fill="none" stroke="var(--rule)" d="M{_LEFT:g} {_TOP:g}V{floor:g}H{right:g}{ticks}"/>'
        f'<g fill="var(--faint)">{words}</g><g fill="var(--ink)" text-anchor="middle">'
        f'<text x="{(_LEFT + right) / 2:g}" y="{_HEIGHT - 6:g}">time of day</text>'
        f'<text transform="translate(13 {middle:g}) rotate(-90)">wrong reads{NO_BREAK}/ min</text></g></svg>'
    )


def night_scale(most: float) -> tuple[float, list[float]]:
    """The upper end of an axis from 0 on that ``most`` fits in, and its marks: steps of 1, 2 or 5."""
    if most <= 0:
        return 1.0, [0.0]
    power = 10.0 ** math.floor(math.log10(most / 2))
    step = next(part * power for part in (0.5, 1.0, 2.0, 5.0, 10.0) if most / (part * power) <= 5)
    count = math.ceil(most / step - 1e-9)
    return count * step, [k * step for k in range(count + 1)]


def _clock(minute: int, *, date: bool = False) -> str:
    moment = datetime.fromtimestamp(minute * 60).astimezone()
    return moment.strftime("%Y-%m-%d %H:%M" if date else "%H:%M")
