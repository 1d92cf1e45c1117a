"""From a region's name in the result to the cycles of it: by its index, or by its addresses.

A result may divide a region where the failures draw a line inside it; the
decoded cycles then still carry the undivided one, and the addresses tell.
"""

from __future__ import annotations

from collections.abc import Collection

from busledger.decoder.findings import CheckResult
from busledger.decoder.store import StoreFacts
from busledger.tui.filters import Filter

__all__ = ["cell_filter"]


def cell_filter(facts: StoreFacts, result: CheckResult, names: Collection[str], lanes: int) -> Filter:
    """The wrong cycles of these regions on these lanes (0: on any)."""
    indices = frozenset(n for n, region in enumerate(facts.regions) if region.name in names)
    spans = [(r.start, r.end) for r in result.regions if r.name in names and r.start is not None and r.end is not None]
    known = {facts.regions[n].name for n in indices}
    if known >= set(names) or not spans:
        return Filter(regions=indices, lanes=lanes, only="wrong")
    low, high = min(start for start, _ in spans), max(end for _, end in spans)
    return Filter(address=(low, high), lanes=lanes, only="wrong")
