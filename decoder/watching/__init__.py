"""Overnight: captures as they come, for days, with what is known saved every few seconds."""

from busledger.decoder.watching.clock import DayClock, day_text
from busledger.decoder.watching.ending import Rules, parse_long_time, parse_until
from busledger.decoder.watching.failures import line_text
from busledger.decoder.watching.request import WatchRequest
from busledger.decoder.watching.status import Counts, Status, WatchFinding, WatchResult
from busledger.decoder.watching.watcher import Watch

__all__ = [
    "Counts",
    "DayClock",
    "Rules",
    "Status",
    "Watch",
    "WatchFinding",
    "WatchRequest",
    "WatchResult",
    "day_text",
    "line_text",
    "parse_long_time",
    "parse_until",
]
