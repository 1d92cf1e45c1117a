"""What comes through a pipe, on its way to the decoder: in files of a folder, until it is decoded and that is saved.

Bytes go from the pipe into a file inside the kernel (``splice``), never through
this process: killed at any moment, every byte is either still in the pipe or in
the folder. A sampler that is ahead finds room here for a while; past that its
pipe fills, and it waits.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import re
import select
import stat
import threading
import time
from collections.abc import Callable
from pathlib import Path

from busledger.decoder.capture import NOTHING_YET
from busledger.decoder.errors import OutputError

__all__ = ["CHUNK", "Mark", "Spool", "SpoolReader"]

CHUNK = 4 << 20  # a full disk is freed by whole chunks
_PIPE_BYTES = 1 << 20
_F_SETPIPE_SZ = 1031
_WAIT_S = 0.2
_LOOK_S = 0.05
_HEADER = re.compile(rb"\s*\$(date|version|timescale|comment|scope|var)\b")
Mark = tuple[int, str]
"""(byte, what begins there): "end" a new capture, "torn" the same one after bytes were lost."""


class Spool:
    """Takes bytes from a descriptor in a thread of its own; ``SpoolReader`` reads them.

    Parameters
    ----------
    folder : made where it is not there; what an earlier process left in it comes first
    room : bytes that may wait; at least two chunks

    Attributes
    ----------
    written, released : bytes taken from the source in all, and bytes that are needed no more
    marks : where captures begin, growing
    full : the disk has no room, as last tried
    begins : whether bytes are the beginning of a capture, beside those of a dump
    """

    def __init__(self, folder: Path, room: int) -> None:
        self._folder, self._room = folder, max(room, 2 * CHUNK)
        self._changed = threading.Condition()
        self._stop, self._fd, self._again = threading.Event(), -1, ""
        self._torn, self._first = False, 0
        self._thread: threading.Thread | None = None
        self.ended = self.full = self.gone = False
        self.failure: OSError | None = None
        self.begins: Callable[[bytes], bool] = lambda head: False
        try:
            folder.mkdir(parents=True, exist_ok=True)
            names = sorted(int(path.name) for path in folder.iterdir() if path.name.isdigit())
            self.released = names[0] if names else 0
            self.written = names[-1] + (folder / _name(names[-1])).stat().st_size if names else 0
            self.marks = self._old_marks()
        except OSError as error:
            raise OutputError(f"no place for what comes in: {error.strerror}", where=str(folder)) from error
        self.read = self.released
        self.last_byte_at = time.monotonic()

    def _old_marks(self) -> list[Mark]:
        path = self._folder / "marks"
        if not path.exists():
            return []
        found = []
        for line in path.read_bytes().split(b"\n"):
            with contextlib.suppress(ValueError):
                at, kind = json.loads(line)
                found.append((int(at), str(kind)))
        return found

    def mark(self, at: int, kind: str) -> None:
        """A capture begins at byte ``at``."""
        if any(known == at for known, _ in self.marks):
            return
        with contextlib.suppress(OSError), (self._folder / "marks").open("ab") as file:
            file.write(json.dumps([at, kind]).encode() + b"\n")
        self.marks.append((at, kind))

    # -- taking -----------------------------------------------------------
    def take_from(self, fd: int, *, path: str = "") -> None:
        """Begin to take bytes from ``fd``. ``path``: a named pipe, opened again when its writer has gone.

        Where an earlier process took from another pipe, what comes now does not follow what came before.
        """
        told = os.fstat(fd)
        identity = f"{told.st_dev}:{told.st_ino}".encode()
        note = self._folder / "pipe"
        with contextlib.suppress(OSError):
            self._torn = self.written > 0 and (not note.exists() or note.read_bytes() != identity)
            note.write_bytes(identity)
        self._fd, self._again, self._first = fd, path, self.written
        self._splices = stat.S_ISFIFO(told.st_mode) and hasattr(os, "splice")
        if self._splices:
            with contextlib.suppress(OSError):
                fcntl.fcntl(fd, _F_SETPIPE_SZ, _PIPE_BYTES)
        self._thread = threading.Thread(target=self._run, name="watch-spool", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        out = -1
        try:
            while not self._stop.is_set():
                if self.written - self.read >= self._room:
                    self._stop.wait(0.02)
                    continue
                if not self._is_coming():
                    continue
                if out < 0 or self.written % CHUNK == 0:
                    out = self._next_file(out)
                    if out < 0:
                        continue
                got = self._move(out)
                if got == 0 and not self._writer_gone():
                    break
        except OSError as error:
            self.failure = error
        finally:
            if out >= 0:
                os.close(out)
            self.ended = True
            self._tell()

    def _is_coming(self) -> bool:
        """Whether bytes are there, or the end of them, waiting a moment. ``poll`` does not mind how many files are
        open, as ``select`` does."""
        look = select.poll()
        look.register(self._fd, select.POLLIN)
        return bool(look.poll(_LOOK_S * 1000.0))

    def _next_file(self, old: int) -> int:
        """The file that the next byte goes to, at its end; -1 while the disk is full."""
        start = self.written - self.written % CHUNK
        try:
            path = self._folder / _name(start)
            made = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
            os.lseek(made, self.written - start, os.SEEK_SET)
        except OSError as error:
            self._no_room(error)
            return -1
        if old >= 0:
            os.close(old)
        return made

    def _move(self, out: int) -> int:
        """Bytes moved; 0 at the end, -1 where the disk is full."""
        room = CHUNK - self.written % CHUNK
        try:
            if self._splices:
                got = os.splice(self._fd, out, min(room, _PIPE_BYTES))
            else:
                data = os.read(self._fd, min(room, _PIPE_BYTES))
                got = len(data)
                done = 0
                while done < got and not self._stop.is_set():
                    try:
                        done += os.write(out, data[done:])
                    except OSError as error:
                        self._no_room(error)
        except BlockingIOError:
            return -1
        except OSError as error:
            self._no_room(error)
            return -1
        self.full = False
        if got:
            if self.written == self._first and self._first:
                self._look_at_first(out, got)
            self.written += got
            self.last_byte_at = time.monotonic()
            self._tell()
        return got

    def _look_at_first(self, out: int, got: int) -> None:
        """The first bytes of a new process's pipe: a header begins a capture, another pipe's bytes do not follow."""
        head = os.pread(out, min(got, 4096), self._first % CHUNK)
        if _HEADER.match(head) or self.begins(head):
            self.mark(self._first, "end")
        elif self._torn:
            self.mark(self._first, "torn")

    def _no_room(self, error: OSError) -> None:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise error
        self.full = True
        self._stop.wait(0.1)

    def _writer_gone(self) -> bool:
        """The pipe has been closed: whether another writer may come."""
        if not self._again:
            return False
        if self.written:
            self.mark(self.written, "end")
        try:
            fresh = os.open(self._again, os.O_RDONLY | os.O_NONBLOCK)
        except OSError:
            self.gone = True
            return False
        os.close(self._fd)
        self._fd = fresh
        self._tell()
        self._stop.wait(_WAIT_S)
        return True

    def _tell(self) -> None:
        with self._changed:
            self._changed.notify_all()

    # -- giving -----------------------------------------------------------
    def pread(self, buffer: memoryview, at: int) -> int:
        """Fill ``buffer`` from byte ``at``, which has been written; at least one byte."""
        start = at - at % CHUNK
        with (self._folder / _name(start)).open("rb", buffering=0) as file:
            file.seek(at - start)
            return file.readinto(buffer[: self.written - at]) or 0

    def wait_for(self, at: int, seconds: float) -> bool:
        """Wait until byte ``at`` is there; False where it is not, in time."""
        with self._changed:
            return self._changed.wait_for(lambda: self.written > at or self.ended, seconds) and self.written > at

    def release(self, at: int) -> None:
        """Nothing before byte ``at`` is needed any more. The youngest file stays: its name says how much has come."""
        while self.released + CHUNK <= at and self.released + CHUNK < self.written:
            with contextlib.suppress(OSError):
                (self._folder / _name(self.released)).unlink(missing_ok=True)
            self.released += CHUNK

    def close(self) -> None:
        """Stop taking; what has been taken stays."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=2)


class SpoolReader:
    """One capture out of a spool, from byte ``begin`` (of the spool) to the next mark; a ``LiveSource``."""

    def __init__(self, spool: Spool, begin: int, at: int, where: str) -> None:
        self.where, self.begin, self._at, self._spool = where, begin, at, spool
        spool.read = at

    @property
    def end(self) -> int | None:
        """The byte at which the next capture begins; None while that is not known."""
        found = [at for at, _ in self._spool.marks if at > self.begin]
        return min(found) if found else None

    def readinto(self, buffer: memoryview) -> int:
        end = self.end
        if end is not None and self._at >= end:
            return 0
        spool = self._spool
        if spool.written <= self._at and not spool.wait_for(self._at, _WAIT_S):
            if self.end is not None:
                return 0
            return 0 if spool.ended and spool.written <= self._at else NOTHING_YET
        end = self.end
        room = len(buffer) if end is None else min(len(buffer), end - self._at)
        if room <= 0:
            return 0
        got = spool.pread(buffer[:room], self._at)
        self._at += got
        spool.read = self._at
        return got

    def cut(self) -> bool:
        return False


def _name(start: int) -> str:
    return f"{start:016d}"
