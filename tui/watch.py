"""Notices that a file is no longer what was decoded, once it has come to rest."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

__all__ = ["FileWatch"]

_Stamp = tuple[int, int, int] | None


class FileWatch:
    """Ask ``poll`` about once a second. A file that is still growing, or gone for now, is waited for."""

    def __init__(self, paths: Iterable[Path]) -> None:
        self._known = {path: self._stamp(path) for path in paths}
        self._moving: dict[Path, _Stamp] = {}

    @staticmethod
    def _stamp(path: Path) -> _Stamp:
        try:
            stat = path.stat()
        except OSError:
            return None
        return stat.st_mtime_ns, stat.st_size, stat.st_ino

    def poll(self) -> Path | None:
        """A file that changed since it was last reported and has not moved since the poll before."""
        for path, known in self._known.items():
            now = self._stamp(path)
            if now is None or now == known:
                self._moving.pop(path, None)
            elif self._moving.get(path) == now:
                self._known[path] = now
                del self._moving[path]
                return path
            else:
                self._moving[path] = now
        return None
