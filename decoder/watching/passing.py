"""Bytes on their way from a source to a reader: what happens while none come, packed ones, and after some were lost."""

from __future__ import annotations

from typing import Protocol

from busledger.decoder.capture import NOTHING_YET, LiveSource, Unpacker, packing_of
from busledger.decoder.errors import CaptureError

__all__ = ["Skipped", "Ticked", "as_unpacked"]

_MAGIC = 6  # bytes that tell a packing


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


class _Led:
    """A source some of whose bytes have been read already: these come first."""

    def __init__(self, source: LiveSource, held: bytearray) -> None:
        self.where, self._source, self._held = source.where, source, held

    def readinto(self, buffer: memoryview) -> int:
        if not self._held:
            return self._source.readinto(buffer)
        count = min(len(buffer), len(self._held))
        buffer[:count] = self._held[:count]
        del self._held[:count]
        return count

    def cut(self) -> bool:
        return self._source.cut()


class Skipped(_Led):
    """A capture's body from its next ``mark`` on: what stands before it is the rest of a change that was lost.

    Parameters
    ----------
    mark : a line end and what a line begins with, as a dump's time stamp

    Attributes
    ----------
    skipped : bytes passed over
    """

    def __init__(self, source: LiveSource, mark: bytes) -> None:
        super().__init__(source, bytearray())
        self.skipped = 0
        piece = bytearray(1 << 16)
        while True:
            at = self._held.find(mark)
            if at >= 0:
                del self._held[: at + 1]
                self.skipped += at + 1
                return
            over = max(0, len(self._held) - len(mark) + 1)
            self.skipped += over
            del self._held[:over]
            with memoryview(piece) as view:
                got = source.readinto(view)
            if got == 0:
                return
            self._held += piece[: max(got, 0)]


def as_unpacked(source: LiveSource, place: int | None) -> tuple[LiveSource, str]:
    """The source, at its first byte, as what it unpacks to, and the name of its packing, \"\" where it is not packed.

    ``place``: bytes of what it unpacks to that are passed over; None for none, and where it may be plain.

    Raises
    ------
    CaptureError
        what was packed before is no more; the packed bytes are damaged.
    """
    head, piece = bytearray(), bytearray(_MAGIC)
    with memoryview(piece) as view:
        while len(head) < _MAGIC:
            got = source.readinto(view[: _MAGIC - len(head)])
            if got == 0:
                break
            head += piece[: max(got, 0)]
    packing = packing_of(bytes(head))
    led = _Led(source, head)
    if packing is not None:
        return _Unpacked(led, packing, place or 0), packing
    if place is not None:
        raise CaptureError("this was packed when the watch began, and is not now", where=source.where)
    return led, ""


class _NothingYet(Exception):  # noqa: N818 - no error
    """The packed source has nothing for now."""


class _Unpacked:
    """What a packed source unpacks to, from its byte ``place`` on."""

    def __init__(self, source: LiveSource, packing: str, place: int) -> None:
        self.where, self._source, self._left = source.where, source, place
        self._unpacker = Unpacker(packing, self._read)
        self._held = b""
        self._buffer = bytearray(1 << 16)
        self._raised: Exception | None = None

    def readinto(self, buffer: memoryview) -> int:
        while not self._held:
            try:
                piece = self._unpacker.next_piece()
            except _NothingYet:
                return NOTHING_YET
            except Exception as error:  # each packing has its own
                if error is self._raised:  # the source's, or the watch's that ends meanwhile
                    raise
                raise CaptureError(f"the packed data are damaged: {error}", where=self.where) from error
            if not piece:
                return 0
            passed = min(self._left, len(piece))
            self._left -= passed
            self._held = piece[passed:]
        count = min(len(buffer), len(self._held))
        buffer[:count] = self._held[:count]
        self._held = self._held[count:]
        return count

    def _read(self, most: int) -> bytes:
        try:
            with memoryview(self._buffer) as view:
                got = self._source.readinto(view[:most])
        except Exception as error:
            self._raised = error
            raise
        if got == NOTHING_YET:
            raise _NothingYet
        return bytes(self._buffer[:got])

    def cut(self) -> bool:
        return self._unpacker.cut
