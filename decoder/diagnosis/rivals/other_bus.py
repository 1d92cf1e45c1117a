"""A channel that another bus has and the stated one has not: the capture was read as the wrong bus.

A line such as VMA says of each cycle whether it is an access at all. Where the profile does not know it, cycles in
which the processor works inside itself are taken for reads and writes, and what nobody answers looks like bad memory.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

from busledger.decoder.bus import Profile, load_profile, profile_names
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.rivals.rival import CannotJudge
from busledger.decoder.text import plain
from busledger.decoder.wiring import canonical

__all__ = ["line_of_another_bus", "names_with_such_a_line"]


def line_of_another_bus(evidence: Evidence, profile: Profile) -> CannotJudge | None:
    """Reads come wrong, and a channel is called as the line by which another bus says what an access is; None where
    that is not so. Of a channel that belongs to no line of the bus and the card nothing but its name is known here."""
    wrong = sum(region.mismatches + region.reads_disagree for region in evidence.counts)
    if not wrong:
        return None
    known = _spellings(profile)
    still = {one.channel for one in evidence.probes.channels if not one.moves} if evidence.probes is not None else set()
    # A channel is called by its own name, and by the line that the board file's wiring makes of it.
    wired = {channel: line for line, channel in evidence.board.wiring.items()}
    names = {name: wired.get(name, name) for name in evidence.channels}
    channels = {name: frozenset((*canonical(name), *canonical(names[name]))) for name in evidence.channels}
    strange = {name: forms for name, forms in channels.items() if name not in still and not known & forms}
    if not strange:
        return None
    there = frozenset().union(*channels.values())
    for other in map(load_profile, names_with_such_a_line()):
        valid = getattr(other.file.behaviour, "valid", None)
        if other.name == profile.name or valid is None or not _all_there(other, there):
            continue
        for channel, forms in strange.items():
            if valid in forms:
                line = plain(names[channel], 60)
                return CannotJudge(
                    "wrong-bus",
                    f"the wrong bus: {line} was recorded, by which a {other.name} says which cycles are accesses, and "
                    f"{profile.name} takes them all for accesses",
                    f"name {other.name}, or whatever bus has {line}, as the bus and check again",
                )
    return None


@cache
def names_with_such_a_line() -> tuple[str, ...]:
    """The bundled buses that may have a line which says what an access is: a profile takes 1.5 ms to read as TOML, and
    most do not even hold the word."""
    folder = resources.files("busledger.bus_profiles")
    return tuple(n for n in profile_names() if "valid = " in (folder / f"{n}.toml").read_text(encoding="utf-8"))


def _spellings(profile: Profile) -> frozenset[str]:
    return frozenset(form for name in profile.spellings for form in canonical(name))


def _all_there(profile: Profile, there: frozenset[str]) -> bool:
    """Whether each line that the bus cannot do without has a channel that is called so."""
    needed = (line for line in profile.lines.values() if line.required)
    return all({*canonical(line.name), *(f for a in line.aliases for f in canonical(a))} & there for line in needed)
