"""Which lines of a bus tell an opcode fetch, and whether they do in a capture."""

from __future__ import annotations

import re
from collections.abc import Collection

from busledger.decoder.bus import Profile

__all__ = ["fetch_is_told", "fetch_lines"]


def fetch_lines(profile: Profile) -> tuple[str, ...]:
    """The lines that mark an opcode fetch on this bus; none where it has no mark."""
    rules = [rule for rule in profile.rules if rule.kind == "opcode-fetch"]
    words = {word for rule in rules for word in re.findall(r"\w+", rule.when)}
    return tuple(name for name in profile.lines if name in words)


def fetch_is_told(profile: Profile, clipped: Collection[str]) -> bool:
    """Whether opcode fetches are marked on this bus, and all lines that mark them are clipped."""
    marked = any(rule.kind == "opcode-fetch" for rule in profile.rules)
    return marked and all(name in clipped for name in fetch_lines(profile))
