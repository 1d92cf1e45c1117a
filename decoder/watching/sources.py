"""Where the captures of a watch come from: standard input, a named pipe, a file that grows, a folder."""

from __future__ import annotations

import os
import stat
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from busledger.decoder.capture import BLANK, LivePlace, RawFormat, packing_of
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.text import plain
from busledger.decoder.watching.coming import Coming, Source
from busledger.decoder.watching.files import GrowingFile, WholeFile, digest_of, is_capture_name, last_stamp
from busledger.decoder.watching.redirected import RedirectedSource
from busledger.decoder.watching.spool import Spool, SpoolReader

__all__ = ["FileSource", "FolderSource", "PipeSource", "open_watched"]

_POLL_S = 0.2
SETTLED_S = 2.0
"""A file of a folder that has not grown for this long is whole."""


class PipeSource:
    """Standard input or a named pipe, through a spool."""

    live, many = True, False

    def __init__(
        self,
        path: str,
        folder: Path,
        room: int,
        stdin: IO[bytes] | None,
        old: dict[str, Any] | None,
        raw: RawFormat | None,
        declared: bytes,
    ) -> None:
        self.over, self._room = "", room
        self._name = "standard input" if path == "-" else plain(path, 400)
        self.spool = Spool(folder, room)
        self._begin = self.spool.released if old is None else old["begin"]
        self._place: LivePlace | None = None if old is None else old["place"]
        self._given = False
        self._full = self._failed = self._long = False
        if raw is None:
            self.spool.begins = lambda head: _begins(head, declared)
        piped = path == "-"
        fd = os.dup((stdin or sys.stdin.buffer).fileno()) if piped else os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        self.spool.take_from(fd, path="" if piped else path)

    def next(self) -> Coming | None:
        spool = self.spool
        place, self._place = self._place, None
        needed = 0 if place is None or place.packing else place.offset  # packed bytes are unpacked from their first on
        if place is not None and spool.released <= self._begin + needed <= spool.written:
            self._given = True
            reader = SpoolReader(spool, self._begin, self._begin + needed, self._name)
            return Coming(self._name, reader, place, resumed=True)
        if place is not None and place.packing:
            self.over = "packed"
            return None
        if self._begin < spool.released:  # what was to come next has gone
            spool.mark(spool.released, "torn")
            self._begin = spool.released
        if not spool.wait_for(self._begin, _POLL_S):
            self._finish()
            return None
        self._given = True
        torn = (self._begin, "torn") in spool.marks
        return Coming(self._name, SpoolReader(spool, self._begin, self._begin, self._name), torn=torn)

    def done(self) -> None:
        ends = [at for at, _ in self.spool.marks if at > self._begin]
        self._begin, self._given = min(ends, default=self.spool.written), False

    def _finish(self) -> None:
        if self.spool.ended and self.spool.read >= self.spool.written:
            self.over = "gone" if self.spool.gone else "closed"
        else:
            time.sleep(_POLL_S)

    def waiting(self) -> int:
        return max(0, self.spool.written - self.spool.read)

    def quiet_s(self) -> float:
        return time.monotonic() - self.spool.last_byte_at

    def news(self) -> list[tuple[str, str]]:
        news = []
        if self.spool.failure is not None and not self._failed:
            self._failed = True
            news.append(("source-failed", f"{self._name} cannot be read: {self.spool.failure.strerror}"))
        if self.spool.full and not self._full:
            news.append(("disk-full", f"the disk is full: {self._name} has to wait until something is free"))
        self._full = self.spool.full
        if self._long:
            self._long = False
            text = f"{self._name} is packed and long: killed from now on, this watch cannot go on in the middle of it. "
            news.append(("packed-long", text + "Unpacked on the way (zcat | busledger watch -) it could."))
        return news

    def state(self, place: LivePlace | None) -> dict[str, Any]:
        return {"kind": "pipe", "begin": self._begin, "place": place if self._given else None}

    def saved(self, state: dict[str, Any]) -> None:
        place, begin = state["place"], state["begin"]
        if place is None or not place.packing:
            self.spool.release(begin + (place.offset if place is not None else 0))
        elif self.spool.read - begin > self._room:  # more than can be held for a later process
            self._long = self._long or self.spool.released <= begin
            self.spool.release(self.spool.read)

    def close(self) -> None:
        self.spool.close()


def _begins(head: bytes, declared: bytes) -> bool:
    """Whether a packed capture begins with ``head``, or a table with the header row that the first one had."""
    row = declared.removeprefix(b"\xef\xbb\xbf").lstrip(BLANK).split(b"\n")[0]
    table = len(row) > 0 and not row.startswith(b"$") and head.lstrip(BLANK).startswith(row)
    return table or packing_of(head) is not None


class FileSource:
    """One file that grows."""

    live = many = False

    def __init__(self, path: str, old: dict[str, Any] | None) -> None:
        self.over, self._path, self._old = "", path, old
        self._name = plain(path, 400)
        self._file: GrowingFile | None = None
        self._news: list[tuple[str, str]] = []

    def done(self) -> None:
        return None

    def next(self) -> Coming | None:
        place: LivePlace | None = None
        if self._file is not None:
            why = self._file.why
            self._file.close()
            if why == "gone":
                self.over, self._file = "gone", None
                return None
            self._news.append(("source-" + why, f"{self._name} is {why} than it was: it begins again"
                               if why == "shorter" else f"{self._name} was replaced: the new one begins"))  # fmt: skip
        elif self._old is not None:
            place, told = self._old["place"], Path(self._path).stat()
            if told.st_ino != self._old["inode"] or (place is not None and told.st_size < _at(place)):
                place = None
                self._news.append(("source-replaced", f"{self._name} is another file than it was: it begins again"))
        self._file = GrowingFile(self._path, _at(place), self._name)
        return Coming(self._name, self._file, place, resumed=place is not None)

    def waiting(self) -> int:
        return 0 if self._file is None else self._file.waiting

    def quiet_s(self) -> float:
        return 0.0 if self._file is None else time.monotonic() - self._file.last_byte_at

    def news(self) -> list[tuple[str, str]]:
        news, self._news = self._news, []
        return news

    def state(self, place: LivePlace | None) -> dict[str, Any]:
        return {"kind": "file", "place": place, "inode": 0 if self._file is None else self._file.inode}

    def saved(self, state: dict[str, Any]) -> None:
        return None

    def close(self) -> None:
        if self._file is not None:
            self._file.close()


def _at(place: LivePlace | None) -> int:
    """The byte of a file at which reading goes on: a packed one is unpacked from its first on."""
    return 0 if place is None or place.packing else place.offset


class FolderSource:
    """Captures that are dropped into a folder, each once it is whole: in the order in which they were finished."""

    live, many = False, True

    def __init__(
        self,
        path: str,
        raw: RawFormat | None,
        old: dict[str, Any] | None,
        settled_s: float = SETTLED_S,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.over, self._path, self._raw, self._settled_s, self._wall = "", Path(path), raw, settled_s, wall
        self._done: dict[str, str] = dict(old["done"]) if old is not None else {}
        self._names: set[str] = set(old["names"]) if old is not None else set()
        self._now: tuple[str, str] | None = None
        self._old = old if old is not None and old["now"] is not None else None
        self._sizes: dict[str, tuple[int, float]] = {}
        self._file: WholeFile | None = None
        self._news: list[tuple[str, str]] = []
        self._last = time.monotonic()

    def next(self) -> Coming | None:
        place: LivePlace | None = None
        if self._old is not None:
            name, digest = self._old["now"]
            place, self._old = self._old["place"], None
            path = self._path / name
            if not path.exists() or self._digest(path) != digest:
                text = f"{plain(name)} is no longer what it was: the rest of it is left out"
                self._news.append(("capture-changed", text))
                self._names.add(name)
                self._done[digest] = name
                return None
        else:
            found = self._whole_ones()
            if not found:
                time.sleep(_POLL_S)
                return None
            name, path = found[0].name, found[0]
            digest = self._digest(path)
            if digest in self._done:
                text = f"{plain(name)} is {plain(self._done[digest])} once more: it is counted once"
                self._news.append(("same-capture", text))
                self._names.add(name)
                return None
        self._now = name, digest
        self._last = time.monotonic()
        at = 0 if place is None else place.offset
        self._file = WholeFile(path, at, plain(name), as_is=self._raw is not None)
        stamp = last_stamp(path) if self._raw is None else None
        return Coming(plain(name), self._file, place, path.stat().st_mtime, stamp, resumed=place is not None)

    def done(self) -> None:
        if self._now is not None:
            name, digest = self._now
            self._names.add(name)
            self._done[digest] = name
            self._now, self._last = None, time.monotonic()
        if self._file is not None:
            self._file.close()
            self._file = None

    def _digest(self, path: Path) -> str:
        """Of what it holds; of a damaged one, of its name and size, so that it is told and passed over."""
        try:
            return digest_of(path, as_is=self._raw is not None)
        except CaptureError:
            return f"{path.name} {path.stat().st_size}"

    def _whole_ones(self) -> list[Path]:
        """Captures that have not been read and have stopped growing, the oldest first."""
        try:
            entries = [p for p in self._path.iterdir() if is_capture_name(p.name, self._raw)]
        except OSError:
            self.over = "gone"
            return []
        now, ready = time.monotonic(), []
        for path in entries:
            if path.name in self._names:
                continue
            try:
                told = path.stat()
            except OSError:
                continue
            size, since = self._sizes.get(path.name, (-1, now))
            if size < 0 and self._wall() - told.st_mtime > self._settled_s:
                size, since = told.st_size, now - self._settled_s
            if told.st_size != size:
                size, since = told.st_size, now
            self._sizes[path.name] = size, since
            if now - since >= self._settled_s and size:
                ready.append((told.st_mtime, path.name, path))
        return [path for _, _, path in sorted(ready)]

    def waiting(self) -> int:
        return sum(size for name, (size, _) in self._sizes.items() if name not in self._names)

    def quiet_s(self) -> float:
        return 0.0 if self._now is not None else time.monotonic() - self._last

    def news(self) -> list[tuple[str, str]]:
        news, self._news = self._news, []
        return news

    def state(self, place: LivePlace | None) -> dict[str, Any]:
        now = self._now if place is not None else None
        return {"kind": "folder", "done": dict(self._done), "names": set(self._names), "now": now, "place": place}

    def saved(self, state: dict[str, Any]) -> None:
        return None

    def close(self) -> None:
        if self._file is not None:
            self._file.close()


def open_watched(
    path: str, folder: Path, room: int, raw: RawFormat | None, stdin: IO[bytes] | None, old: dict[str, Any] | None,
    settled_s: float = SETTLED_S, declared: bytes = b"",
) -> Source:  # fmt: skip
    """The source that ``path`` names; ``old``: what an earlier process's source knew, ``declared`` how its first
    capture began.

    Raises
    ------
    CaptureError
        it is not there.
    UsageError
        it is another kind of source than before, or a terminal.
    """
    given = (stdin or sys.stdin.buffer) if path == "-" else None
    try:
        mode = os.stat(path).st_mode if given is None else os.fstat(given.fileno()).st_mode  # noqa: PTH116
    except (OSError, ValueError, AttributeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CaptureError(f"cannot be watched: {reason}", where=plain(path), hint="Check the path.") from error
    if given is not None and given.isatty():
        raise UsageError(
            "standard input is a terminal",
            expected="a sampler or a file: sampler | busledger watch - …, or busledger watch - … < FILE",
        )
    kind = "folder" if stat.S_ISDIR(mode) else "file" if stat.S_ISREG(mode) else "pipe"
    if kind == "file" and given is not None:
        kind = "redirected file"
    if old is not None and old["kind"] != kind:
        raise UsageError(
            f"this is a {kind}, but the watch that is to go on had a {old['kind']}",
            where=plain(path),
            hint="Name the source that was watched, or begin a new watch with another --out.",
        )
    if kind == "folder":
        return FolderSource(path, raw, old, settled_s)
    if kind == "redirected file":
        assert given is not None
        return RedirectedSource(given.fileno(), old)
    return FileSource(path, old) if kind == "file" else PipeSource(path, folder, room, stdin, old, raw, declared)
