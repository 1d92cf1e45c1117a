"""Where the bytes of a capture come from: a file, a compressed file, a pipe.

Whatever the source, it is read forward once in pieces of bounded size, so a
file larger than memory, or a small one that unpacks to more than memory,
passes through. Compression is told by the first bytes, never by the name.
"""

from __future__ import annotations

import errno
import io
import lzma
import os
import queue
import sys
import threading
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import IO, Protocol, cast

from busledger.decoder.capture.packed import Unpacker, packing_of
from busledger.decoder.errors import CaptureError
from busledger.decoder.text import plain

__all__ = ["ByteSource", "ThreadedSource", "filled", "open_source", "shown_path"]

_PIECE = 1 << 20
_AHEAD = 8
_PATIENCE_S = 0.5


class ByteSource(Protocol):
    """Bytes read forward; ``where`` names it in messages, ``size`` is the bytes on disk or None."""

    where: str
    size: int | None
    again: bool

    def readinto(self, buffer: memoryview) -> int:
        """Fill from the front; 0 only at the end."""

    def consumed(self) -> int:
        """Bytes taken from the disk or pipe so far, for the progress display."""

    def cut(self) -> bool:
        """True once a packed file has turned out to end too early."""

    def close(self) -> None:
        """Let go of the file."""


def shown_path(path: str) -> str:
    """The name of a capture as messages print it."""
    return "standard input" if path == "-" else plain(path, 400)


class PlainSource:
    """An ordinary uncompressed file."""

    def __init__(self, raw: IO[bytes], where: str, size: int | None, head: bytes) -> None:
        self.where, self.size, self.again = where, size, True
        self._raw, self._head, self._read = raw, head, 0

    def readinto(self, buffer: memoryview) -> int:
        """Fill ``buffer`` from the front; fewer bytes come only near the end."""
        count = min(len(buffer), len(self._head))
        buffer[:count] = self._head[:count]
        self._head = self._head[count:]
        try:
            count += cast(io.RawIOBase, self._raw).readinto(buffer[count:]) or 0
        except OSError as failure:
            raise _cannot_read(self.where, failure) from failure
        self._read += count
        return count

    def consumed(self) -> int:
        """Bytes read."""
        return self._read

    def cut(self) -> bool:
        """A plain file cannot tell."""
        return False

    def close(self) -> None:
        """Close the file."""
        self._raw.close()


class ThreadedSource:
    """A stream that a thread of its own reads (and unpacks) a few megabytes ahead.

    Memory is bounded by the queue: at most ``_AHEAD`` pieces of ``_PIECE`` bytes
    wait, however much a compressed file unpacks to.
    """

    def __init__(
        self,
        fetch: Callable[[], bytes],
        raw: _Peeked,
        where: str,
        size: int | None,
        again: bool,
        unpacker: Unpacker | None = None,
    ) -> None:
        self.where, self.size, self.again = where, size, again
        self._fetch, self._raw, self._unpacker = fetch, raw, unpacker
        self._pieces: queue.Queue[bytes | Exception] = queue.Queue(_AHEAD)
        self._current, self._at = b"", 0
        self._stop, self._ended = threading.Event(), False
        self._taken = 0
        self._thread = threading.Thread(target=self._run, name="capture-reader", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                piece: bytes | Exception = self._fetch()
            except Exception as failure:  # handed over: raised by readinto, in the caller's thread
                piece = failure
            if self._put(piece) or not piece or isinstance(piece, Exception):
                return

    def _put(self, piece: bytes | Exception) -> bool:
        while not self._stop.is_set():
            try:
                self._pieces.put(piece, timeout=0.1)
                return False
            except queue.Full:
                continue
        return True

    def readinto(self, buffer: memoryview) -> int:
        """Fill ``buffer`` with what has been read ahead, waiting for at least one byte."""
        if self._ended:
            return 0
        if self._at == len(self._current):
            piece = self._pieces.get()
            if isinstance(piece, Exception):
                self._ended = True
                raise _cannot_unpack(self.where, piece) from piece
            self._current, self._at = piece, 0
            if not piece:
                self._ended = True
                return 0
        count = min(len(buffer), len(self._current) - self._at)
        buffer[:count] = memoryview(self._current)[self._at : self._at + count]
        self._at += count
        self._taken += count
        return count

    def consumed(self) -> int:
        """Bytes taken from the disk (not unpacked) where that is known."""
        return self._raw.count if self._unpacker is not None else self._taken

    def cut(self) -> bool:
        """True once a packed file has ended inside its compressed data."""
        return self._unpacker is not None and self._unpacker.cut

    def close(self) -> None:
        """Stop the thread and close the file; a pipe that blocks is left to the thread."""
        self._stop.set()
        self._ended = True
        self._thread.join(timeout=0.5)
        if not self._thread.is_alive():
            self._raw.close()


def open_source(path: str, stdin: IO[bytes] | None = None, *, as_is: bool = False) -> ByteSource:
    """Open ``path`` (``-`` is standard input); raises CaptureError with a hint.

    ``as_is``: whatever the first bytes look like, it is not packed.
    """
    if path == "-":
        stream = stdin if stdin is not None else sys.stdin.buffer
        return _threaded(_Peeked(stream, owned=False), shown_path(path), None, again=False, as_is=as_is)
    where = shown_path(path)
    try:
        target = Path(path)
        if target.is_dir():
            raise CaptureError("this is a folder, not a capture", where=where, hint="Name a file in it.")
        raw = target.open("rb", buffering=0)
        size = os.fstat(raw.fileno()).st_size
        regular = target.is_file()
    except OSError as failure:
        raise _cannot_read(where, failure) from failure
    except ValueError as failure:
        raise CaptureError(f"this is not a path: {failure}", where=where) from failure
    if not regular:
        return _threaded(_Peeked(cast(IO[bytes], raw)), where, None, again=False, as_is=as_is)
    try:
        head = raw.read(8)
    except OSError as failure:
        raw.close()
        raise _cannot_read(where, failure) from failure
    if as_is or packing_of(head) is None:
        return PlainSource(cast(IO[bytes], raw), where, size, head)
    raw.seek(0)
    return _threaded(_Peeked(cast(IO[bytes], raw)), where, size, again=True)


class _Peeked(io.RawIOBase):
    """A stream whose first bytes were looked at and are given again."""

    def __init__(self, stream: IO[bytes], owned: bool = True) -> None:
        self._stream, self._owned = stream, owned
        self._head = b""
        self.count = 0
        while len(self._head) < 8:
            more = stream.read(8 - len(self._head))
            if not more:
                break
            self._head += more
        self.magic = self._head

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: object) -> int:
        view = memoryview(buffer)  # type: ignore[arg-type]
        if self._head:
            count = min(len(view), len(self._head))
            view[:count] = self._head[:count]
            self._head = self._head[count:]
        else:
            # read1 gives what a pipe holds now, where read would wait for a full piece
            read = getattr(self._stream, "read1", self._stream.read)
            data = read(len(view))
            count = len(data)
            view[:count] = data
        self.count += count
        return count

    def close(self) -> None:
        if self._owned:
            self._stream.close()
        super().close()


def _threaded(raw: _Peeked, where: str, size: int | None, again: bool, as_is: bool = False) -> ByteSource:
    packing = None if as_is else packing_of(raw.magic)
    if packing is None:
        return ThreadedSource(lambda: raw.read(_PIECE) or b"", raw, where, size, again)
    unpacker = Unpacker(packing, lambda count: raw.read(count) or b"")
    return ThreadedSource(unpacker.next_piece, raw, where, size, again, unpacker)


def _cannot_read(where: str, failure: OSError) -> CaptureError:
    hints = {
        errno.ENOENT: "Check the spelling of the path.",
        errno.EACCES: "Ask for read permission on it.",
        errno.EISDIR: "Name a file in it.",
    }
    reason = failure.strerror or type(failure).__name__
    return CaptureError(f"cannot be read: {reason}", where=where, hint=hints.get(failure.errno or 0, ""))


def _cannot_unpack(where: str, failure: Exception) -> CaptureError:
    if isinstance(failure, OSError) and failure.errno:
        return _cannot_read(where, failure)
    known = (EOFError, zlib.error, lzma.LZMAError, OSError, ValueError)
    what = f"the compressed file is damaged: {plain(str(failure))}"
    if not isinstance(failure, known) and type(failure).__module__.split(".")[0] != "zstandard":
        what = f"cannot be read: {type(failure).__name__}: {plain(str(failure))}"
    return CaptureError(what, where=where, hint="Copy it again from where it was made.")


def filled(source: ByteSource, data: bytearray, size: int) -> tuple[bytearray, bool, bool]:
    """``data`` with up to ``size`` bytes more, whether the source ended, and whether it has nothing more for now (or
    is slow to fill them)."""
    stop, begun = len(data), time.monotonic()
    data = data + bytearray(size)
    ended = idle = False
    with memoryview(data) as view:
        while stop < len(data) and not ended and not idle:
            got = source.readinto(view[stop:])
            stop += max(got, 0)
            ended = got == 0
            idle = got < 0 or (stop < len(data) and time.monotonic() - begun > _PATIENCE_S)
    return data[:stop], ended, idle
