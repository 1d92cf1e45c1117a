"""Which address and data bits no channel carries."""

from __future__ import annotations

from collections.abc import Sequence

from decoder.bus.layout import Layout
from decoder.bus.profile import Profile
from decoder.bus.ranges import bit_numbers, line_names
from decoder.bus.schema import AddressSource, DataSource

__all__ = ["unwired_address", "unwired_data"]


def unwired_address(profile: Profile, layout: Layout) -> int:
    """Mask of the address bits whose line is not wired, nor its stand-in, and has no default level."""
    return _missing(profile.addresses, profile, layout)


def unwired_data(profile: Profile, layout: Layout) -> int:
    """Mask of the data bits that some source of the bus's data cannot give."""
    return _missing(profile.datas, profile, layout)


def _missing(sources: Sequence[AddressSource | DataSource], profile: Profile, layout: Layout) -> int:
    missing = 0
    for source in sources:
        for piece in source.pieces:
            for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True):
                line = profile.lines[name]
                stand_in = line.fallback is not None and layout.wired(line.fallback)
                if not (layout.wired(name) or stand_in or line.default_level is not None):
                    missing |= 1 << bit
    return missing
