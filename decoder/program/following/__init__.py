"""The door of ``decoder.program.following``: what the program did, beside the cycles.

What brings compiled code is looked up when first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busledger.decoder.program.following.instructions import (
    InstructionSet,
    Reading,
    load_set,
    set_names,
    set_of_profile,
)
from busledger.decoder.program.following.symbols import Symbols, load_symbols
from busledger.decoder.program.following.telling import fetch_is_told, fetch_lines

if TYPE_CHECKING:
    from busledger.decoder.program.following.follower import FollowedBlock, Follower
    from busledger.decoder.program.following.glossary import Glossary

__all__ = [
    "FollowedBlock",
    "Follower",
    "Glossary",
    "InstructionSet",
    "Reading",
    "Symbols",
    "fetch_is_told",
    "fetch_lines",
    "load_set",
    "load_symbols",
    "set_names",
    "set_of_profile",
]


def __getattr__(name: str) -> Any:
    """What brings compiled kernels."""
    if name in ("FollowedBlock", "Follower"):
        from busledger.decoder.program.following import follower

        return getattr(follower, name)
    if name == "Glossary":
        from busledger.decoder.program.following.glossary import Glossary

        return Glossary
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
