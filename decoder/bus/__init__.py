"""The door of ``decoder.bus``: profiles in, cycles out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.bus.columns import KIND_NAMES, READ_KINDS, WRITE_KINDS, Cycles, Flag, Kind
from busledger.decoder.bus.expression import parse as parse_condition
from busledger.decoder.bus.layout import Layout
from busledger.decoder.bus.ports import Ports
from busledger.decoder.bus.profile import (
    Line,
    Profile,
    check_profile,
    line_needs,
    load_profile,
    profile_from_text,
    profile_names,
)
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.bus.unwired import carried_address, data_channels, unwired_address, unwired_data

if TYPE_CHECKING:
    from busledger.decoder.bus.behaviour import propose_wiring, wanted_lines
    from busledger.decoder.bus.extractor import CycleExtractor
    from busledger.decoder.bus.eye import find_eyes

__all__ = [
    "KIND_NAMES",
    "READ_KINDS",
    "WRITE_KINDS",
    "CycleExtractor",
    "Cycles",
    "Flag",
    "Kind",
    "Layout",
    "Line",
    "Ports",
    "Profile",
    "bit_numbers",
    "carried_address",
    "check_profile",
    "data_channels",
    "find_eyes",
    "line_names",
    "line_needs",
    "load_profile",
    "parse_condition",
    "profile_from_text",
    "profile_names",
    "propose_wiring",
    "unwired_address",
    "unwired_data",
    "wanted_lines",
]


def __getattr__(name: str) -> Any:
    """The extractor brings the compiled kernels, proposals bring numpy work: looked up when first used."""
    if name == "CycleExtractor":
        from busledger.decoder.bus.extractor import CycleExtractor

        return CycleExtractor
    if name == "find_eyes":
        from busledger.decoder.bus.eye import find_eyes

        return find_eyes
    if name in ("propose_wiring", "wanted_lines"):
        from busledger.decoder.bus import behaviour

        return getattr(behaviour, name)
    raise AttributeError(name)
