"""The door of ``decoder.checks``: selects, drivers, timing margins and channel health from levels and cycles."""

from __future__ import annotations

from typing import Any

from decoder.checks.evidence import ChecksEvidence, EvidenceKey, gather_evidence
from decoder.checks.results import (
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
)
from decoder.checks.set_results import (
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
    "CheckSet",
    "CheckSetResult",
    "ChecksEvidence",
    "ClockFinding",
    "ControlCounts",
    "CyclesDocument",
    "DecoderResult",
    "DelayHistogram",
    "EvidenceKey",
    "LaneBetween",
    "LanePath",
    "LimitResult",
    "LineBetween",
    "OutputResult",
    "ProbesCheck",
    "ProbesResult",
    "RegionSelect",
    "RowResult",
    "SelectsCheck",
    "SelectsResult",
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
]

_LATE = {
    "BuffersCheck": "buffers",
    "CheckSet": "check_set",
    "CheckSetResult": "check_set",
    "ProbesCheck": "probes",
    "SelectsCheck": "selects",
    "SetSide": "between",
    "SwappedAddressClips": "swapped_address_clips",
    "SwappedClips": "swapped_clips",
    "SwappedLines": "swapped_address_clips",
    "SwappedPair": "swapped_clips",
    "TimingCheck": "timing",
    "Transfers": "transfers",
    "hold_together": "between",
    "probe_doubts": "probe_verdict",
}


def __getattr__(name: str) -> Any:
    """The checks bring compiled kernels: looked up when first used."""
    if name in _LATE:
        from importlib import import_module

        return getattr(import_module(f"decoder.checks.{_LATE[name]}"), name)
    raise AttributeError(name)
