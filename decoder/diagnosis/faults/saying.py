"""The sentences about a fault, made here once: whatever shows them adds only what its medium needs.

Names stay as the board file gives them: they are made safe where they are shown (``decoder.text.plain``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from busledger.decoder.diagnosis.faults.kinds import KINDS
from busledger.decoder.figures import between, count, lane_ranges, odds
from busledger.decoder.findings import FaultName, ScopeName

__all__ = [
    "BadPart",
    "Said",
    "Spoken",
    "and_list",
    "bad_parts_line",
    "chances",
    "claim",
    "how_often",
    "number_in",
    "place",
    "remedy",
    "sentence",
    "told",
    "what",
    "where",
    "who",
]

CERTAIN = 0.95  # marginal from which a part is called bad for certain …
LIKELY = 0.5  # … and likely: below even chances it is not named


class Spoken(Protocol):
    """What is said of a fault comes from these; a ``Suspect`` has them all.

    ``detail`` may hold ``where_lines`` (list like ``["A6=1"]``), ``cells_failing`` and ``cells_in`` (cells that fail
    and cells there are where those lines are so), ``scatter`` (cells without a pattern), ``part`` (a part of the
    region), ``regions`` (those that a decoder's fault takes at once), ``answers_for`` (other rows that a chip answers
    for), ``clips`` (lines whose clips are meant), ``span`` (first and last address meant) and ``told`` (``good``,
    ``bad`` or ``replaced``: what the bench has said of it).
    """

    @property
    def fault(self) -> FaultName: ...
    @property
    def scope(self) -> ScopeName: ...
    @property
    def component(self) -> str | None: ...
    @property
    def region(self) -> str | None: ...
    @property
    def lanes(self) -> tuple[str, ...]: ...
    @property
    def address_lines(self) -> tuple[str, ...]: ...
    @property
    def address(self) -> int | None: ...
    @property
    def other_region(self) -> str | None: ...
    @property
    def intermittent(self) -> bool: ...
    @property
    def rate(self) -> float | None: ...
    @property
    def detail(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True)
class Said:
    """A fault to speak of that is not a suspect yet; its fields mean what they mean there."""

    fault: FaultName
    scope: ScopeName
    component: str | None = None
    region: str | None = None
    lanes: tuple[str, ...] = ()
    address_lines: tuple[str, ...] = ()
    address: int | None = None
    other_region: str | None = None
    intermittent: bool = False
    rate: float | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


def who(s: Spoken) -> str:
    """The part, or the words for it where the board file names none."""
    if s.component is not None:
        return _part(s.component, s.detail.get("told")) if s.scope in _SOCKETED else s.component
    lanes = lane_ranges(s.lanes)
    region = _region(s) or "the card"
    return {
        "cell": f"a cell of {region}",
        "chip": f"the chip on {lanes} of {region}" if lanes else f"a chip of {region}",
        "buffer": "the bus driver",
        "bus": f"the data bus, {lanes}" if lanes else "the data bus",
        "region": region,
        "board": "the card's address wiring" if s.address_lines else "the card",
        "decoder": f"the select of {region}" if _region(s) else "what makes the selects",
        "clip": _clip(s),
        "machine": _span(s) or region,
    }[s.scope]


_RUN = 3  # lines from which they are told as a run, "A0-A3"
_SOCKETED = ("chip", "cell", "buffer", "decoder")


def _part(name: str, told: object) -> str:
    """A part that sits in a socket, with what the bench has said of it: ``told`` as in ``Spoken.detail``."""
    if told == "replaced":
        return f"{name}'s socket, or what is wired to it"
    return name if told == "bad" else f"{name} or its socket"


def told(s: Spoken) -> str:
    """What the bench has said of the part, without a stop; empty where it has said nothing."""
    words = {"replaced": "was replaced and still fails", "good": "tested good", "bad": "tested bad"}
    found = words.get(str(s.detail.get("told", "")), "")
    return f"{s.component} {found}" if found and s.component is not None else ""


def where(s: Spoken) -> str:
    """Region, lanes and cell, as far as ``who`` has not said them already and the kind has any use for them."""
    said, region = who(s), _region(s)
    if not KINDS[s.fault].on_card:
        return ""
    parts = []
    if region is not None and region not in said:
        parts.append(f"select of {region}" if s.scope == "decoder" else region)
    lanes = lane_ranges(s.lanes)
    if lanes and lanes not in said and s.scope in ("cell", "chip", "buffer", "bus"):
        parts.append(lanes)
    if s.address is not None:
        parts.append(f"cell {s.address:04X}")
    return ", ".join(parts)


def place(s: Spoken) -> str:
    """``who`` and ``where`` together: "U14 or its socket, bank3, D4"."""
    return ", ".join(part for part in (who(s), where(s)) if part)


def what(s: Spoken) -> str:
    """What the fault does, without its part; with the addresses where it does so, if only some have it."""
    others = _answers_for(s)
    if others:
        return f"also answers for {and_list(others)}, as if its own select were held or open"
    if _with_data(s):
        return f"has {lane_ranges(s.lanes)} and {s.address_lines[0]} joined: where one is low the other is as well"
    if s.detail.get("scatter"):
        return "cells here and there fail: the chip is wearing out"
    kind = KINDS[s.fault]
    does = "lacks memory on {lanes}: nobody drives them when it is read" if _narrow(s) else kind.does
    if s.scope == "decoder" and s.detail.get("regions"):
        does = (kind.by_lines if s.address_lines else kind.several) or does
    return _filled(does, s) + _only_where(s.detail)


def how_often(s: Spoken) -> str:
    """``1 in 380``, or ``every time`` for a hard fault; empty where the kind does not say when it would show.

    The rate is per chance: an access in which it could have shown, not any access. A hard fault against which reads
    speak is not said to show every time.
    """
    kind = KINDS[s.fault]
    if not kind.on_card or not (kind.replayed or s.intermittent or _answers_for(s)):
        return ""
    if s.rate is not None and (s.intermittent or s.rate < 1.0):
        return odds(s.rate)
    return "now and then" if s.intermittent else "every time"


def chances(hits: int, of: int, interval: tuple[float, float], explained: int) -> str:
    """A rate with what it was counted from: its interval in the second half of the sentence, plain words first.

    ``explained``: the wrong reads that they gave; more of them than chances went wrong where a cell was read wrong
    several times after one write.
    """
    again = "; wrong reads that repeat a cell's last one count once" if explained > hits else ""
    return (
        f"{count(hits)} of {count(of)} chances went wrong, {odds(hits / of)} (95 % sure: {between(interval)}); "
        f"a chance is an access in which it could have shown{again}"
    )


def claim(s: Spoken) -> str:
    """Place and fault in one sentence without a stop: "U14 or its socket, bank3, D4: reads low"."""
    links = ": " if s.detail.get("scatter") or _answers_for(s) or where(s) else KINDS[s.fault].links
    known = told(s)
    return f"{place(s)}{links}{what(s)}" + (f" ({known})" if known else "")


def sentence(s: Spoken) -> str:
    """``claim``, with the rate of a fault that comes and goes."""
    often = how_often(s) if s.intermittent else ""
    return f"{claim(s)}, {often}" if often else claim(s)


def remedy(s: Spoken) -> str:
    """What to do about it, beginning with a verb in small letters, without a stop."""
    kind = KINDS[s.fault]
    if s.component is not None and kind.on_card and s.detail.get("told") == "replaced":
        return f"clean {s.component}'s socket, and follow its joints and tracks with a meter"
    if _answers_for(s):
        words = "power off and follow the select to {part}'s own pin with a meter"
        return _filled(words + ": a contact that is open, or what holds it active", s)
    if _with_data(s):
        return _filled("power off and look for solder, swarf or bent pins that join {lanes} and {lines} at {part}", s)
    if _narrow(s):
        return _filled("look for the chips of {lanes}; where none should be, say so in the board file", s)
    return _filled(kind.remedy if s.component is not None and kind.on_card else kind.look_for, s)


def _answers_for(s: Spoken) -> list[str]:
    """The other rows that a chip answers for."""
    return [str(name) for name in s.detail.get("answers_for", ())]


def _with_data(s: Spoken) -> bool:
    """Whether a data lane and an address line are joined."""
    return s.fault == "address-bridged" and len(s.address_lines) == 1 and len(s.lanes) == 1


def _narrow(s: Spoken) -> bool:
    """Whether memory narrower than the bus is meant: no other device is said of some data lines alone."""
    return s.fault == "device" and bool(s.detail.get("clips"))


def _filled(words: str, s: Spoken) -> str:
    return words.format(
        lines=(and_list if len(_lines(s)) < _RUN else lane_ranges)(_lines(s)) or "an address line",
        lanes=lane_ranges(s.lanes) or "the lanes",
        other=s.other_region or "another region",
        region=_region(s) or "the card",
        regions=and_list([str(name) for name in s.detail.get("regions", ())]),
        part=s.component or "the part",
    )


def _lines(s: Spoken) -> Sequence[str]:
    """The lines meant: those of the clips for a clip, else address lines."""
    if s.scope != "clip":
        return s.address_lines
    return [str(line) for line in s.detail.get("clips", ())] or [*s.address_lines, *s.lanes]


def _clip(s: Spoken) -> str:
    lines = _lines(s)
    if not lines or s.fault == "too-slow":
        return "the analyser" if s.fault == "too-slow" else "a clip"
    return f"the clip{'s' if len(lines) > 1 else ''} on {and_list(lines)}"


def _span(s: Spoken) -> str:
    """``9000-903F``: the addresses meant, where they are not the whole region."""
    span = s.detail.get("span")
    if not isinstance(span, Sequence) or isinstance(span, str) or len(span) != 2:
        return f"{s.address:04X}" if s.address is not None else ""
    return f"{span[0]:04X}-{span[1]:04X}" if span[0] != span[1] else f"{span[0]:04X}"


def _region(s: Spoken) -> str | None:
    """The region, or the part of it that the diagnosis set apart."""
    part = s.detail.get("part")
    return str(part) if part else s.region


def _only_where(detail: Mapping[str, Any]) -> str:
    """``, only where A6 = 1 (120 of 128 cells there)``."""
    lines = [" = ".join(str(line).split("=", 1)) for line in detail.get("where_lines", ())]
    if not lines:
        return ""
    failing, cells = detail.get("cells_failing"), detail.get("cells_in")
    counted = f" ({count(int(failing))} of {count(int(cells))} cells there)" if failing and cells else ""
    return f", only where {and_list(lines)}{counted}"


def and_list(words: Sequence[str]) -> str:
    """``A3``, ``A3 and A4``, ``A3, A4 and A7``."""
    return ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + words[-1] if words else ""


class BadPart(Protocol):
    """A part of the board with the probability that it is bad."""

    @property
    def component(self) -> str | None: ...
    @property
    def bad(self) -> float: ...


def bad_parts_line(parts: Iterable[BadPart], *, what: str = "part") -> str:
    """The first line where more than one part may be bad; empty where none is at least likely to be.

    "5 parts are bad: U7, U12, U19 for certain; U3 and U30 likely": certain from a marginal of 0.95, likely from 0.5.
    ``what``: what to call them, where some are not parts of the board file (a whole region, the data bus).
    """
    named = sorted((part for part in parts if part.bad >= LIKELY), key=lambda part: number_in(part.component))
    certain = [_name(part) for part in named if part.bad >= CERTAIN]
    likely = [_name(part) for part in named if part.bad < CERTAIN]
    if not named:
        return ""
    total = f"{count(len(named))} {what}{'s are' if len(named) > 1 else ' is'}"
    if not certain:
        return f"{total} likely bad: {_listed(likely)}"
    return f"{total} bad: {_listed(certain)} for certain" + (f"; {_listed(likely)} likely" if likely else "")


def _name(part: BadPart) -> str:
    return part.component or "a part without a name"


def _listed(names: Sequence[str]) -> str:
    return " and ".join(names) if len(names) == 2 else ", ".join(names)


def number_in(name: str | None) -> tuple[tuple[str, int], ...]:
    """Designators in the order that a person looks for them: U7 before U12."""
    return tuple((text, int(digits or 0)) for text, digits in re.findall(r"(\D*)(\d{0,9})", name or ""))
