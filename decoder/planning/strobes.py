"""The lines that every pass must share: without them no cycle is found, or one is taken for what it is not."""

from __future__ import annotations

from itertools import product

from busledger.decoder.bus import Profile, parse_condition

__all__ = ["shared_controls"]

# A cycle of these kinds must not be taken for an access to memory.
_OTHERS = ("idle", "skip", "reject", "io-read", "io-write", "refresh", "int-ack")
_MOST = 12  # lines in the rules of one strobe, all levels of which are tried

_Terms = list[dict[str, bool]]


def shared_controls(profile: Profile) -> tuple[str, ...]:
    """Required lines, and optional ones whose absence would turn another cycle into a read or write of memory."""
    found = [line.name for line in profile.lines.values() if line.required]
    conditions = [(rule.kind, rule.strobe, rule.when, _terms(rule.when)) for rule in profile.rules]
    strobes = {strobe.name: _terms(strobe.when) for strobe in profile.strobes}
    for strobe in dict.fromkeys(rule.strobe for rule in profile.rules):
        if any(profile.compares(k) for k, (_, s, _, _) in enumerate(conditions) if s == strobe):
            made_of = [line for term in strobes.get(strobe, []) for line, asserted in term.items() if asserted]
            found += [line for line in made_of if profile.lines[line].role == "strobe"]
        rules = [
            (str(kind), terms, profile.compares(k)) for k, (kind, s, _, terms) in enumerate(conditions) if s == strobe
        ]
        found += _mistaken(profile, strobes.get(strobe, [{}]), rules)
    order = list(profile.lines)
    return tuple(sorted(dict.fromkeys(found), key=order.index))


def _terms(when: str) -> _Terms:
    """An OR of ANDs: line → asserted; of looks at a certain moment those at the strobe's begin only."""
    return [{x.line: x.asserted for x in term if x.place in ("", "begin")} for term in parse_condition(when)]


def _mistaken(profile: Profile, strobe: _Terms, rules: list[tuple[str, _Terms, bool]]) -> list[str]:
    lines = sorted({line for _, terms, _ in rules for term in terms for line in term} | {n for t in strobe for n in t})
    if len(lines) > _MOST:
        return []
    optional = [n for n in lines if not profile.lines[n].required and profile.lines[n].default_level is not None]
    found: list[str] = []
    for levels in product((False, True), repeat=len(lines)):
        asserted = dict(zip(lines, levels, strict=True))
        if not _holds(strobe, asserted):
            continue
        kind, compared = _kind(rules, asserted)
        if kind not in _OTHERS or compared:
            continue
        for name in optional:
            line = profile.lines[name]
            taken = dict(asserted, **{name: (line.default_level == 1) != line.active_low})
            if name not in found and _holds(strobe, taken) and _kind(rules, taken)[1]:
                found.append(name)
    return found


def _holds(terms: _Terms, asserted: dict[str, bool]) -> bool:
    return any(all(asserted[line] == want for line, want in term.items()) for term in terms)


def _kind(rules: list[tuple[str, _Terms, bool]], asserted: dict[str, bool]) -> tuple[str, bool]:
    """The first rule that holds: its kind, and whether its data enter the ledger."""
    return next(((kind, compared) for kind, terms, compared in rules if _holds(terms, asserted)), ("", False))
