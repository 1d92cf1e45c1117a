"""Memory that was let go of stays with the process while a capture is decoded.

Columns of some hundred kilobytes come and go with every block. The allocator of most Linux systems gives such memory
back to the system and fetches it again, cleared, page by page: a tenth of what a capture of 40 MB takes.
"""

from __future__ import annotations

import ctypes
import mmap

__all__ = ["fresh_memory", "keep_memory"]

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt(3), in glibc
_KEPT = 128 << 20
_OWN_MAPPING = 32 << 20  # the most that glibc takes

_OWN = {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS} if hasattr(mmap, "MAP_PRIVATE") else {}
_POPULATE_WRITE = 23  # of madvise(2) in Linux, from 5.14 on


def keep_memory() -> bool:
    """From now on, for this process; False where the allocator cannot be asked for it (not glibc)."""
    try:
        tune = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # another allocator, or none that can be reached
        return False
    return bool(tune(_MMAP_THRESHOLD, _OWN_MAPPING) and tune(_TRIM_THRESHOLD, _KEPT))


def fresh_memory(size: int, used: int = 0) -> mmap.mmap:
    """Memory of this process alone, cleared, fetched page by page as it is touched.

    The first ``used`` bytes, which surely will be, are fetched at once where the system can: that costs two thirds.
    (Large pages cost a fifth on most machines, and four times as much on virtual ones that give free memory back.)
    """
    memory = mmap.mmap(-1, size, **_OWN)
    if used and hasattr(memory, "madvise"):
        try:
            memory.madvise(_POPULATE_WRITE, 0, min(size, used))
        except OSError:  # an older one, or another: it is fetched as it is touched
            return memory
    return memory
