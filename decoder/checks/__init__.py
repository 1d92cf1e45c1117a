"""The door of ``decoder.checks``: selects, drivers, timing margins and channel health from levels and cycles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.checks.evidence import CheckKey, ChecksEvidence, gather_evidence
from busledger.decoder.checks.grounds import CheckName, Grounds
from busledger.decoder.checks.lines import skew_of, usual_pulses
from busledger.decoder.checks.results import (
    BufferResult,
    BuffersResult,
    ChannelHealth,
    CheckFinding,
    ClockFinding,
    ControlCounts,
    DecoderResult,
    DelayHistogram,
    LanePath,
    LimitResult,
    OutputResult,
    ProbesResult,
    RegionSelect,
    RowResult,
    SelectsResult,
    TimingResult,
    worst_first,
)

if TYPE_CHECKING:  # models of several sets, which few commands need, take a while to be made
    from busledger.decoder.checks.sets.set_results import (
        AddressSpan,
        BetweenResult,
        CyclesDocument,
        LaneBetween,
        LineBetween,
        SetEntry,
        SetsResult,
    )

__all__ = [
    "AddressSpan",
    "BetweenResult",
    "BufferResult",
    "BuffersCheck",
    "BuffersResult",
    "ChannelHealth",
    "CheckFinding",
    "CheckKey",
    "CheckName",
    "CheckSet",
    "CheckSetResult",
    "ChecksEvidence",
    "ClockFinding",
    "ControlCounts",
    "CyclesDocument",
    "DecoderResult",
    "DelayHistogram",
    "Grounds",
    "LaneBetween",
    "LanePath",
    "LimitResult",
    "LineBetween",
    "LostLine",
    "LostLines",
    "MixedClips",
    "MixedPair",
    "OutputResult",
    "ProbesCheck",
    "ProbesResult",
    "RegionSelect",
    "RowResult",
    "SeenStrobes",
    "SelectsCheck",
    "SelectsResult",
    "SelectsSeen",
    "SetEntry",
    "SetSide",
    "SetsResult",
    "SwappedAddressClips",
    "SwappedClips",
    "SwappedLines",
    "SwappedPair",
    "TimingCheck",
    "TimingResult",
    "Transfers",
    "gather_evidence",
    "hold_together",
    "probe_doubts",
    "skew_of",
    "usual_pulses",
    "worst_first",
]

_LATE = {
    "AddressSpan": "sets.set_results",
    "BetweenResult": "sets.set_results",
    "BuffersCheck": "buffers.buffers",
    "CheckSet": "check_set",
    "CheckSetResult": "check_set",
    "LostLine": "probes.lost_lines",
    "LostLines": "probes.lost_lines",
    "CyclesDocument": "sets.set_results",
    "LaneBetween": "sets.set_results",
    "LineBetween": "sets.set_results",
    "MixedClips": "probes.mixed_clips",
    "MixedPair": "probes.mixed_clips",
    "ProbesCheck": "probes.probes",
    "SelectsCheck": "selects.selects",
    "SelectsSeen": "selects.seen_selects",
    "SeenStrobes": "windows",
    "SetEntry": "sets.set_results",
    "SetSide": "sets.between",
    "SetsResult": "sets.set_results",
    "SwappedAddressClips": "probes.swapped_address_clips",
    "SwappedClips": "probes.swapped_clips",
    "SwappedLines": "probes.swapped_address_clips",
    "SwappedPair": "probes.swapped_clips",
    "TimingCheck": "timing.timing",
    "Transfers": "sets.transfers",
    "hold_together": "sets.between",
    "probe_doubts": "probes.probe_verdict",
}


def __getattr__(name: str) -> Any:
    """The checks bring compiled kernels, and models that few need: looked up when first used."""
    if name in _LATE:
        from importlib import import_module

        return getattr(import_module(f"busledger.decoder.checks.{_LATE[name]}"), name)
    raise AttributeError(name)
