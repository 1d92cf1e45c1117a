"""What pydantic cannot see in a profile: names that lead nowhere, bits given twice, conditions that do not parse."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from busledger.decoder.bus import expression
from busledger.decoder.bus.ranges import bit_numbers, line_names
from busledger.decoder.bus.schema import Piece, ProfileFile, Reference, RuleEntry
from busledger.decoder.errors import ProfileError

__all__ = ["mistakes"]

_POINTS = ("begin", "middle", "end", "any", "prev")
_MAX_STROBES, _MAX_LATCHES, _MAX_RULES = 16, 8, 250


def mistakes(file: ProfileFile) -> list[str]:
    """Every mistake, one sentence each, in the order of the file."""
    found: list[str] = []
    lines = _lines(file, found)
    found.extend(_names_twice(file))
    found.extend(_too_many(file))
    latches = {latch.name for latch in file.latch}
    sure = _always_known(file)
    for place, text, points in _conditions(file):
        found.extend(_condition(place, text, points, lines, latches, sure))
    found.extend(_sources(file, lines, latches))
    found.extend(_rules(file))
    found.extend(_references(file))
    found.extend(_behaviour(file, lines))
    for line in file.ports.lines if file.ports is not None else ():
        if line not in lines:
            found.append(f"ports: the line {line} is not declared in any [[line]]")
    if file.clock.line is not None and file.clock.line not in lines:
        found.append(f"clock: the line {file.clock.line} is not declared in any [[line]]")
    return found


def _behaviour(file: ProfileFile, lines: set[str]) -> list[str]:
    """What is wrong with the table that a proposed wiring rests on."""
    if file.behaviour is None:
        return []
    has = file.behaviour.model_dump()
    named = [(role, (line,) if isinstance(line, str) else line) for role, line in has.items() if line]
    found = [
        f"behaviour: the line {line} ({role}) is not declared in any [[line]]"
        for role, these in named
        for line in these
        if line not in lines
    ]
    strobes = bool(has["read"]) and bool(has["write"])
    if not strobes and not (has["direction"] and (has["frame"] or file.clock.line)):
        found.append("behaviour: give read and write strobes, or a direction with a frame or a clock line")
    if has["latch"] is None and any(piece.latch for source in file.address[:1] for piece in source.pieces):
        found.append("behaviour: the address is latched; say which line is the latch")
    return found


def _lines(file: ProfileFile, found: list[str]) -> set[str]:
    names: list[str] = []
    for entry in file.line:
        try:
            here = line_names(entry.name)
            names.extend(here)
            for key in (*entry.aliases, *([entry.fallback] if entry.fallback else [])):
                if len(line_names(key)) != len(here):
                    found.append(f"line {entry.name}: '{key}' names {len(line_names(key))} lines, not {len(here)}")
        except ProfileError as error:
            found.append(f"line {entry.name}: {error.what}")
    found.extend(f"line {name}: declared {n} times" for name, n in Counter(names).items() if n > 1)
    for entry in file.line:
        if entry.fallback and not set(line_names(entry.fallback)) <= set(names):
            found.append(f"line {entry.name}: the fallback {entry.fallback} is not declared in any [[line]]")
    return set(names)


def _names_twice(file: ProfileFile) -> Iterator[str]:
    for what, entries in (
        ("strobe", [e.name for e in file.strobe]),
        ("latch", [e.name for e in file.latch]),
        ("address", [e.name for e in file.address]),
        ("data", [e.name for e in file.data]),
        ("grade", [e.name for e in file.grade]),
    ):
        for name, n in Counter(entries).items():
            if n > 1:
                yield f"{what} {name}: the name is given {n} times"
    for latch in file.latch:
        if latch.name in _POINTS:
            yield f"latch {latch.name}: this word is taken; a latch may not be called {', '.join(_POINTS)}"


def _too_many(file: ProfileFile) -> Iterator[str]:
    for what, n, most in (
        ("strobes", len(file.strobe), _MAX_STROBES),
        ("latches", len(file.latch), _MAX_LATCHES),
        ("rules", len(file.rule), _MAX_RULES),
    ):
        if n > most:
            yield f"{n} {what}: at most {most} are possible"


def _conditions(file: ProfileFile) -> Iterator[tuple[str, str, bool]]:
    """(where, condition, whether points and latches may be named in it)."""
    for strobe in file.strobe:
        yield f"strobe {strobe.name}", strobe.when, False
    for latch in file.latch:
        yield f"latch {latch.name}", latch.when, False
    for n, rule in enumerate(file.rule, 1):
        place = f"rule #{n} ({rule.kind})"
        yield place, rule.when, True
        if rule.wait is not None:
            yield place, rule.wait, True
        for lane in rule.lanes:
            yield f"{place}, lane {lane.lane}", lane.when, True


def _always_known(file: ProfileFile) -> set[str]:
    """Lines that are required or have a default: what a strobe or latch may hang on."""
    entries = [e for e in file.line if e.need == "required" or e.default != "unknown"]
    try:
        return {name for entry in entries for name in line_names(entry.name)}
    except ProfileError:
        return set()


def _condition(
    place: str, text: str, points: bool, lines: set[str], latches: set[str], sure: set[str]
) -> Iterator[str]:
    try:
        terms = expression.parse(text)
    except ProfileError as error:
        yield f"{place}: {error}"
        return
    if not points and not text.strip():
        yield f"{place}: a strobe or latch needs a condition"
    if not terms:
        yield f"{place}: the condition '{text}' can never hold"
    for literal in sorted({lit for term in terms for lit in term}):
        if literal.line not in lines:
            yield f"{place}: the line {literal.line} is not declared in any [[line]]"
        elif not points and literal.line not in sure:
            yield f"{place}: the line {literal.line} must be required or have a default, since a strobe hangs on it"
        if literal.place and not points:
            yield f"{place}: '{literal.place}.' has no meaning here; a strobe or latch looks at the lines as they are"
        elif literal.place and literal.place not in latches and literal.place not in _POINTS:
            yield f"{place}: there is no latch {literal.place}; before the dot stands a latch or {', '.join(_POINTS)}"


def _sources(file: ProfileFile, lines: set[str], latches: set[str]) -> Iterator[str]:
    for what, sources, bits in (("address", file.address, file.address_bits), ("data", file.data, file.data_bits)):
        for source in sources:
            place = f"{what} {source.name}"
            taken: Counter[int] = Counter()
            for piece in source.pieces:
                yield from _piece(place, piece, lines, latches)
                try:
                    taken.update(bit_numbers(piece.bits))
                except ProfileError as error:
                    yield f"{place}: {error}"
            for bit, n in sorted(taken.items()):
                if n > 1:
                    yield f"{place}: bit {bit} is given {n} times"
                if bit >= bits:
                    yield f"{place}: bit {bit} lies outside the {bits} bits of the bus"


def _piece(place: str, piece: Piece, lines: set[str], latches: set[str]) -> Iterator[str]:
    try:
        bits, names = bit_numbers(piece.bits), line_names(piece.lines)
    except ProfileError as error:
        yield f"{place}: {error}"
        return
    if len(bits) != len(names):
        yield f"{place}: {piece.bits} are {len(bits)} bits, {piece.lines} are {len(names)} lines"
    for name in names:
        if name not in lines:
            yield f"{place}: the line {name} is not declared in any [[line]]"
    if (piece.at is None) == (piece.latch is None):
        yield f"{place}: a piece is read either at a point of the strobe (at) or from a latch (latch)"
    if piece.latch is not None and piece.latch not in latches:
        yield f"{place}: there is no latch {piece.latch}"


def _rules(file: ProfileFile) -> Iterator[str]:
    strobes = {s.name for s in file.strobe}
    addresses, datas = {a.name for a in file.address}, {d.name for d in file.data}
    for n, rule in enumerate(file.rule, 1):
        place = f"rule #{n} ({rule.kind})"
        yield from _named(place, "strobe", [rule.strobe], strobes)
        yield from _named(place, "address", [rule.address] if rule.address else [], addresses | {"none"})
        yield from _named(place, "data", [rule.data] if rule.data else [], datas | {"none"})
        yield from _lanes(place, rule, file.data_bits)
        if rule.address_mask is not None and rule.address_is is None:
            yield f"{place}: address_mask without address_is"
    for name in sorted(strobes - {rule.strobe for rule in file.rule}):
        yield f"strobe {name}: no rule uses it"


def _lanes(place: str, rule: RuleEntry, data_bits: int) -> Iterator[str]:
    for lane in rule.lanes:
        if lane.lane * 8 >= data_bits:
            yield f"{place}: lane {lane.lane} lies outside {data_bits} data bits"


def _named(place: str, what: str, used: Iterable[str], known: set[str]) -> Iterator[str]:
    for name in used:
        if name not in known:
            yield f"{place}: there is no {what} {name}; there is {', '.join(sorted(known)) or 'none'}"


def _references(file: ProfileFile) -> Iterator[str]:
    symbols = {limit.symbol for grade in file.grade for limit in grade.limits}
    strobes = {s.name for s in file.strobe}
    wanted: list[tuple[str, Reference | None]] = []
    for strobe in file.strobe:
        place = f"strobe {strobe.name}"
        wanted += [(place, strobe.width_min), (place, strobe.begin.setup), (place, strobe.end.setup)]
        wanted += [(place, strobe.end.hold), (place, None if strobe.begin.hold == "strobe" else strobe.begin.hold)]
    for latch in file.latch:
        wanted += [(f"latch {latch.name}", latch.setup), (f"latch {latch.name}", latch.hold)]
    for place, reference in wanted:
        if isinstance(reference, str) and reference not in symbols:
            yield f"{place}: no grade gives a limit {reference}"
    for grade in file.grade:
        for limit in grade.limits:
            if limit.min is None and limit.max is None:
                yield f"grade {grade.name}, limit {limit.symbol}: neither min nor max is given"
            if limit.strobe is not None and limit.strobe not in strobes:
                yield f"grade {grade.name}, limit {limit.symbol}: there is no strobe {limit.strobe}"
