"""The longest run of writes in a capture, and whether it looks like a program: a fill goes from one address to the
next, or to any; a program that is taken for writes steps on and jumps by turns."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["WriteRuns"]

_STEPS, _JUMPS = (0.2, 0.85), 0.1  # shares of a run: to the next address, and further than a word away. Judged
_A_WORD = 2


class _Run(NamedTuple):
    """``first``: tick of its first transfer; ``many`` transfers, ``steps`` to the next address and ``jumps``."""

    first: int = 0
    many: int = 0
    steps: int = 0
    jumps: int = 0

    def plus(self, other: _Run) -> _Run:
        first = self.first if self.many else other.first
        return _Run(first, self.many + other.many, self.steps + other.steps, self.jumps + other.jumps)


class WriteRuns:
    """Feed the transfers of every block; ``longest`` is the run of most writes with no read between."""

    def __init__(self) -> None:
        self.longest, self._open = _Run(), _Run()
        self._last = -1  # the address of the last transfer

    def feed(self, time: NDArray[np.int64], is_write: NDArray[np.bool_], address: NDArray[np.uint32]) -> None:
        """The next block's transfers, reads and writes alike, in order."""
        if not len(time):
            return
        for first, last in self._worth_it(np.flatnonzero(is_write)):
            # A step belongs to the run of the transfer that it leads to, unless that is the run's first one.
            there = address[first:last].astype(np.int64)
            goes_on = first == 0 and self._open.many > 0
            apart = np.diff(there, prepend=self._last) if goes_on else np.diff(there)
            steps, jumps = (int(np.count_nonzero(which)) for which in (apart == 1, np.abs(apart) > _A_WORD))
            run = _Run(int(time[first]), last - first, steps, jumps)
            run = self._open.plus(run) if first == 0 else run
            if run.many > self.longest.many:
                self.longest = run
            self._open = run
        self._last = int(address[-1])
        if not is_write[-1]:
            self._open = _Run()

    def _worth_it(self, writes: NDArray[np.intp]) -> list[tuple[int, int]]:
        """Of the transfers that are ``writes`` the runs that go on from before or after the block, or are the longest
        within it: (first transfer, the one behind the last)."""
        if not len(writes):
            return []
        begins = np.concatenate(([0], np.flatnonzero(np.diff(writes) > 1) + 1))
        count = np.diff(begins, append=len(writes))
        worth = {int(np.argmax(count)), len(begins) - 1} | ({0} if writes[0] == 0 else set())
        return [(int(writes[begins[k]]), int(writes[begins[k]] + count[k])) for k in sorted(worth)]

    def like_a_program(self, least: int) -> bool:
        """Whether the longest run has at least so many transfers, and goes as programs do."""
        run = self.longest
        if run.many < max(1, least):
            return False
        return _STEPS[0] <= run.steps / run.many <= _STEPS[1] and run.jumps >= _JUMPS * run.many
