"""The figures that stand in sentences, written one way wherever a sentence is made.

What belongs together is joined by no-break spaces; whoever prints for a terminal turns them into plain ones after
wrapping.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

__all__ = ["NO_BREAK", "count", "lane_ranges", "odds", "percent", "plural"]

NO_BREAK = "\N{NO-BREAK SPACE}"

_LINE = re.compile(r"(.*?)(\d+)")


def count(number: int) -> str:
    """Thousands set apart from five digits up: 9100, 18 210."""
    return str(number) if abs(number) < 10_000 else f"{number:,}".replace(",", NO_BREAK)


def plural(number: int, one: str, many: str = "") -> str:
    """``1 read``, ``12 reads``."""
    return f"{count(number)}{NO_BREAK}{one if number == 1 else many or one + 's'}"


def percent(probability: float) -> str:
    """``93 %``; nothing is called certain or impossible."""
    if probability >= 0.995:
        return f"over{NO_BREAK}99{NO_BREAK}%"
    if probability < 0.005:
        return f"under{NO_BREAK}1{NO_BREAK}%"
    return f"{round(100 * probability)}{NO_BREAK}%"


def odds(rate: float) -> str:
    """A rate per access: ``1 in 380`` (two significant figures), ``70 in 100``."""
    if rate <= 0:
        return "never seen"
    if rate > 0.5:
        return f"{min(round(100 * rate), 99)} in 100".replace(" ", NO_BREAK)
    each = 1 / rate
    step = 10 ** max(0, math.floor(math.log10(each)) - 1)
    return f"1 in {count(round(each / step) * step)}".replace(" ", NO_BREAK)


def lane_ranges(lines: Iterable[str]) -> str:
    """``D0-D3, D6`` for lines D0, D1, D2, D3, D6; other names are listed as they are."""
    groups: list[tuple[str, int, int] | str] = []
    for line in lines:
        match = _LINE.fullmatch(line)
        if match is None:
            groups.append(line)
            continue
        name, number = match[1], int(match[2])
        last = groups[-1] if groups else ""
        if isinstance(last, tuple) and last[0] == name and last[2] == number - 1:
            groups[-1] = (name, last[1], number)
        else:
            groups.append((name, number, number))
    return ", ".join(
        group
        if isinstance(group, str)
        else f"{group[0]}{group[1]}"
        if group[1] == group[2]
        else f"{group[0]}{group[1]}-{group[0]}{group[2]}"
        for group in groups
    )
