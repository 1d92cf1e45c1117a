"""Checks that had nothing to look at: that is no machine without a fault."""

from __future__ import annotations

from typing import TypeVar

from busledger.decoder.checks import BuffersResult, CheckFinding, SelectsResult, TimingResult

__all__ = ["or_unlooked"]

R = TypeVar("R", SelectsResult, BuffersResult, TimingResult)


def or_unlooked(result: R) -> R:
    """The result itself; where not one moment could be judged, the same as one that was not judged, and why."""
    if not result.judged or any(finding.weight != "note" for finding in result.findings):
        return result
    why = _why(result)
    if not why:
        return result
    first = CheckFinding(code="nothing-judged", weight="doubt", text=why)
    findings = (first, *result.findings)
    return result.model_copy(update={"findings": findings, "judged": False, "not_judged_because": why})


def _why(result: SelectsResult | BuffersResult | TimingResult) -> str:
    """Why nothing was judged; empty where something was."""
    if isinstance(result, SelectsResult):
        if any(decoder.judged for decoder in result.decoders) or any(region.cycles for region in result.regions):
            return ""
        return (
            "no cycle was seen in which a clipped select is due, and no moment in which a decoder's outputs could be "
            "held against its table; capture while the card's memory is used"
        )
    if isinstance(result, BuffersResult):
        drivers = [driver.control for driver in result.buffers if driver.control is not None]
        asked = any(one.reads or one.writes or one.elsewhere_cycles for one in drivers)
        through = any(lane.reads or lane.writes for driver in result.buffers for lane in driver.lanes)
        if asked or through or any(driver.known_reads for driver in result.buffers):
            return ""
        if not result.buffers and result.skipped:  # address drivers, say, with nothing clipped behind them
            return "nothing is clipped that shows what the bus drivers do; clip a line of their card side"
        return "no read or write was seen of what the bus drivers serve; capture while the card's memory is used"
    if result.grade is None or any(one.count for one in result.limits if one.limit_ns is not None):
        return ""
    return (
        f"not one time was measured that grade {result.grade} has a limit for; see below what is not clipped, or "
        "capture while the machine runs"
    )
