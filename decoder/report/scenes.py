"""Levels against time as SVG: the lanes that differ first, each with what was read and what was due at the sampling
edge; then single lines as steps and buses as bands with their value."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence

import numpy as np
from markupsafe import escape
from numpy.typing import NDArray

from busledger.decoder.report.around import Scene
from busledger.decoder.text import plain

__all__ = ["scene_svg"]

_WIDTH, _LEFT, _RIGHT = 720.0, 84.0, 8.0
_ROW, _HIGH, _LOW = 20.0, 4.0, 15.0
_CHARACTER = 6.2  # width of a digit at the size used
_LEAST_BUS = 4  # numbered lines that make a band
_NUMBERED = re.compile(r"(.*?)(\d+)")
_LABEL_LIMIT = 11
_TOP = 14.0  # for the words over the sampling edge
_WIDE, _STROKE = 8.0, 4.0  # half the width of the hatched part; from one of its strokes to the next


def scene_svg(scene: Scene) -> str:
    """SVG text for inlining; colours come from the page's variables."""
    rows = list(_rows(scene))
    height = len(rows) * _ROW + _TOP + 26
    parts = [
        f'<svg aria-hidden="true" focusable="false" viewBox="0 0 {_WIDTH:g} {height:g}" width="{_WIDTH:g}" '
        f'xmlns="http://www.w3.org/2000/svg" font-size="11" font-family="sans-serif">'
    ]
    edge = _x(scene, 0.0)
    at = f"sampled at {escape(scene.sampled_at)}" if scene.sampled_at else "sampled"
    parts.append(
        f'<text x="{edge:.1f}" y="10" text-anchor="middle" fill="var(--ink)">{at}</text>'
        f'<line x1="{edge:.1f}" x2="{edge:.1f}" y1="{_TOP:g}" y2="{_TOP + len(rows) * _ROW:g}" '
        'stroke="var(--rule)" stroke-dasharray="3 3"/>'
    )
    for number, (label, colour, body) in enumerate(rows):
        parts.append(
            f'<g transform="translate(0 {_TOP + number * _ROW:g})" fill="none" stroke="var(--{colour})">'
            f'<text x="{_LEFT - 8:g}" y="14" text-anchor="end" fill="var(--{colour})" stroke="none">{label}</text>'
            f"{body}</g>"
        )
    parts.append(_axis(scene, _TOP + len(rows) * _ROW))
    return "".join(parts) + "</svg>"


def _rows(scene: Scene) -> Iterator[tuple[str, str, str]]:
    """(label, colour, drawing) from top to bottom: the lanes that differ, single lines, bands."""
    groups: dict[str, list[tuple[int, int]]] = {}
    for column, name in enumerate(scene.names):
        match = _NUMBERED.fullmatch(name)
        if match is not None:
            groups.setdefault(match[1], []).append((int(match[2]), column))
    buses = {stem: sorted(found) for stem, found in groups.items() if len(found) >= _LEAST_BUS}
    banded = {column for found in buses.values() for _, column in found}
    for place, lane in enumerate(scene.lanes):
        if lane in scene.names:
            column = scene.names.index(lane)
            yield _label(lane), "wrong", _steps(scene, column) + _against(scene, place)
    for column, name in enumerate(scene.names):
        if column not in banded and name not in scene.lanes:
            yield _label(name), "ink", _steps(scene, column)
    for stem, found in buses.items():
        yield _label(f"{stem}{found[0][0]}-{found[-1][0]}"), "ink", _band(scene, found)


def _against(scene: Scene, place: int) -> str:
    """At the sampling edge: the level that was due over the one that was read, hatched between them, both named."""
    if place >= len(scene.due):
        return ""
    due, edge = scene.due[place], _x(scene, 0.0)
    starts = [edge - _WIDE + k * _STROKE for k in range(round(2 * _WIDE / _STROKE))]
    strokes = "".join(f"M{start:.1f} {_LOW:g}l{_STROKE:g} {_HIGH - _LOW:g}" for start in starts)
    return (
        f'<path d="{strokes}"/>'
        f'<path d="M{edge - _WIDE:.1f} {_HIGH if due else _LOW:g}h{2 * _WIDE:g}" stroke="var(--ink)" stroke-width="2"/>'
        f'<text x="{edge + _WIDE + 4:.1f}" y="14" fill="var(--ink)" stroke="var(--paper)" stroke-width="3" '
        f'paint-order="stroke">read {int(not due)}, due {int(due)}</text>'
    )


def _label(name: str) -> str:
    shown = plain(name)
    return str(escape(shown if len(shown) <= _LABEL_LIMIT else shown[: _LABEL_LIMIT - 1] + "…"))


def _x(scene: Scene, ns: float) -> float:
    first, last = scene.span_ns
    share = (min(max(ns, first), last) - first) / (last - first)
    return _LEFT + share * (_WIDTH - _LEFT - _RIGHT)


def _spans(scene: Scene, key: NDArray[np.int64]) -> Iterator[tuple[float, float, int]]:
    """(from x, to x, row) for every run of rows with the same key."""
    starts = [0, *(int(k) + 1 for k in np.flatnonzero(np.diff(key)))]
    for start, stop in zip(starts, [*starts[1:], len(key)], strict=True):
        end = scene.span_ns[1] if stop == len(key) else float(scene.time_ns[stop])
        if end > scene.span_ns[0] and scene.time_ns[start] < scene.span_ns[1]:
            yield _x(scene, float(scene.time_ns[start])), _x(scene, end), start


def _steps(scene: Scene, column: int) -> str:
    """One line: high, low, or half-way and dashed where it is unknown."""
    if not len(scene.time_ns):
        return ""
    level, unknown = scene.levels[:, column], scene.unknown[:, column]
    path, dashed, before = "", "", None
    for left, right, row in _spans(scene, level.astype(np.int64) + 2 * unknown):
        if unknown[row]:
            middle = (_HIGH + _LOW) / 2
            dashed += f"M{left:.1f} {middle:g}H{right:.1f}"
            before = None
            continue
        y = _HIGH if level[row] else _LOW
        path += f"{'M' if before is None else 'L'}{left:.1f} {y:g}H{right:.1f}"
        before = y
    drawn = f'<path d="{path}"/>' if path else ""
    return drawn + (f'<path d="{dashed}" stroke-dasharray="2 3"/>' if dashed else "")


def _band(scene: Scene, bits: Sequence[tuple[int, int]]) -> str:
    """A bus: a box for every value, the value in hexadecimal where it fits."""
    if not len(scene.time_ns):
        return ""
    columns = [column for _, column in bits]
    weights = np.int64(1) << (np.array([bit for bit, _ in bits]) - bits[0][0])
    value = (scene.levels[:, columns] * weights).sum(axis=1)
    unknown = (scene.unknown[:, columns] * weights).sum(axis=1)
    nibbles = -(-(bits[-1][0] - bits[0][0] + 1) // 4)
    key = np.unique(np.stack([value, unknown], axis=1), axis=0, return_inverse=True)[1].reshape(-1).astype(np.int64)
    drawn = ""
    for left, right, row in _spans(scene, key):
        drawn += f'<rect x="{left:.1f}" y="{_HIGH:g}" width="{right - left:.1f}" height="{_LOW - _HIGH:g}"/>'
        text = _hex(int(value[row]), int(unknown[row]), nibbles)
        if right - left > len(text) * _CHARACTER + 4:
            middle = (left + right) / 2
            drawn += (
                f'<text x="{middle:.1f}" y="13.5" text-anchor="middle" fill="var(--ink)" stroke="none">{text}</text>'
            )
    return drawn


def _hex(value: int, unknown: int, nibbles: int) -> str:
    shifts = range(4 * (nibbles - 1), -1, -4)
    return "".join("?" if unknown >> shift & 15 else f"{value >> shift & 15:X}" for shift in shifts)


def _axis(scene: Scene, y: float) -> str:
    """Marks at round distances from the sampling edge."""
    first, last = scene.span_ns
    step = 10.0 ** math.floor(math.log10((last - first) / 2))
    every = max(1, round((last - first) / step / 7))
    numbers = range(math.ceil(first / step / every), math.floor(last / step / every) + 1)
    marks = [number * every * step for number in numbers]
    return "".join(
        f'<text x="{_x(scene, mark):.1f}" y="{y + 18:g}" fill="var(--faint)" '
        f'text-anchor="{"end" if _x(scene, mark) > _WIDTH - 40 else "middle"}">'
        f"{f'{mark:+g} ns' if mark else '0'}</text>"
        for mark in marks
    )
