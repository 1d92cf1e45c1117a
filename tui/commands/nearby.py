"""What a misspelt path was probably meant to be."""

from __future__ import annotations

import difflib
from pathlib import Path

from busledger.decoder.errors import BusledgerError
from busledger.decoder.text import plain

__all__ = ["file_hint"]

_ABSENT = "No such file or directory"  # how the system says it (ENOENT)
_LOOKED_AT = 2000  # names of a folder: more are not worth the wait


def file_hint(error: BusledgerError) -> str:
    """The nearest name in the same folder where a file is missing, as a sentence; else nothing."""
    if _ABSENT not in error.what or not error.where:
        return ""
    path = Path(error.where)
    try:
        names = [found.name for found, _ in zip(path.parent.iterdir(), range(_LOOKED_AT), strict=False)]
    except OSError:
        return f" There is no folder {plain(str(path.parent))}."
    near = difflib.get_close_matches(path.name, names, n=1, cutoff=0.6)
    return f" Did you mean {plain(str(path.with_name(near[0])))}?" if near else ""
