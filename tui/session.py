"""What the browser asks of the engine: a session, and how to get one.

``busledger.decoder.pipeline`` provides sessions; tests build small ones from arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from busledger.decoder.findings import CheckResult
from busledger.decoder.progress import Progress
from busledger.decoder.store import Store

__all__ = ["BoardLike", "ChipLike", "DriverLike", "Opener", "PartLike", "RegionLike", "Session", "SessionFactory"]


class ChipLike(Protocol):
    """A chip of a board: its designator, its data lanes and, where the board file gives it, its place."""

    @property
    def designator(self) -> str: ...
    @property
    def lanes(self) -> tuple[int, ...]: ...


class RegionLike(Protocol):
    """A region of a board with its chips."""

    @property
    def name(self) -> str: ...
    @property
    def chips(self) -> Sequence[ChipLike]: ...


class PartLike(Protocol):
    """A decoder of the card."""

    @property
    def designator(self) -> str: ...


class DriverLike(PartLike, Protocol):
    """A bus driver: of data ``lanes``, or of address or control ``lines``."""

    @property
    def lanes(self) -> tuple[int, ...]: ...
    @property
    def lines(self) -> tuple[str, ...]: ...


class BoardLike(Protocol):
    """A board; ``regions`` in the order of ``Cycles.region``."""

    @property
    def name(self) -> str: ...
    @property
    def regions(self) -> Sequence[RegionLike]: ...
    @property
    def decoders(self) -> Sequence[PartLike]: ...
    @property
    def buffers(self) -> Sequence[DriverLike]: ...


class Session(Protocol):
    """One decoded capture with what was found in it.

    ``capture_path`` is the text the user gave; ``board`` is None without a board
    file; ``board_path`` then is None too, and notes stay beside the capture.
    """

    @property
    def capture_path(self) -> str: ...
    @property
    def board_path(self) -> Path | None: ...
    @property
    def result(self) -> CheckResult: ...
    @property
    def store(self) -> Store: ...
    @property
    def board(self) -> BoardLike | None: ...


SessionFactory = Callable[[Progress], Session]
"""Decodes (or finds in the cache) and returns a session. Runs in a worker thread; raises BusledgerError."""

Opener = Callable[[str], SessionFactory]
"""Makes a factory for another capture of the same board, by path."""
