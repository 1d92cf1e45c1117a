"""Where decoded captures are kept between runs: bounded, safe to delete, safe to share.

No locks: an entry appears by rename and goes by rename, so any number of
processes may read, write and trim at once. The worst that a race costs is
decoding once more.
"""

from __future__ import annotations

import atexit
import hashlib
import json
import os
import shutil
import tempfile
import time
import uuid
from contextlib import suppress
from pathlib import Path

from busledger.decoder.errors import CaptureError
from busledger.decoder.progress import Progress, silent
from busledger.decoder.store.reading import Store, StoreDamagedError
from busledger.decoder.store.writer import UNFINISHED, StoreWriter, remove_entry

__all__ = ["StoreCache", "file_digest", "store_key"]

_LIMIT_BYTES = 8 << 30
_CHUNK = 1 << 22
_STALE_S = 86_400.0  # an unfinished directory that nobody wrote to for a day belongs to a dead process
_SETTLED_NS = 2_000_000_000  # coarsest time stamp among file systems in use (FAT): 2 s
_USED = "used"
_DIGESTS = "digests"


def _blake(*parts: bytes) -> str:
    state = hashlib.blake2b(digest_size=20)
    for part in parts:
        state.update(len(part).to_bytes(8, "little"))
        state.update(part)
    return state.hexdigest()


def store_key(capture_digest: str, *parts: str) -> str:
    """The name of an entry: everything that the decoded columns depend on.

    ``parts`` in a fixed order: board text, profile text, wiring, regions and
    times asked for, program version. Lengths are hashed too, so that no two
    lists of parts run together.
    """
    return _blake(capture_digest.encode(), *(part.encode("utf-8", "surrogatepass") for part in parts))


def file_digest(path: str | Path, progress: Progress = silent) -> str:
    """BLAKE2b of the file's bytes, read as a stream. Raises CaptureError if it cannot be read."""
    state = hashlib.blake2b(digest_size=20)
    done = 0
    try:
        with Path(path).open("rb", buffering=0) as file:
            total = os.fstat(file.fileno()).st_size
            while chunk := file.read(_CHUNK):
                state.update(chunk)
                done += len(chunk)
                progress("recognise", done, total, "bytes")
    except OSError as error:
        raise CaptureError(f"The capture cannot be read: {error.strerror or error}", where=str(path)) from error
    return state.hexdigest()


def _bytes_on_disk(entry: Path) -> int:
    total = 0
    for file in entry.iterdir():
        stat = file.stat()
        # st_blocks counts what is allocated: columns of zeros are mostly holes.
        total += getattr(stat, "st_blocks", 0) * 512 or stat.st_size
    return total


class StoreCache:
    """A directory of entries. Where it cannot be written, a temporary one that goes with the process.

    Parameters
    ----------
    root
        The directory; None means the user's cache directory (platformdirs).
    limit_bytes
        ``trim`` removes the least recently used entries above this size on disk.
    """

    def __init__(self, root: Path | None = None, limit_bytes: int = _LIMIT_BYTES) -> None:
        if root is None:
            from platformdirs import user_cache_path

            root = user_cache_path("busledger", appauthor=False) / "decoded"
        self.limit_bytes = limit_bytes
        self.temporary = not self._writable(root)
        if self.temporary:
            root = Path(tempfile.mkdtemp(prefix="busledger-"))
            atexit.register(shutil.rmtree, root, ignore_errors=True)
        self.root = root

    @staticmethod
    def _writable(root: Path) -> bool:
        probe = root / f"{uuid.uuid4().hex}{UNFINISHED}"
        try:
            root.mkdir(mode=0o700, parents=True, exist_ok=True)
            probe.mkdir()
            probe.rmdir()
        except OSError:
            return False
        return True

    def digest(self, path: str | Path, progress: Progress = silent) -> str:
        """``file_digest``, remembered while the file's size, inode and both time stamps stay.

        A file that changed within the last two seconds is not remembered: a
        second change could leave the same time stamp.
        """
        file = Path(path)
        try:
            stat = file.stat()
            known = self.root / _DIGESTS / _blake(str(file.resolve()).encode("utf-8", "surrogateescape"))
        except OSError as error:
            raise CaptureError(f"The capture cannot be read: {error.strerror or error}", where=str(path)) from error
        stamp = [stat.st_size, stat.st_ino, stat.st_dev, stat.st_mtime_ns, stat.st_ctime_ns]
        with suppress(OSError, ValueError, KeyError, TypeError):  # not known or not readable: taken again
            kept = json.loads(known.read_text(encoding="utf-8"))
            if kept["stamp"] == stamp and isinstance(kept["digest"], str):
                return str(kept["digest"])
        started = time.time_ns()
        digest = file_digest(file, progress)
        if started - max(stat.st_mtime_ns, stat.st_ctime_ns) > _SETTLED_NS:
            self._remember(known, {"stamp": stamp, "digest": digest})
        return digest

    @staticmethod
    def _remember(known: Path, value: dict[str, object]) -> None:
        work = known.with_name(f"{known.name}.{os.getpid()}-{uuid.uuid4().hex[:8]}")
        try:
            known.parent.mkdir(mode=0o700, exist_ok=True)
            work.write_text(json.dumps(value), encoding="utf-8")
            work.replace(known)
        except OSError:
            work.unlink(missing_ok=True)  # only speed is lost

    def find(self, key: str) -> Store | None:
        """The entry of that key, marked as used now; a damaged one is removed and None returned."""
        entry = self.root / key
        if not entry.is_dir():
            return None
        try:
            store = Store.open(entry)
        except StoreDamagedError:
            remove_entry(entry)
            return None
        with suppress(OSError):  # a cache that is only readable still serves; it just does not learn what is used
            (entry / _USED).touch()
        return store

    def writer(self, key: str) -> StoreWriter:
        """A writer for that key; call ``trim(keep=key)`` after it has finished."""
        return StoreWriter(self.root / key)

    def trim(self, keep: str = "") -> None:
        """Remove the least recently used entries above the limit (never ``keep``), and dead processes' remains."""
        entries: list[tuple[float, int, Path]] = []
        now = time.time()
        for entry in sorted(self.root.iterdir()):
            try:
                if not entry.is_dir() or entry.name == _DIGESTS:
                    continue
                newest = max((file.stat().st_mtime for file in entry.iterdir()), default=entry.stat().st_mtime)
                if entry.name.endswith(UNFINISHED):
                    if now - newest > _STALE_S:
                        shutil.rmtree(entry, ignore_errors=True)
                    continue
                entries.append((newest, _bytes_on_disk(entry), entry))
            except OSError:
                continue  # it went while we looked
        total = sum(size for _, size, _ in entries)
        for _, size, entry in sorted(entries, key=lambda item: item[0]):
            if total <= self.limit_bytes:
                return
            if entry.name != keep:
                remove_entry(entry)
                total -= size
