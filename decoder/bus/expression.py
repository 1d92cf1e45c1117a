"""Conditions over asserted lines, as a profile writes them.

    MREQ & !RFSH            both must hold
    UDS | LDS               either
    !(RD | WR)              neither
    begin.WE, end.WE        at the begin or the end of the strobe (plain: in its middle)
    any.WAIT                at any time inside the strobe
    prev.AVMA               at the end of the previous span of the same strobe
    status.MEMR             as the latch ``status`` holds it

A name means *asserted*: an active-low line is asserted while its level is low.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

from busledger.decoder.errors import ProfileError

__all__ = ["ALWAYS", "Literal", "Term", "parse"]

_TOKEN = re.compile(r"\s*(?:([A-Za-z][A-Za-z0-9_]*(?:\.[A-Za-z][A-Za-z0-9_]*)?)|([!&|()]))")
_MAX_TERMS = 64


@dataclass(frozen=True, slots=True, order=True)
class Literal:
    """One line, asserted or not, at one point (``place`` "" = where the reader of the condition looks)."""

    place: str
    line: str
    asserted: bool


Term = frozenset[Literal]
ALWAYS: tuple[Term, ...] = (frozenset(),)


@lru_cache(maxsize=1 << 10)  # a bus is compiled twice: once to see where its data are read best
def parse(text: str) -> tuple[Term, ...]:
    """``text`` as an OR of ANDs, contradictions dropped; "" is always true.

    Raises
    ------
    ProfileError
        Naming the place in ``text`` that is not understood.
    """
    if not text.strip():
        return ALWAYS
    tokens = _tokens(text)
    terms, rest = _either(tokens, text, False)
    if rest:
        raise ProfileError(f"'{rest[0]}' is one thing too many in the condition '{text}'")
    kept = []
    for term in terms:
        if not any(Literal(lit.place, lit.line, not lit.asserted) in term for lit in term) and term not in kept:
            kept.append(term)
    return tuple(kept)


def _tokens(text: str) -> list[str]:
    found, at = [], 0
    while text[at:].strip():
        match = _TOKEN.match(text, at)
        if match is None:
            raise ProfileError(
                f"'{text[at:].strip()[0]}' is not understood in the condition '{text}'",
                expected="line names, '!', '&', '|' and parentheses",
            )
        found.append(match.group(1) or match.group(2))
        at = match.end()
    return found


def _either(tokens: list[str], text: str, negate: bool) -> tuple[list[Term], list[str]]:
    parts, rest = _both(tokens, text, negate)
    groups = [parts]
    while rest and rest[0] == "|":
        parts, rest = _both(rest[1:], text, negate)
        groups.append(parts)
    return (_all_of(groups, text) if negate else [term for group in groups for term in group]), rest


def _both(tokens: list[str], text: str, negate: bool) -> tuple[list[Term], list[str]]:
    parts, rest = _single(tokens, text, negate)
    groups = [parts]
    while rest and rest[0] == "&":
        parts, rest = _single(rest[1:], text, negate)
        groups.append(parts)
    return ([term for group in groups for term in group] if negate else _all_of(groups, text)), rest


def _all_of(groups: list[list[Term]], text: str) -> list[Term]:
    combined = [frozenset[Literal]().union(*choice) for choice in product(*groups)]
    if len(combined) > _MAX_TERMS:
        raise ProfileError(f"the condition '{text}' is too tangled", expected=f"at most {_MAX_TERMS} alternatives")
    return combined


def _single(tokens: list[str], text: str, negate: bool) -> tuple[list[Term], list[str]]:
    if not tokens:
        raise ProfileError(f"the condition '{text}' ends too early", expected="a line name")
    head, rest = tokens[0], tokens[1:]
    if head == "!":
        return _single(rest, text, not negate)
    if head == "(":
        terms, rest = _either(rest, text, negate)
        if not rest or rest[0] != ")":
            raise ProfileError(f"a ')' is missing in the condition '{text}'")
        return terms, rest[1:]
    if head in "&|)":
        raise ProfileError(f"'{head}' stands where a line name belongs in the condition '{text}'")
    place, _, line = head.rpartition(".")
    return [frozenset({Literal(place, line, not negate)})], rest
