"""Captures in files: one that grows while it is watched, and whole ones that were dropped into a folder."""

from __future__ import annotations

import hashlib
import os
import re
import time
from pathlib import Path

from busledger.decoder.capture import NOTHING_YET, RawFormat, Unpacker, packing_of
from busledger.decoder.errors import CaptureError

__all__ = ["GrowingFile", "WholeFile", "digest_of", "is_capture_name", "last_stamp"]

_POLL_S = 0.2
_BLOCK = 1 << 20
_SUFFIX = re.compile(r"\.(vcd|csv|raw|bin)(\.(gz|bz2|xz|zst))?$", re.IGNORECASE)
_STAMP = re.compile(rb"(?:^|\n)#(\d{1,19})(?=\s)")


def is_capture_name(name: str, raw: RawFormat | None) -> bool:
    """Whether a file in a folder is taken for a capture by its name; half-copied ones usually begin with a dot."""
    match = _SUFFIX.search(name)
    if match is None or name.startswith("."):
        return False
    return (match[1].lower() in ("raw", "bin")) == (raw is not None)


class GrowingFile:
    """A file from byte ``at`` on, to whose end more may be written; a ``LiveSource``.

    It ends where the file has gone, is another one now, or is shorter than what was read: ``why`` then says so.
    """

    def __init__(self, path: str, at: int, where: str) -> None:
        self.where, self._path, self._at = where, path, at
        try:
            self._file = open(path, "rb", buffering=0)  # noqa: SIM115, PTH123 - as long as it is watched
        except OSError as error:
            raise CaptureError(f"cannot be read: {error.strerror}", where=where) from error
        self.inode = os.fstat(self._file.fileno()).st_ino
        self.why = ""
        self.last_byte_at = time.monotonic()

    @property
    def waiting(self) -> int:
        """Bytes that are there and were not read yet."""
        return max(0, os.fstat(self._file.fileno()).st_size - self._at)

    def readinto(self, buffer: memoryview) -> int:
        got = self._read(buffer)
        if got:
            return got
        if not self.why:
            self.why = self._gone()
            if self.why:  # what was written before it went
                return self._read(buffer)
            time.sleep(_POLL_S)
            return NOTHING_YET
        return 0

    def _read(self, buffer: memoryview) -> int:
        try:
            self._file.seek(self._at)
            got = self._file.readinto(buffer) or 0
        except OSError as error:
            raise CaptureError(f"cannot be read: {error.strerror}", where=self.where) from error
        if got:
            self._at += got
            self.last_byte_at = time.monotonic()
        return got

    def _gone(self) -> str:
        try:
            told = os.stat(self._path)  # noqa: PTH116
        except OSError:
            return "gone"
        if told.st_ino != self.inode:
            return "replaced"
        return "shorter" if told.st_size < self._at else ""

    def cut(self) -> bool:
        return False

    def close(self) -> None:
        self._file.close()


class WholeFile:
    """A finished file, plain or packed, from byte ``at`` of what it unpacks to; a ``LiveSource`` that never waits."""

    def __init__(self, path: Path, at: int, where: str, *, as_is: bool = False) -> None:
        self.where = where
        try:
            self._file = path.open("rb")
            packing = None if as_is else packing_of(self._file.read(8))
            self._file.seek(at if packing is None else 0)
        except OSError as error:
            raise CaptureError(f"cannot be read: {error.strerror}", where=where) from error
        self._unpacker = None if packing is None else Unpacker(packing, self._file.read)
        self._held = b""
        left = at
        while self._unpacker is not None and left > 0:
            piece = self._unpacker.next_piece()
            if not piece:
                break
            self._held, left = piece[left:], left - len(piece)

    def readinto(self, buffer: memoryview) -> int:
        try:
            if self._unpacker is None:
                return self._file.readinto(buffer)
            if not self._held:
                self._held = self._unpacker.next_piece()
        except Exception as error:  # each packing has its own
            raise CaptureError(f"the file is damaged: {error}", where=self.where) from error
        count = min(len(buffer), len(self._held))
        buffer[:count] = self._held[:count]
        self._held = self._held[count:]
        return count

    def cut(self) -> bool:
        return self._unpacker is not None and self._unpacker.cut

    def close(self) -> None:
        self._file.close()


def digest_of(path: Path, *, as_is: bool = False) -> str:
    """Of a file's bytes, unpacked: the same capture dropped twice, under two names or packed anew, has the same."""
    made, buffer = hashlib.blake2b(digest_size=16), bytearray(_BLOCK)
    file = WholeFile(path, 0, str(path), as_is=as_is)
    try:
        with memoryview(buffer) as view:
            while got := file.readinto(view):
                made.update(view[:got])
    finally:
        file.close()
    return made.hexdigest()


def last_stamp(path: Path) -> int | None:
    """The last time stamp near the end of an unpacked VCD; None where there is none to see."""
    try:
        with path.open("rb") as file:
            if packing_of(file.read(8)) is not None:
                return None
            file.seek(max(0, path.stat().st_size - (1 << 16)))
            found = _STAMP.findall(file.read())
    except OSError:
        return None
    return int(found[-1]) if found else None
