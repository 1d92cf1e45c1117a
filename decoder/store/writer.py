"""Writing an entry of the decoded-capture store, block by block, whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import shutil
import uuid
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture.columns import Capture
from busledger.decoder.errors import OutputError
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.store.layout import (
    DETAIL_ROWS,
    GROUPS,
    HEAD_BYTES,
    META,
    SCHEMA,
    StoreDamagedError,
    StoreFacts,
    checksum,
    head,
)
from busledger.decoder.store.reading import Store

__all__ = ["UNFINISHED", "StoreWriter", "remove_entry"]

UNFINISHED = ".unfinished"
_QUOTA = getattr(errno, "EDQUOT", errno.ENOSPC)


def _sync_directory(path: Path) -> None:
    """Make a rename durable; where directories cannot be opened (Windows) the system does it."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return
    try:
        with suppress(OSError):  # some network file systems refuse; the entry is then as durable as they make it
            os.fsync(handle)
    finally:
        os.close(handle)


class _Column:
    """One growing column file. Blocks of zeros become holes where the file system has them."""

    def __init__(self, path: Path, name: str, dtype: np.dtype[Any]) -> None:
        self.dtype = dtype
        self.values = 0
        self._file: BinaryIO = path.open("wb")
        self._file.write(head(name, dtype))

    def append(self, values: NDArray[Any]) -> None:
        block = np.ascontiguousarray(values, dtype=self.dtype)
        if block.any():
            self._file.write(block.reshape(-1).view(np.uint8).data)
        else:
            self._file.seek(block.nbytes, os.SEEK_CUR)
        self.values += block.size

    def finish(self) -> None:
        self._file.truncate(HEAD_BYTES + self.values * self.dtype.itemsize)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()

    def close(self) -> None:
        self._file.close()


class _Moved:
    """Takes blocks of levels and gives, for every ``DETAIL_ROWS`` rows, the lines that moved in them."""

    def __init__(self) -> None:
        self._rows = 0
        self._last: tuple[NDArray[np.uint64], NDArray[np.uint64]] | None = None
        self._open: NDArray[np.uint64] | None = None  # of the rows that do not fill a group yet

    def add(self, block: Capture) -> NDArray[np.uint64]:
        """uint64 (groups, words) of the groups that this block completes."""
        levels, unknown = block.levels, block.unknown
        if not len(levels):
            return np.empty((0, levels.shape[1]), np.uint64)
        before = self._last if self._last is not None else (levels[:1], unknown[:1])
        moved = np.empty_like(levels)
        moved[0] = (levels[0] ^ before[0][-1]) | (unknown[0] ^ before[1][-1])
        moved[1:] = (levels[1:] ^ levels[:-1]) | (unknown[1:] ^ unknown[:-1])
        self._last = levels[-1:].copy(), unknown[-1:].copy()
        first = -self._rows % DETAIL_ROWS  # where the first new group begins
        starts = np.arange(first, len(moved), DETAIL_ROWS)
        starts = np.concatenate([[0], starts]) if first else starts
        groups = np.bitwise_or.reduceat(moved, starts, axis=0)
        if first and self._open is not None:
            groups[0] |= self._open
        self._rows += len(moved)
        unfinished = self._rows % DETAIL_ROWS
        self._open = groups[-1].copy() if unfinished else None
        return groups[:-1] if unfinished else groups

    def rest(self) -> NDArray[np.uint64]:
        """The last group, which need not be full."""
        return np.empty((0, 1), np.uint64) if self._open is None else self._open[None, :]


class StoreWriter:
    """Takes blocks in order and makes an entry of them at ``finish``.

    Capture blocks, cycles and what the ledger says of them may come in any
    interleaving; each stream must be in order. Leaving the context without
    ``finish`` removes everything.

    Parameters
    ----------
    entry
        The directory to be. Its parent must exist and be writable.

    Raises
    ------
    OutputError
        The disk is full or not writable; nothing is left behind.
    """

    def __init__(self, entry: Path) -> None:
        self.entry = entry
        self._work = entry.with_name(f"{entry.name}.{os.getpid()}-{uuid.uuid4().hex[:8]}{UNFINISHED}")
        self._columns: dict[str, _Column] = {}
        self._documents: dict[str, str] = {}
        self._words: int | None = None
        self._moved = _Moved()
        self._open = True
        self.capture_rows = 0
        self.cycle_rows = 0
        self.compared_rows = 0
        try:
            self._work.mkdir(mode=0o700)
            for group, columns in GROUPS.items():
                for name, dtype in columns.items():
                    key = f"{group}.{name}"
                    self._columns[key] = _Column(self._work / key, key, dtype)
        except OSError as error:
            self.abandon()
            raise self._full(error) from error

    def _full(self, error: OSError) -> OutputError:
        return OutputError(
            f"The decoded capture could not be written: {error.strerror or error}",
            where=str(self.entry.parent),
            hint="Free some space there, or set another cache directory."
            if error.errno in (errno.ENOSPC, _QUOTA)
            else "",
        )

    def _append(self, key: str, values: NDArray[Any]) -> None:
        try:
            self._columns[key].append(values)
        except OSError as error:
            self.abandon()
            raise self._full(error) from error

    def add_capture(self, block: Capture) -> None:
        """Append rows of levels; every block must have the same number of words a row."""
        words = int(block.levels.shape[1])
        if self._words is None:
            self._words = words
        elif words != self._words:
            raise ValueError(f"blocks of {self._words} and of {words} words a row in one capture")
        self._append("capture.time", block.time)
        self._append("capture.levels", block.levels)
        self._append("capture.unknown", block.unknown)
        self._append("detail.moved", self._moved.add(block))
        firsts = slice(-self.capture_rows % DETAIL_ROWS, None, DETAIL_ROWS)
        self._append("detail.time", block.time[firsts])
        self._append("detail.levels", block.levels[firsts])
        self._append("detail.unknown", block.unknown[firsts])
        self.capture_rows += len(block)

    def add_cycles(self, cycles: Cycles) -> None:
        """Append decoded cycles, regions filled in."""
        for name in GROUPS["cycles"]:
            self._append(f"cycles.{name}", getattr(cycles, name))
        self.cycle_rows += len(cycles)

    def add_compared(self, compared: Compared) -> None:
        """Append the ledger's word on the next cycles, and index what it found."""
        for name in GROUPS["compared"]:
            self._append(f"compared.{name}", getattr(compared, name))
        for key, verdict in (("index.mismatch_rows", Verdict.MISMATCH), ("index.disagree_rows", Verdict.DISAGREES)):
            self._append(key, np.flatnonzero(compared.verdict == verdict).astype(np.int64) + self.compared_rows)
        self.compared_rows += len(compared)

    def add_document(self, name: str, text: str) -> None:
        """Keep a text with the entry (the result as JSON, say); a later one of the same name replaces it."""
        self._documents[name] = text

    def finish(self, facts: StoreFacts) -> Store:
        """Bring everything to the disk, give the entry its name, and open it."""
        if not self._open:
            raise ValueError("this writer is closed")
        if self.cycle_rows != self.compared_rows:
            raise ValueError(f"{self.cycle_rows} cycles, but the ledger's word on {self.compared_rows}")
        self._append("detail.moved", self._moved.rest())
        try:
            for key, column in self._columns.items():
                if key != "detail.cycles":
                    column.finish()
            self._columns["detail.cycles"].append(
                np.searchsorted(self._written("cycles.time"), self._written("detail.time"))
            )
            self._columns["detail.cycles"].finish()
            body = {
                "facts": facts.model_dump(mode="json"),
                "words": self._words or 1,
                "rows": {key: column.values for key, column in self._columns.items()},
                "documents": self._documents,
            }
            meta = {"schema": SCHEMA, "checksum": checksum(body), "body": body}
            with (self._work / META).open("w", encoding="utf-8") as file:
                json.dump(meta, file)
                file.flush()
                os.fsync(file.fileno())
            _sync_directory(self._work)
            store = self._take_name()
        except OSError as error:
            self.abandon()
            raise self._full(error) from error
        self._open = False
        return store

    def _written(self, key: str) -> NDArray[Any]:
        """A finished column, mapped."""
        column = self._columns[key]
        if not column.values:
            return np.empty(0, column.dtype)
        return np.memmap(self._work / key, column.dtype, "r", HEAD_BYTES, (column.values,)).view(np.ndarray)

    def _take_name(self) -> Store:
        """Rename into place and open. A whole entry that a twin put there first is as good: ours goes."""
        for _ in range(8):
            try:
                self._work.rename(self.entry)
            except OSError as error:
                if error.errno not in (errno.EEXIST, errno.ENOTEMPTY, errno.EACCES) or not self.entry.exists():
                    raise
                try:
                    store = Store.open(self.entry)
                except StoreDamagedError:
                    remove_entry(self.entry)
                    continue
                shutil.rmtree(self._work, ignore_errors=True)
                return store
            _sync_directory(self.entry.parent)
            return Store.open(self.entry)
        raise OSError(errno.EBUSY, "another process keeps writing the same entry")

    def abandon(self) -> None:
        """Remove what was written; harmless after ``finish``."""
        if self._open:
            self._open = False
            for column in self._columns.values():
                try:
                    column.close()
                except OSError:
                    continue  # a full disk also refuses the last flush; the file goes anyway
            shutil.rmtree(self._work, ignore_errors=True)

    def __enter__(self) -> StoreWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, tb: TracebackType | None) -> None:
        self.abandon()


def remove_entry(entry: Path) -> None:
    """Take an entry away in one step (rename), then delete it; readers keep what they have mapped."""
    aside = entry.with_name(f"{entry.name}.{os.getpid()}-{uuid.uuid4().hex[:8]}{UNFINISHED}")
    try:
        entry.rename(aside)
    except OSError:
        return  # another process was first, or it may not be removed by us
    shutil.rmtree(aside, ignore_errors=True)
