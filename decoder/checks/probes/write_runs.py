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
        there = address.astype(np.int64)
        apart = np.diff(there, prepend=self._last)
        self._last = int(there[-1])
        # A step belongs to the run of the transfer that it leads to, unless that is the run's first one.
        begins = np.diff(is_write, prepend=not is_write[0]) != 0
        inner = ~begins
        inner[0] = bool(self._open.many) and bool(is_write[0])
        steps, jumps = (apart == 1) & inner, (np.abs(apart) > _A_WORD) & inner
        start = np.flatnonzero(begins)
        count = np.diff(np.append(start, len(time)))
        each = [np.add.reduceat(of.astype(np.int64), start) for of in (steps, jumps)]
        for k in self._worth_it(start, count, is_write):
            run = _Run(int(time[start[k]]), int(count[k]), int(each[0][k]), int(each[1][k]))
            run = self._open.plus(run) if start[k] == 0 else run
            if run.many > self.longest.many:
                self.longest = run
            self._open = run
        if not is_write[-1]:
            self._open = _Run()

    def _worth_it(
        self, start: NDArray[np.intp], count: NDArray[np.intp], is_write: NDArray[np.bool_]
    ) -> NDArray[np.intp]:
        """The runs of writes that go on from before or after the block, or that are the longest within it."""
        writes = np.flatnonzero(is_write[start])
        if not len(writes):
            return writes
        best = writes[np.argmax(count[writes])]
        return np.unique(np.concatenate([[best], writes[:1][start[writes[:1]] == 0], writes[-1:]]))

    def like_a_program(self, least: int) -> bool:
        """Whether the longest run has at least so many transfers, and goes as programs do."""
        run = self.longest
        if run.many < max(1, least):
            return False
        return _STEPS[0] <= run.steps / run.many <= _STEPS[1] and run.jumps >= _JUMPS * run.many
