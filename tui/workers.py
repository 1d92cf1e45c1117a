"""Work that must not stop the keys: runs in threads, speaks in messages, ends when asked."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from textual.message import Message
from textual.worker import Worker, get_current_worker

from busledger.decoder.errors import BusledgerError
from busledger.tui.filters import Filter
from busledger.tui.messages import Found, Opened, OpenFailed, OpenProgress, RowsSelected, SearchProgress
from busledger.tui.session import SessionFactory

__all__ = ["filter_work", "open_work", "search_work"]

Post = Callable[[Message], object]
_PROGRESS_EVERY_S = 0.1


class _Stopped(Exception):  # noqa: N818 - no error: the user asked for it
    """Leaves the engine through its progress callback."""


class _Pace:
    """True at most ten times a second, so that progress never floods the screen."""

    def __init__(self) -> None:
        self._last = 0.0

    def due(self) -> bool:
        now = time.monotonic()
        if now - self._last < _PROGRESS_EVERY_S:
            return False
        self._last = now
        return True


def open_work(ticket: int, factory: SessionFactory, post: Post) -> Callable[[], None]:
    """Decode: posts OpenProgress, then Opened or OpenFailed."""

    def work() -> None:
        worker: Worker[None] = get_current_worker()
        pace = _Pace()

        def progress(stage: str, done: int, total: int | None, unit: str) -> None:
            if worker.is_cancelled:
                raise _Stopped
            if pace.due():
                post(OpenProgress(ticket, stage, done, total, unit))

        try:
            session = factory(progress)
        except _Stopped:
            post(OpenFailed(ticket, "Stopped.", stopped=True))
        except BusledgerError as error:
            post(OpenFailed(ticket, str(error)))
        except MemoryError:
            post(OpenFailed(ticket, "The memory of this machine does not suffice for this capture."))
        except Exception as error:  # a mistake of ours: still a sentence, never a broken screen
            post(OpenFailed(ticket, f"The capture could not be decoded: {type(error).__name__}: {error}"))
        else:
            post(Opened(ticket, session, factory))

    return work


def search_work(
    ticket: int, search: Iterator[tuple[int, int | None]], total: int, nothing: str, post: Post, *, edge: bool = False
) -> Callable[[], None]:
    """Run a search generator to its end: posts SearchProgress, then Found. Cancelled: posts nothing more."""

    def work() -> None:
        worker: Worker[None] = get_current_worker()
        pace = _Pace()
        pace.due()
        for looked, place in search:
            if worker.is_cancelled:
                return
            if place is not None:
                post(Found(ticket, place, nothing, edge))
                return
            if pace.due():
                post(SearchProgress(ticket, looked, total))
        post(Found(ticket, None, nothing, edge))

    return work


def filter_work(
    ticket: int, wanted: Filter, rows: Iterator[tuple[int, NDArray[np.uint32] | None]], total: int, post: Post
) -> Callable[[], None]:
    """Apply a filter to all cycles: posts SearchProgress, then RowsSelected. Cancelled: posts nothing more."""

    def work() -> None:
        worker: Worker[None] = get_current_worker()
        pace = _Pace()
        pace.due()
        for looked, picked in rows:
            if worker.is_cancelled:
                return
            if picked is not None:
                post(RowsSelected(ticket, wanted, picked))
            elif pace.due():
                post(SearchProgress(ticket, looked, total))

    return work
