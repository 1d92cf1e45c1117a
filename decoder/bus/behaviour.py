"""What a profile's lines do, in the words of ``busledger.decoder.wiring``, for proposing a wiring."""

from __future__ import annotations

from collections.abc import Sequence

from busledger.decoder.bus.profile import Profile, load_profile, profile_names
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.bus.schema import Piece
from busledger.decoder.capture import Capture
from busledger.decoder.errors import ProfileError
from busledger.decoder.wiring import Proposal, Wanted, propose

__all__ = ["propose_wiring", "wanted_lines"]


_GLANCE_ROWS = 40_000  # enough to tell one bus from another


def wanted_lines(profile: Profile) -> Wanted | None:
    """The lines of ``profile`` by behaviour; None where the profile has no [behaviour] table."""
    behaviour = profile.file.behaviour
    if behaviour is None:
        return None
    data = {bit: name for bit, name, _ in _places(profile.datas[0].pieces)}
    # Bits that stand on the data lines without a latch (a bank, say) are no help, nor are byte lanes as bit 0.
    address = {
        bit: (name, latched)
        for bit, name, latched in _places(profile.addresses[0].pieces)
        if profile.lines[name].role in ("address", "data") and (latched or name not in data.values())
    }
    has = behaviour.model_dump()
    reads, writes = ((n,) if isinstance(n, str) else tuple(n) for n in (has.pop("read"), has.pop("write")))
    return Wanted(
        address=tuple(address[bit][0] for bit in sorted(address)),
        latched=tuple(address[bit][1] for bit in sorted(address)),
        lowest=min(address, default=0),
        data=tuple(data[bit] for bit in sorted(data)),
        clock=profile.clock.line,
        reads=reads,
        writes=writes,
        active_low=frozenset(line.name for line in profile.lines.values() if line.active_low),
        **has,
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
    some = slice(0, _GLANCE_ROWS)
    glance = Capture(capture.time[some], capture.levels[some], capture.unknown[some], capture.tick_fs)
    tried: dict[Wanted, tuple[str, Proposal]] = {}
    for name, wanted in shapes.items():
        if wanted not in tried:
            tried[wanted] = name, propose(glance, channels, wanted, grid_ticks)
    wanted, (name, _) = max(tried.items(), key=lambda item: _explained(item[1][1]))
    return load_profile(name), propose(capture, channels, wanted, grid_ticks)


def _explained(proposal: Proposal) -> float:
    """How much of a bus a proposal finds: the confidences that are better than a toss, less what is missing."""
    return sum(g.confidence for g in proposal.guesses if g.confidence > 0.5) - 0.5 * len(proposal.missing)


def _places(pieces: Sequence[Piece]) -> list[tuple[int, str, bool]]:
    """(bit, line, whether it is latched) of each bit."""
    return [
        (bit, name, piece.latch is not None)
        for piece in pieces
        for bit, name in zip(bit_numbers(piece.bits), line_names(piece.lines), strict=True)
    ]
