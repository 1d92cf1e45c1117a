"""Unpacking a stream in bounded steps, as far as it goes.

A packed file that was cut gives everything up to the cut, and says so; one
that unpacks to far more than it holds (a bomb) still comes out a megabyte or
so at a time. Compression is told by the first bytes: RFC 1952 (gzip), bzip2,
the .xz file format 1.2, RFC 8878 (zstd).
"""

from __future__ import annotations

import bz2
import lzma
import zlib
from collections.abc import Callable
from typing import Any

__all__ = ["Unpacker", "packing_of"]

_MAGIC = ((b"\x1f\x8b", "gzip"), (b"BZh", "bzip2"), (b"\xfd7zXZ\x00", "xz"), (b"\x28\xb5\x2f\xfd", "zstd"))
_TAKE = 1 << 16
_GIVE = 1 << 20
# A zstd block of 128 KB may be packed in 4 bytes, and its decompressor has no limit on what it
# gives: 512 bytes at a time bound it to 16 MB.
_TAKE_ZSTD = 512


def packing_of(head: bytes) -> str | None:
    """The name of the compression that ``head`` begins, or None."""
    return next((name for magic, name in _MAGIC if head.startswith(magic)), None)


class Unpacker:
    """Reads packed bytes with ``read`` and gives unpacked ones; ``cut`` once the input ended inside a frame."""

    def __init__(self, packing: str, read: Callable[[int], bytes]) -> None:
        self.cut = False
        self._packing, self._read = packing, read
        self._waiting = b""
        self._ended = False
        self._frame: Any = None

    def next_piece(self) -> bytes:
        """Some unpacked bytes; empty at the end. Raises the decompressor's error on damage."""
        while not self._ended:
            if self._frame is not None and self._frame.eof:
                self._waiting = self._frame.unused_data or b""
                self._frame = None
            hungry = self._frame is None or getattr(self._frame, "needs_input", True)
            if not self._waiting and hungry:
                self._waiting = self._read(_TAKE)
                if not self._waiting:
                    self._ended = True
                    self.cut = self._frame is not None
                    return self._tail()
            if self._frame is None:
                self._waiting = self._waiting.lstrip(b"\0")  # padding between frames
                if not self._waiting:
                    continue
                self._frame = self._new()
            piece = self._step()
            if piece:
                return piece
        return b""

    def _tail(self) -> bytes:
        return bytes(self._frame.flush()) if self._packing == "gzip" and self._frame is not None else b""

    def _new(self) -> Any:
        if self._packing == "gzip":
            return zlib.decompressobj(31)
        if self._packing == "bzip2":
            return bz2.BZ2Decompressor()
        if self._packing == "xz":
            return lzma.LZMADecompressor(lzma.FORMAT_XZ)
        import zstandard

        return zstandard.ZstdDecompressor(max_window_size=1 << 27).decompressobj()

    def _step(self) -> bytes:
        if self._packing == "zstd":
            part, self._waiting = self._waiting[:_TAKE_ZSTD], self._waiting[_TAKE_ZSTD:]
            piece = bytes(self._frame.decompress(part))
            if self._frame.eof:
                rest = (self._frame.unused_data or b"") + self._waiting
                self._frame, self._waiting = None, rest
            return piece
        part, self._waiting = self._waiting, b""
        piece = bytes(self._frame.decompress(part, _GIVE))
        if self._packing == "gzip":
            self._waiting = self._frame.unconsumed_tail
        return piece
