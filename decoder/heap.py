"""Memory that was let go of stays with the process while a capture is decoded.

Columns of some hundred kilobytes come and go with every block. The allocator of most Linux systems gives such memory
back to the system and fetches it again, cleared, page by page: a tenth of what a capture of 40 MB takes.
"""

from __future__ import annotations

import ctypes
import mmap

__all__ = ["LARGE", "fresh_memory", "keep_memory"]

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt(3), in glibc
_KEPT = 128 << 20
_OWN_MAPPING = 32 << 20  # the most that glibc takes

LARGE = 2 << 20
"""Bytes of a large page on most processors; it begins at a multiple of that."""

_OWN = {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS} if hasattr(mmap, "MAP_PRIVATE") else {}
_LARGE_PAGES = getattr(mmap, "MADV_HUGEPAGE", None)


def keep_memory() -> bool:
    """From now on, for this process; False where the allocator cannot be asked for it (not glibc)."""
    try:
        tune = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # another allocator, or none that can be reached
        return False
    return bool(tune(_MMAP_THRESHOLD, _OWN_MAPPING) and tune(_TRIM_THRESHOLD, _KEPT))


def fresh_memory(size: int, *, large: bool) -> mmap.mmap:
    """Memory of this process alone, cleared, fetched page by page as it is touched.

    ``large``: in large pages, where the system has any, for memory of which most will be written to: a small one of
    4 KB costs 1.6 µs on a virtual machine, one 500 times as large 100 µs. Multiples of ``LARGE`` lie best.
    """
    memory = mmap.mmap(-1, size, **_OWN)
    if large and _LARGE_PAGES is not None and size >= LARGE:
        try:
            memory.madvise(_LARGE_PAGES)
        except OSError:  # a system that is built without them
            return memory
    return memory
