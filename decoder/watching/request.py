"""What is asked of a watch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from busledger.decoder.pipeline import Request
from busledger.decoder.watching.ending import Rules
from busledger.decoder.watching.sources import SETTLED_S

__all__ = ["WatchRequest"]


@dataclass(frozen=True)
class WatchRequest:
    """What the user asked for.

    ``request.capture`` is the source; ``out`` the folder for all that is kept; ``keep_fs`` the length of kept signals
    (0 = none); ``room`` bytes that accesses, and ``kept_room`` that signals may take on the disk, ``spool_room``
    bytes of a pipe that may wait; ``drop``: leave blocks of a pipe out where the bus is faster, else the pipe waits;
    ``save_s`` seconds between two saves, ``silence_s`` after which silence is told, ``settled_s`` after which a file
    of a folder is whole; ``before``: an earlier result whose repair is to be proved.
    """

    request: Request
    out: Path
    rules: Rules = field(default_factory=Rules)
    keep_fs: int = 2 * 10**12
    room: int = 256 << 20
    kept_room: int = 256 << 20
    spool_room: int = 256 << 20
    drop: bool = True
    resume: bool = False
    save_s: float = 5.0
    silence_s: float = 60.0
    settled_s: float = SETTLED_S
    before: Mapping[str, Any] | None = None
