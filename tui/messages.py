"""What workers tell the application. A message that may replace an older one of its kind says so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from textual.message import Message

from busledger.tui.filters import Filter
from busledger.tui.session import Session, SessionFactory

__all__ = ["Found", "OpenFailed", "OpenProgress", "Opened", "RowsSelected", "SearchProgress"]


@dataclass
class OpenProgress(Message):
    """How far decoding has come: ``done`` of ``total`` ``unit`` in ``stage``."""

    ticket: int
    stage: str
    done: int
    total: int | None
    unit: str

    def can_replace(self, message: Message) -> bool:
        """Only the latest matters."""
        return isinstance(message, OpenProgress)


@dataclass
class Opened(Message):
    """A session is ready; ``factory`` made it and would make it again."""

    ticket: int
    session: Session
    factory: SessionFactory


@dataclass
class OpenFailed(Message):
    """No session: a sentence says why. ``stopped`` if the user asked for it."""

    ticket: int
    sentence: str
    stopped: bool = False


@dataclass
class SearchProgress(Message):
    """How many cycles a search has looked at."""

    ticket: int
    looked: int
    total: int

    def can_replace(self, message: Message) -> bool:
        """Only the latest matters."""
        return isinstance(message, SearchProgress)


@dataclass
class Found(Message):
    """A search ended: at ``place`` (a cycle, or ticks for an edge), or without a result."""

    ticket: int
    place: int | None
    nothing: str
    edge: bool = False


@dataclass
class RowsSelected(Message):
    """A filter has been applied to all cycles."""

    ticket: int
    wanted: Filter
    rows: NDArray[np.uint32]
