"""The door of ``decoder.program.following``: what the program did, beside the cycles."""

from __future__ import annotations

from busledger.decoder.program.following.instructions import (
    InstructionSet,
    Reading,
    load_set,
    set_names,
    set_of_profile,
)

__all__ = ["InstructionSet", "Reading", "load_set", "set_names", "set_of_profile"]
