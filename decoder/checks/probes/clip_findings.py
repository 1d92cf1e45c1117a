"""Clips that rest or rattle: what the channels themselves show of it, line by line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from busledger.decoder.checks.lines import usual_pulses
from busledger.decoder.checks.probes.walk import walked

__all__ = ["Seen", "clip_findings", "has_stopped"]

# Judged, all of them, to be slow to speak: what they say is a doubt about a clip, told before any fault. Changes of a
# line are no Poisson process (loops), so that e ** -100 is not the chance of a rest, but leaves room for phases.
# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py; two clips
# exchanged and a strobe's clip off, too).
_LONGER = 3.0  # times the longest rest before: programs have phases, too
_EXPECTED = 100.0  # changes that the time before lets expect
_SHARE = 0.1  # of the capture: a shorter rest at its end is no news
_MANY = 48  # changes: the mean time between them is then known to a seventh (1 / sqrt 48)
_OFTEN = 0.05  # of its changes: drivers that take over from each other make a few in a hundred on a skewed channel
_BEYOND = 10.0  # times the pulses of one sample on the middle line of its kind
_TOGETHER = 0.1  # of the time since: a loop is entered within a few of its turns
_MISSED = 2  # steps without it: one is an odd jump, too
_NEVER = 3  # the same of a line that never moved, and may not be used at all: loops may begin where its lower lines do


@dataclass(frozen=True, slots=True)
class Seen:
    """One channel: its ``line`` and ``role`` on the bus, ``moves``, pulses of one sample (``runts``), ticks of the last
    change and the longest time between two rises, -1 where there is none; ``anywhere``: the runts come at any moment of
    the clock (None: not known); ``of_two``: pulses of two samples; ``missed``: an address line's steps since its last
    change that went without it, of one that never moved all of them, as ``walk`` counts them."""

    channel: str
    line: str
    role: str | None
    moves: int
    runts: int
    last: int
    longest: int
    anywhere: bool | None = None
    of_two: int = 0
    missed: int = 0


def clip_findings(
    channels: list[Seen], span: tuple[int, int], moment: Callable[[int], str]
) -> Iterator[tuple[str, str, str, str, int, int | None]]:
    """(code, weight, channel, sentence, count, tick) of every clip to look at; ``moment`` puts a tick into words."""
    usual = {anywhere: _usual(channels, anywhere=anywhere) for anywhere in (True, False)}
    stopped = [seen for seen in channels if has_stopped(seen, span)]
    busy = any(seen.role == "data" and seen.moves > _MANY for seen in channels)
    for seen in channels:
        if seen.role == "data" and not seen.moves and busy:
            yield (
                "clip-off", "doubt", seen.channel,
                f"{seen.channel} never moved while the other data lines did: its clip is off, or it is on another pin",
                0, None,
            )  # fmt: skip
        if seen.role == "address" and not seen.moves and seen.missed >= _NEVER:
            yield (
                "clip-off", "doubt", seen.channel,
                f"{seen.channel} never moved, and the addresses went past it in {seen.missed} places: its clip is off, "
                "or it is on another pin", seen.missed, None,
            )  # fmt: skip
        if seen in stopped:
            weight, meaning = _of_rest(seen, len(_with(seen, stopped, span)) == 1)
            yield (
                "clip-off", weight, seen.channel,
                f"{seen.channel} has not moved since {moment(seen.last)}, after {seen.moves} changes: {meaning}",
                seen.moves, seen.last,
            )  # fmt: skip
        others = usual[seen.anywhere is True].get(seen.role)
        if others is not None and seen.runts >= max(_MANY, _OFTEN * seen.moves, _BEYOND * others):
            # The moments of an innocent line are those at which one driver hands over to another.
            why = {
                True: "its clip is loose", None: "drivers that take turns, or a loose clip",
                False: "all where drivers take turns, so that no clip is to blame",
            }  # fmt: skip
            yield (
                "clip-noisy", "doubt" if seen.anywhere else "note", seen.channel,
                f"{seen.channel} shows {seen.runts} pulses of a single sample in {seen.moves} changes, far more than "
                f"other lines of its kind: {why[seen.anywhere]}",
                seen.runts, None,
            )  # fmt: skip


def _of_rest(seen: Seen, alone: bool) -> tuple[str, str]:
    """How much a line's rest weighs, and what it may mean."""
    if seen.role == "address":
        if seen.missed >= _MISSED:
            return "doubt", f"its clip may be off, for the addresses went past it {seen.missed} times since"
        return "note", "its clip may be off, or the program has stayed where it does not change"
    if alone:
        return "doubt", "its clip may be off"
    return "note", "others stopped with it, as in a program's last loop"


def _usual(channels: list[Seen], *, anywhere: bool) -> Mapping[str | None, int]:
    """The usual pulses of each kind of line of which there are a few."""
    found: dict[str | None, int] = {}
    for role in ("address", "data"):
        pulses = [(seen.runts, seen.of_two) for seen in channels if seen.role == role]
        if len(pulses) > 2:
            found[role] = usual_pulses(pulses, anywhere=anywhere)
    return found


def _with(seen: Seen, stopped: list[Seen], span: tuple[int, int]) -> list[Seen]:
    """Those that stopped when ``seen`` did: a program that has come to its last loop leaves several lines alone."""
    near = _TOGETHER * (span[1] - seen.last)
    return [other for other in stopped if abs(other.last - seen.last) <= near]


def has_stopped(seen: Seen, span: tuple[int, int]) -> bool:
    """Whether a line that a program cannot leave alone stands still to the end of the capture."""
    # Strobes may rest: a program that no longer writes is no clip off.
    walks = seen.role in ("data", "clock") or (seen.role == "address" and walked(seen.line))
    rest, before = span[1] - seen.last, seen.last - span[0]
    if not walks or seen.moves < _MANY or seen.longest < 0 or before <= 0:
        return False
    long_enough = rest >= _SHARE * (span[1] - span[0]) and rest >= _LONGER * seen.longest
    return long_enough and seen.moves * rest / before >= _EXPECTED

