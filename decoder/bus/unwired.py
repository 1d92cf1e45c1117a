"""Which address and data bits which channel carries, and which none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from busledger.decoder.bus.layout import Layout
from busledger.decoder.bus.profile import Profile
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.bus.schema import AddressSource, DataSource

__all__ = ["carried_address", "data_channels", "unwired_address", "unwired_data"]


def unwired_address(profile: Profile, layout: Layout) -> int:
    """Mask of the address bits whose line is not wired, nor its stand-in, and has no default level."""
    return _missing(profile.addresses, profile, layout)


def carried_address(profile: Profile, layout: Layout) -> int:
    """Mask of the address bits that channels give in every kind of cycle; a line's default level is not seen."""
    given, silent = 0, 0
    for source in profile.addresses:
        for bit, name in _bits(source):
            line = profile.lines[name]
            seen = layout.wired(name) or (line.fallback is not None and layout.wired(line.fallback))
            given, silent = (given | 1 << bit, silent) if seen else (given, silent | 1 << bit)
    return given & ~silent


def unwired_data(profile: Profile, layout: Layout) -> int:
    """Mask of the data bits that some source of the bus's data cannot give."""
    return _missing(profile.datas, profile, layout)


def data_channels(profile: Profile, layout: Layout) -> tuple[frozenset[int], ...]:
    """For each data bit the channels (indices in ``Header.signals``) that give it in some kind of cycle."""
    found: list[set[int]] = [set() for _ in range(profile.data_bits)]
    for source in profile.datas:
        for bit, name in _bits(source):
            if layout.wired(name):
                found[bit].add(layout.select[layout.bit(name)])
    return tuple(map(frozenset, found))


def _missing(sources: Sequence[AddressSource | DataSource], profile: Profile, layout: Layout) -> int:
    missing = 0
    for source in sources:
        for bit, name in _bits(source):
            line = profile.lines[name]
            stand_in = line.fallback is not None and layout.wired(line.fallback)
            if not (layout.wired(name) or stand_in or line.default_level is not None):
                missing |= 1 << bit
    return missing


def _bits(source: AddressSource | DataSource) -> Iterator[tuple[int, str]]:
    """Each bit of a source with the line that gives it."""
    for piece in source.pieces:
        yield from zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True)
