"""Numbers as people at a bench read them. Rounded for reading: exact figures are in the JSON.

What belongs together is joined by no-break spaces; whoever prints for a
terminal turns them into plain ones after wrapping.
"""

from __future__ import annotations

from busledger.decoder.figures import NO_BREAK, between, count, lane_ranges, odds, percent, plural, rarer_than

__all__ = [
    "NO_BREAK",
    "between",
    "count",
    "lane_ranges",
    "odds",
    "percent",
    "plural",
    "rarer_than",
    "seconds",
    "short_count",
]


def short_count(number: int) -> str:
    """At most four characters: 9999, 12k, 999k, 3M."""
    for size, unit in ((10**9, "G"), (10**6, "M"), (10**3, "k")):
        if number >= 10 * size or (size > 10**3 and number >= size):
            return f"{number // size}{unit}"
    return str(number)


def seconds(value: float) -> str:
    """Three significant figures in a handy unit: ``41.7 ns``, ``0.52 s``."""
    if value == 0:
        return f"0{NO_BREAK}s"
    for size, unit in ((0.1, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns")):
        if abs(value) >= size:
            scale = 1.0 if unit == "s" else size
            break
    else:
        scale, unit = 1e-12, "ps"
    scaled = value / scale
    if abs(scaled) >= 1000:
        return f"{scaled:.0f}{NO_BREAK}{unit}"
    return f"{scaled:.3g}{NO_BREAK}{unit}"
