"""Parts that were cleared by the same reads of one region, told together: a card of seventy chips on one screen."""

from __future__ import annotations

import re
from collections.abc import Iterable

from busledger.decoder.diagnosis import saying
from busledger.decoder.figures import NO_BREAK, lane_ranges
from busledger.decoder.findings import Cleared

__all__ = ["cleared_together", "without_columns"]

# As ``diagnosis.coverage.clearing`` says it of a chip.
_OF_REGION = re.compile(
    r"(?:at least )?(?P<reads>[\d\s]+) reads right in (?P<region>.+?)(?: on each lane)?, "
    r"(?P<high>[\d\s]+) high and (?P<low>[\d\s]+) low(?P<rest>; it fails less than .*)?"
)


def cleared_together(cleared: Iterable[Cleared]) -> list[Cleared]:
    """One entry for all chips of a region with equally many reads: their names in ``component``, the rest as it was.

    The counts of high and low are the least of any of them.
    """
    groups: dict[object, list[tuple[Cleared, re.Match[str] | None]]] = {}
    for number, part in enumerate(cleared):
        told = part.evidence.removeprefix(f"{lane_ranges(part.lanes)}: ")
        found = _OF_REGION.fullmatch(told)
        key = (found["reads"], found["region"], found["rest"]) if found else number
        groups.setdefault(key, []).append((part, found))
    return [_together(mine) for mine in groups.values()]


def _together(mine: list[tuple[Cleared, re.Match[str] | None]]) -> Cleared:
    first, found = mine[0]
    if len(mine) == 1 or found is None:
        return first
    parts = sorted((part for part, _ in mine), key=lambda part: saying.number_in(part.component))
    lanes = sorted({lane for part in parts for lane in part.lanes}, key=saying.number_in)
    high, low = (min((m[level] for _, m in mine if m), key=_number) for level in ("high", "low"))
    evidence = (
        f"{lane_ranges(lanes)}: at least {found['reads']} reads right in {found['region']} on each lane, "
        f"{high} high and {low} low{found['rest'] or ''}"
    )
    names = lane_ranges(dict.fromkeys(part.component for part in parts))
    return first.model_copy(update={"component": names, "lanes": tuple(lanes), "evidence": evidence})


def _number(words: str) -> int:
    return int("".join(re.findall(r"\d", words)))


def without_columns(part: Cleared) -> str:
    """The evidence without lanes and rate, for tables that have columns for them."""
    told = part.evidence.removeprefix(f"{lane_ranges(part.lanes)}: ")
    return told.split("; it fails less than")[0] if part.rate_below else told.replace(NO_BREAK, " ")
