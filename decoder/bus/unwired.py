"""Which address bits no channel carries."""

from __future__ import annotations

from decoder.bus.layout import Layout
from decoder.bus.profile import Profile
from decoder.bus.ranges import bit_numbers, line_names

__all__ = ["unwired_address"]


def unwired_address(profile: Profile, layout: Layout) -> int:
    """Mask of the address bits whose line is not wired, nor its stand-in, and has no default level."""
    missing = 0
    for source in profile.addresses:
        for piece in source.pieces:
            for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True):
                line = profile.lines[name]
                stand_in = line.fallback is not None and layout.wired(line.fallback)
                if not (layout.wired(name) or stand_in or line.default_level is not None):
                    missing |= 1 << bit
    return missing
