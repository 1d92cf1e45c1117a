"""The figures that stand in sentences, written one way wherever a sentence is made.

What belongs together is joined by no-break spaces; whoever prints for a terminal turns them into plain ones after
wrapping.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

__all__ = ["NO_BREAK", "between", "count", "lane_ranges", "odds", "percent", "plural", "rarer_than"]

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


def rarer_than(bound: float) -> str:
    """An upper bound of a rate: ``1 in 380``, two significant figures, rounded so that the bound still holds."""
    if bound >= 0.5:
        return odds(bound)
    each = max(2, math.floor(1 / bound))
    step = 10 ** max(0, len(str(each)) - 2)
    return f"1 in {count(each // step * step)}".replace(" ", NO_BREAK)


def between(interval: tuple[float, float]) -> str:
    """An interval of a rate, the rarer end first, both counted alike: ``1 in 60 to 1 in 31``, ``47 to 53 in 100``."""
    low, high = interval
    if high <= 0.5 or low < 0.01:  # of a hundred, what is rarer than one would be none
        return f"{odds(low)} to {odds(high)}"
    rarer, often = (min(round(100 * end), 99) for end in interval)
    return f"{rarer} to {often} in 100" if rarer < often else odds(high)


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
