"""What a profile's lines do, in the words of ``decoder.wiring``, for proposing a wiring."""

from __future__ import annotations

from collections.abc import Sequence

from decoder.bus.profile import Profile, load_profile, profile_names
from decoder.bus.ranges import bit_numbers, line_names
from decoder.bus.schema import Piece
from decoder.capture import Capture
from decoder.errors import ProfileError
from decoder.wiring import Proposal, Wanted, propose

__all__ = ["propose_wiring", "wanted_lines"]


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


def propose_wiring(
    capture: Capture, channels: int, grid_ticks: float | None, profile: Profile | None = None
) -> tuple[Profile, Proposal]:
    """A wiring for unnamed channels, for ``profile`` or for the bus that explains most of them.

    Buses whose lines do the same things (6502 and 6800, say) cannot be told apart: the first by name stands for
    them. ``capture`` holds channel k as bit k; ``grid_ticks`` as for ``CycleExtractor``.

    Raises
    ------
    ProfileError
        The profile says nothing of behaviour, with the profiles that do.
    """
    shapes = {name: w for name in profile_names() if (w := wanted_lines(load_profile(name))) is not None}
    if profile is not None:
        wanted = wanted_lines(profile)
        if wanted is None:
            raise ProfileError(
                f"profile {profile.name} has no [behaviour] table: no wiring can be proposed for it",
                expected=f"one of {', '.join(shapes)}",
            )
        return profile, propose(capture, channels, wanted, grid_ticks)
    tried: dict[Wanted, tuple[str, Proposal]] = {}
    for name, wanted in shapes.items():
        if wanted not in tried:
            tried[wanted] = name, propose(capture, channels, wanted, grid_ticks)
    name, best = max(tried.values(), key=lambda item: _explained(item[1]))
    return load_profile(name), best


def _explained(proposal: Proposal) -> float:
    """How much of a bus a proposal finds: the confidences that are better than a toss, less what is missing."""
    return sum(g.confidence for g in proposal.guesses if g.confidence > 0.5) - 0.5 * len(proposal.missing)


def _in_order(pieces: Sequence[Piece]) -> tuple[str, ...]:
    places = {
        bit: name
        for piece in pieces
        for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True)
    }
    return tuple(places[bit] for bit in sorted(places))
