"""A file that the shell gives as standard input (``busledger watch - < run.vcd``): one capture, which is whole."""

from __future__ import annotations

import hashlib
import os
from typing import Any

from busledger.decoder.capture import LivePlace
from busledger.decoder.errors import CaptureError
from busledger.decoder.watching.coming import Coming

__all__ = ["RedirectedSource"]

_NAME = "standard input"
_LOOK = 1 << 16


class RedirectedSource:
    """The rest of the file behind the descriptor ``fd``; a later process with the same file goes on in it."""

    live = many = False

    def __init__(self, fd: int, old: dict[str, Any] | None) -> None:
        self.over, self._fd = "", os.dup(fd)
        self._begin = os.lseek(self._fd, 0, os.SEEK_CUR)
        self._bytes = _FileBytes(self._fd, self._begin)
        head = os.pread(self._fd, _LOOK, self._begin)
        self._file = hashlib.blake2b(head, digest_size=16).hexdigest(), self._begin
        self._place: LivePlace | None = None
        self._same = old is not None and old["file"] == self._file
        self._done = self._same and old is not None and bool(old["done"])
        if old is not None and self._same:
            self._place = old["place"]
        self._news: list[tuple[str, str]] = []
        if old is not None and not self._same:
            self._news.append(("source-replaced", f"{_NAME} is another file than it was: a new capture begins"))

    def next(self) -> Coming | None:
        if self._done:
            self.over = "closed"
            return None
        place, self._place = self._place, None
        packed = place is not None and bool(place.packing)
        self._bytes.at = self._begin + (0 if place is None or packed else place.offset)
        return Coming(_NAME, self._bytes, place, resumed=place is not None)

    def done(self) -> None:
        self._done = True

    def waiting(self) -> int:
        return max(0, os.fstat(self._fd).st_size - self._bytes.at)

    def quiet_s(self) -> float:
        return 0.0

    def news(self) -> list[tuple[str, str]]:
        news, self._news = self._news, []
        return news

    def state(self, place: LivePlace | None) -> dict[str, Any]:
        return {"kind": "redirected file", "file": self._file, "place": place, "done": self._done}

    def saved(self, state: dict[str, Any]) -> None:
        return None

    def close(self) -> None:
        os.close(self._fd)


class _FileBytes:
    """A ``LiveSource`` that never waits."""

    where = _NAME

    def __init__(self, fd: int, at: int) -> None:
        self._fd, self.at = fd, at

    def readinto(self, buffer: memoryview) -> int:
        try:
            got = os.preadv(self._fd, [buffer], self.at)
        except OSError as error:
            raise CaptureError(f"cannot be read: {error.strerror}", where=self.where) from error
        self.at += got
        return got

    def cut(self) -> bool:
        return False
