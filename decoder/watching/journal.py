"""What has been told, a JSON object a line, in a file that only grows: the memory of a watch that was killed."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from busledger.decoder.errors import OutputError

__all__ = ["Journal"]

_TAIL = 1 << 16
LIMIT_BYTES = 64 << 20
"""Past this, failures are told in lines together; past twice this, only counted."""


class Journal:
    """The file ``path``: a line is in it, whole, before it is shown to anybody.

    Attributes
    ----------
    told : the tick of the last failure that is in it, -1 where none is
    lost : lines that the disk had no room for
    """

    def __init__(self, path: Path, *, fresh: bool) -> None:
        self._path, self.told, self.lost = path, -1, 0
        try:
            flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | (os.O_TRUNC if fresh else 0)
            self._fd = os.open(path, flags, 0o666)
            self.size = self._mended()
        except OSError as error:
            raise OutputError(f"cannot be written: {error.strerror}", where=str(path)) from error

    def _mended(self) -> int:
        """The file's size without a last line that was cut as it was written; finds what was told last."""
        size = os.fstat(self._fd).st_size
        tail = os.pread(self._fd, _TAIL, max(0, size - _TAIL))
        whole = tail.rfind(b"\n") + 1
        if whole < len(tail):
            size -= len(tail) - whole
            os.ftruncate(self._fd, size)
        for line in reversed(tail[:whole].split(b"\n")):
            told = _parsed(line)
            if told.get("event") in ("failure", "failures"):
                self.told = int(told["tick"])
                break
        return size

    def add(self, line: dict[str, Any]) -> bool:
        """Write a line, whole; False where it is not in the file (the disk is full)."""
        data = json.dumps(line, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        try:
            done = os.write(self._fd, data)
            if done < len(data):
                os.ftruncate(self._fd, self.size)
                raise OSError("no room")
        except OSError:
            self.lost += 1
            return False
        self.size += len(data)
        if line["event"] in ("failure", "failures"):
            self.told = int(line["tick"])
        return True

    def close(self) -> None:
        os.close(self._fd)


def _parsed(line: bytes) -> dict[str, Any]:
    try:
        made = json.loads(line)
    except ValueError:
        return {}
    return made if isinstance(made, dict) else {}
