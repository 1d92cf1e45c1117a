"""The door of ``decoder.program.following``: what the program did, beside the cycles.

What brings compiled code is looked up when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from busledger.decoder.program.following.instructions import InstructionSet, Reading
from busledger.decoder.program.following.sets import AnySet, load_set, set_names, set_of_profile
from busledger.decoder.program.following.symbols import Symbols, load_symbols
from busledger.decoder.program.following.telling import fetch_is_told, fetch_lines

if TYPE_CHECKING:
    from busledger.decoder.program.following.beginning import Beginning
    from busledger.decoder.program.following.derailing import RoadWatch
    from busledger.decoder.program.following.follower import FollowedBlock, Follower, reached_by
    from busledger.decoder.program.following.glossary import Glossary
    from busledger.decoder.program.following.witness import Witness

__all__ = [
    "AnySet",
    "Beginning",
    "FollowedBlock",
    "Follower",
    "Glossary",
    "InstructionSet",
    "Reading",
    "RoadWatch",
    "Symbols",
    "Witness",
    "fetch_is_told",
    "fetch_lines",
    "load_set",
    "load_symbols",
    "reached_by",
    "set_names",
    "set_of_profile",
]


_COMPILED = {
    "Beginning": "beginning",
    "FollowedBlock": "follower",
    "Follower": "follower",
    "reached_by": "follower",
    "Glossary": "glossary",
    "RoadWatch": "derailing",
    "Witness": "witness",
}


def __getattr__(name: str) -> Any:
    """What brings compiled kernels."""
    if name not in _COMPILED:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_COMPILED[name]}"), name)
