"""Bytes on their way from a source to a reader: what happens while none come, and after some were lost."""

from __future__ import annotations

from typing import Protocol

from busledger.decoder.capture import NOTHING_YET, LiveSource

__all__ = ["Skipped", "Ticked"]


class _Waiting(Protocol):
    closing: bool

    def tick(self) -> None: ...
    def took(self, count: int) -> None: ...


class Ticked:
    """A source that lets the watch do what is due while nothing comes; ``closing``, it ends where nothing is left."""

    def __init__(self, source: LiveSource, watch: _Waiting) -> None:
        self.where, self._source, self._watch = source.where, source, watch

    def readinto(self, buffer: memoryview) -> int:
        got = self._source.readinto(buffer)
        if got != NOTHING_YET:
            self._watch.took(got)
            return got
        self._watch.tick()
        return 0 if self._watch.closing else NOTHING_YET

    def cut(self) -> bool:
        return self._source.cut()


class Skipped:
    """A dump's body from its next time stamp on: what stands before it is the rest of a change that was lost.

    Attributes
    ----------
    skipped : bytes passed over
    """

    def __init__(self, source: LiveSource) -> None:
        self.where, self._source = source.where, source
        self._held, self.skipped = bytearray(), 0
        piece = bytearray(1 << 16)
        while True:
            at = self._held.find(b"\n#")
            if at >= 0:
                del self._held[: at + 1]
                self.skipped += at + 1
                return
            over = max(0, len(self._held) - 1)
            self.skipped += over
            del self._held[:over]
            with memoryview(piece) as view:
                got = source.readinto(view)
            if got == 0:
                return
            self._held += piece[: max(got, 0)]

    def readinto(self, buffer: memoryview) -> int:
        if not self._held:
            return self._source.readinto(buffer)
        count = min(len(buffer), len(self._held))
        buffer[:count] = self._held[:count]
        del self._held[:count]
        return count

    def cut(self) -> bool:
        return self._source.cut()
