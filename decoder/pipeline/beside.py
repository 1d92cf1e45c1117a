"""Work that goes on beside the decoding: one thread, its tasks in order, a short queue.

Kernels let go of the interpreter, so that on two cores the checks of one block
run while the next one is decoded. The order of tasks, and so every result, is
the same on any number of cores.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from types import TracebackType

__all__ = ["Beside"]

_WAITING = 3  # blocks that may wait, about 6 MB each: memory stays flat


class Beside:
    """A context in which ``do`` hands work to a thread of its own; leaving it waits for all of it.

    Whatever a task raises comes out of the next ``do``, or of leaving; the tasks
    after it are not done. Where the context is left by an exception, waiting tasks are dropped.
    """

    def __init__(self, name: str) -> None:
        self._tasks: queue.Queue[Callable[[], None] | None] = queue.Queue(_WAITING)
        self._failure: BaseException | None = None
        self._dropped = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def __enter__(self) -> Beside:
        self._thread.start()
        return self

    def do(self, task: Callable[[], None]) -> None:
        """Run ``task`` after those given before; waits while the queue is full."""
        if self._failure is not None:
            raise self._failure
        self._tasks.put(task)

    def settle(self) -> None:
        """Wait until every task given so far is done."""
        done = threading.Event()
        self.do(done.set)
        while not done.wait(0.2):
            if self._failure is not None:
                raise self._failure

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._dropped = error is not None
        self._tasks.put(None)
        self._thread.join()
        if error is None and self._failure is not None:
            raise self._failure

    def _run(self) -> None:
        while (task := self._tasks.get()) is not None:
            if self._failure is not None or self._dropped:
                continue  # emptied, so that nobody waits at a full queue
            try:
                task()
            except BaseException as failure:  # handed over to the caller's thread
                self._failure = failure
