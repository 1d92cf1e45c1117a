"""The verdict so far, out of what has just been saved: in a thread of its own, beside the decoding.

What is weighed is the saved state itself, taken up again as a later process
would. So the answer of a watch that was killed is the answer of one that was not.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from busledger.decoder.errors import BusledgerError
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Beside, Decoded, Gathering, Run, conclude_after
from busledger.decoder.watching.accesses import KeptAccesses
from busledger.decoder.watching.state import unpacked_state

__all__ = ["Weigher", "result_of", "shared_by"]

_NICE = 10
_SHARE = 8
"""A verdict may take one part in so many of the time between verdicts."""


def shared_by(run: Run, log: KeptAccesses) -> dict[str, object]:
    """What a saved state leaves out: every process has it from the board file and the first capture's header."""
    return {
        "run": run, "file": run.file, "profile": run.profile, "layout": run.layout, "board": run.board,
        "map": run.region_map, "log": log,
    }  # fmt: skip


def result_of(
    data: bytes, run: Run, log: KeptAccesses, see: Callable[[Decoded], None] = lambda block: None
) -> CheckResult:
    """The result of what ``data`` (the state's ``decoding`` and ``gathering``) knows; ``run`` is bound like its own.

    ``see`` is shown what the last block had left waiting.

    Raises
    ------
    CaptureError
        nothing could be decoded.
    """
    state: dict[str, Any] = unpacked_state(data, shared_by(run, log))
    run.go_on(state["decoding"])
    gathering: Gathering = state["gathering"]
    with Beside("checks") as checking, Beside("accounts") as accounting:
        last = run.end()
        see(last)
        gathering.take(last, checking, accounting)
    return conclude_after(gathering)


class Weigher:
    """Weighs at most one state at a time, the more rarely the longer it takes; ``result`` is the latest answer."""

    def __init__(self) -> None:
        self.result: CheckResult | None = None
        self.count = 0
        self._thread: threading.Thread | None = None
        self._not_before = 0.0

    @property
    def wants(self) -> bool:
        """Whether another one may begin now."""
        busy = self._thread is not None and self._thread.is_alive()
        return not busy and time.monotonic() >= self._not_before

    def begin(self, job: Callable[[], CheckResult]) -> None:
        """Weigh in a thread."""
        self._thread = threading.Thread(target=self._run, args=(job,), name="watch-verdict", daemon=True)
        self._thread.start()

    def wait(self) -> None:
        """Until the one under way is done."""
        if self._thread is not None:
            self._thread.join()

    def last(self, job: Callable[[], CheckResult]) -> CheckResult:
        """What ``job`` gives or raises; in a thread too, so that it finds the memory that the others have left."""
        self.wait()
        with ThreadPoolExecutor(1, thread_name_prefix="watch-verdict") as pool:
            return pool.submit(job).result()

    def _run(self, job: Callable[[], CheckResult]) -> None:
        begun = time.monotonic()
        with contextlib.suppress(OSError, AttributeError):  # where threads have a priority: the bus comes first
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)
        try:
            self.result = job()
            self.count += 1
        except (BusledgerError, OSError):
            pass  # too little has come yet, or a chapter has just gone: the next one will tell
        _give_back()
        self._not_before = time.monotonic() + _SHARE * (time.monotonic() - begun)


def _give_back() -> None:
    """Return what was freed to the system, where the C library can: hundreds of megabytes for a few seconds' work."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
