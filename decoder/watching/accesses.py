"""The accesses that the diagnosis weighs, in files of a folder, bounded: a watch may run for days.

They lie in chapters. While all fit, all are kept, and the answer is the one that
``check`` gives. Past that, whole chapters go: of those with wrong reads the
first, the latest and a fair sample stay longest, then some of the right ones.
What a chapter's reads are held against may have been written in one that went:
then a write of just that stands before the chapter, so that it can be replayed.
"""

from __future__ import annotations

import contextlib
import os
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.errors import OutputError
from busledger.decoder.ledger import AccessLog, Compared, Verdict
from busledger.decoder.watching.row_packing import ROW_BYTES, packed_rows, unpacked_rows

__all__ = ["ROW_BYTES", "Chapter", "KeptAccesses"]

CHAPTER_ROWS = 1 << 16  # a tenth of a second of a bus of 1 MHz
_BLOCK = 1 << 16
_FIRST, _LATEST = 2, 3


@dataclass(frozen=True)
class Chapter:
    """``number`` names its file; (rows, bytes) of each block in it; ``first`` is the index of its first cycle."""

    number: int
    sizes: tuple[tuple[int, int], ...] = ()
    first: int = -1
    wrong: int = 0

    @property
    def rows(self) -> int:
        return sum(rows for rows, _ in self.sizes)

    @property
    def bytes(self) -> int:
        return sum(size for _, size in self.sizes)


class KeptAccesses(AccessLog):
    """An ``AccessLog`` in ``folder``, of at most ``most_rows`` rows (and a chapter).

    Attributes
    ----------
    lost : rows that were not kept because the disk had no room for them
    """

    def __init__(self, folder: Path, most_rows: int, chapter_rows: int = CHAPTER_ROWS) -> None:
        super().__init__()
        self._folder, self._most, self._chapter_rows = folder, max(most_rows, 2 * chapter_rows), chapter_rows
        self._chapters: list[Chapter] = [Chapter(0)]
        self._out: Any = None
        self._looks_on = False
        self._passed = 0  # chapters with wrong reads that have come into the middle
        self._opened: dict[int, int] = {}
        self._gone: list[int] = []
        self.lost = 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(f"no place for the accesses: {error.strerror}", where=str(folder)) from error

    @property
    def kept_rows(self) -> int:
        """Rows that can still be read."""
        return sum(chapter.rows for chapter in self._chapters)

    @property
    def bytes(self) -> int:
        """On the disk."""
        return sum(chapter.bytes for chapter in self._chapters)

    def append(self, cycles: Cycles, compared: Compared) -> tuple[Cycles, Compared] | None:
        """As ``AccessLog.append``; the rows are in the file when this returns."""
        places = np.flatnonzero((compared.verdict != Verdict.NOT_TAKEN) & (cycles.region >= 0))
        if not len(places):
            return None
        kept = (
            (cycles, compared) if len(places) == len(compared.verdict) else (cycles.take(places), compared.take(places))
        )
        self.verdicts += np.bincount(kept[1].verdict, minlength=len(Verdict))
        self._rows += len(places)
        if self._looks_on:
            self._held.append(kept)
            return kept
        start = 0
        while start < len(places):  # a chapter ends at the same row however blocks part
            room = self._chapter_rows - self._chapters[-1].rows % self._chapter_rows
            stop = min(start + min(_BLOCK, room), len(places))
            self._write(kept[0].slice(start, stop), kept[1].slice(start, stop))
            start = stop
        return kept

    def _write(self, cycles: Cycles, compared: Compared) -> None:
        last = self._chapters[-1]
        if last.rows >= self._chapter_rows:
            self._close_file()
            self._chapters.append(last := Chapter(last.number + 1))
            self._trim()
        data = packed_rows(cycles, compared)
        size = sum(piece.nbytes for piece in data)
        try:
            if self._out is None:
                self._out = self._path(last.number).open("r+b" if last.sizes else "wb", buffering=0)
            if os.pwritev(self._out.fileno(), data, last.bytes) < size:
                raise OSError("no room")
        except OSError:  # no room: these are not weighed, which is told; the rest goes on
            self.lost += len(cycles)
            return
        wrong = int((compared.verdict == Verdict.MISMATCH).sum())
        first = int(compared.index[0]) if last.first < 0 else last.first
        self._chapters[-1] = replace(
            last, sizes=(*last.sizes, (len(cycles), size)), first=first, wrong=last.wrong + wrong
        )

    def _trim(self) -> None:
        """A chapter has begun: another one may have to go, so that the middle holds those with wrong reads, and of
        these a fair sample (as ``keeping`` draws it)."""
        middle = range(_FIRST, len(self._chapters) - _LATEST)
        if middle and self._chapters[middle[-1]].wrong:
            self._passed += 1
        if self.kept_rows <= self._most or not middle:
            return
        right = [k for k in middle if not self._chapters[k].wrong]
        if right:
            place = right[random.Random(self._chapters[-1].number).randrange(len(right))]
        else:
            drawn = random.Random(self._chapters[-1].number).randrange(self._passed)
            place = middle[min(drawn, len(middle) - 1)]
        self._gone.append(self._chapters.pop(place).number)

    def blocks(self) -> Iterator[tuple[Cycles, Compared]]:
        """All rows that are kept, in time order, in blocks; may be called any number of times."""
        before = -1
        bridge = _Bridge(0)
        for chapter in list(self._chapters):
            if chapter.number != before + 1:
                bridge = _Bridge(chapter.first)
            before = chapter.number
            if chapter.sizes:
                yield from bridge.passed(self._blocks_of(chapter))
        yield from self._held

    def _blocks_of(self, chapter: Chapter) -> Iterator[tuple[Cycles, Compared]]:
        fd = self._opened.get(chapter.number)
        file = os.open(self._path(chapter.number), os.O_RDONLY) if fd is None else fd
        try:
            at = 0
            for rows, size in chapter.sizes:
                yield unpacked_rows(os.pread(file, size, at), rows)
                at += size
        finally:
            if fd is None:
                os.close(file)

    def close(self) -> None:
        """Let go of the files that a ``view`` holds; they stay until the watch has ended (``remove``)."""
        opened, self._opened = self._opened, {}
        for fd in opened.values():
            os.close(fd)

    def _close_file(self) -> None:
        if self._out is not None:
            self._out.close()
            self._out = None

    def _path(self, number: int) -> Path:
        return self._folder / f"{number:06d}.rows"

    # -- from one process to the next --------------------------------------
    def state(self) -> dict[str, Any]:
        """For ``go_on``, and for ``view``."""
        return {
            "chapters": list(self._chapters), "rows": self._rows, "verdicts": self.verdicts.copy(), "lost": self.lost,
            "passed": self._passed,
        }  # fmt: skip

    def go_on(self, state: dict[str, Any]) -> None:
        """Take up what ``state`` gave; what was written after it is forgotten."""
        self._close_file()
        self._chapters, self._rows, self._passed = list(state["chapters"]), state["rows"], state["passed"]
        self.verdicts, self.lost = state["verdicts"].copy(), state["lost"]
        kept = {chapter.number for chapter in self._chapters}
        for path in self._folder.glob("*.rows"):
            if not path.stem.isdigit() or int(path.stem) not in kept:
                path.unlink(missing_ok=True)
        missing = [c for c in self._chapters if c.sizes and not self._path(c.number).exists()]
        self._chapters = [c for c in self._chapters if c not in missing] or [Chapter(0)]

    def view(self, state: dict[str, Any]) -> KeptAccesses:
        """The same files as they were at ``state``, to be read beside the writing."""
        other = KeptAccesses(self._folder, self._most, self._chapter_rows)
        other._looks_on = True  # what it is given stays in memory: the files are another's
        # Open, they can be read though they are removed meanwhile.
        for chapter in state["chapters"]:
            if chapter.sizes:
                other._opened[chapter.number] = os.open(self._path(chapter.number), os.O_RDONLY)
        other._chapters, other._rows = list(state["chapters"]), state["rows"]
        other.verdicts, other.lost = state["verdicts"].copy(), state["lost"]
        return other

    def saved(self) -> None:
        """A state taken after the last trimming is on the disk: the files that went out may go."""
        gone, self._gone = self._gone, []
        for number in gone:
            with contextlib.suppress(OSError):
                self._path(number).unlink(missing_ok=True)

    def remove(self) -> None:
        """Remove all files."""
        self._close_file()
        for path in self._folder.glob("*.rows"):
            path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self._folder.rmdir()


class _Bridge:
    """Over chapters that went, to a run of chapters whose first cycle is ``first``.

    The cells that the run reads, and that were written before it, are written once more as its chapters begin: with
    what the ledger held, known bits only, under numbers of cycles that have gone.
    """

    def __init__(self, first: int) -> None:
        self._first = first
        self._cells = np.zeros(0, np.int64)  # region << 32 | address, rising
        self._writers = np.zeros(0, np.int64)
        self._next = 0

    def passed(self, blocks: Iterator[tuple[Cycles, Compared]]) -> Iterator[tuple[Cycles, Compared]]:
        """A chapter's blocks, with the writes before them that they need."""
        if self._first <= 0:
            yield from blocks
            return
        held = list(blocks)
        made = [self._writes(cycles, compared) for cycles, compared in held]
        fresh = [pair for pair in made if len(pair[0])]
        if fresh:
            cycles = Cycles.concat([pair[0] for pair in fresh])
            cycles.time[:], cycles.sample[:] = held[0][0].time[0], held[0][0].sample[0]
            yield cycles, Compared.concat([pair[1] for pair in fresh])
        for cycles, compared in held:
            rows = self._before(compared)
            places = np.searchsorted(self._cells, _keys(cycles)[rows])
            compared.writer[rows] = self._writers[places]
            yield cycles, compared

    def _before(self, compared: Compared) -> NDArray[np.intp]:
        """Judged reads of what was written before the run."""
        judged = (compared.verdict == Verdict.AGREES) | (compared.verdict == Verdict.MISMATCH)
        return np.flatnonzero(judged & (compared.writer >= 0) & (compared.writer < self._first))

    def _writes(self, cycles: Cycles, compared: Compared) -> tuple[Cycles, Compared]:
        """Writes for cells that no earlier block of the run has asked for."""
        rows = self._before(compared)
        keys, first = np.unique(_keys(cycles)[rows], return_index=True)
        new = ~np.isin(keys, self._cells)
        rows = rows[first[new]]
        made, told = cycles.take(rows), Compared.empty(len(rows))
        made.kind[:] = Kind.WRITE
        made.data[:] = compared.expected[rows]
        made.data_unknown[:] = ~compared.known[rows]
        made.flags[:] = 0
        told.verdict[:] = Verdict.WRITE
        self._next -= len(rows)
        told.index[:] = self._first + self._next + np.arange(len(rows))
        order = np.argsort(np.concatenate((self._cells, keys[new])), kind="stable")
        self._cells = np.concatenate((self._cells, keys[new]))[order]
        self._writers = np.concatenate((self._writers, told.index))[order]
        return made, told


def _keys(cycles: Cycles) -> NDArray[np.int64]:
    return cycles.region.astype(np.int64) << 32 | cycles.address
