"""What a profile's lines do, in the words of ``decoder.wiring``, for proposing a wiring."""

from __future__ import annotations

from collections.abc import Sequence

from decoder.bus.profile import Profile
from decoder.bus.ranges import bit_numbers, line_names
from decoder.bus.schema import Piece
from decoder.wiring import Wanted

__all__ = ["wanted_lines"]


def wanted_lines(profile: Profile) -> Wanted | None:
    """The lines of ``profile`` by behaviour; None where the profile has no [behaviour] table (multiplexed buses)."""
    behaviour = profile.file.behaviour
    if behaviour is None:
        return None
    return Wanted(
        address=_in_order(profile.addresses[0].pieces),
        data=_in_order(profile.datas[0].pieces),
        clock=profile.clock.line,
        active_low=frozenset(line.name for line in profile.lines.values() if line.active_low),
        **behaviour.model_dump(),
    )


def _in_order(pieces: Sequence[Piece]) -> tuple[str, ...]:
    places = {
        bit: name
        for piece in pieces
        for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True)
    }
    return tuple(places[bit] for bit in sorted(places))
