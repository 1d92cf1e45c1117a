"""Memory that was let go of stays with the process while a capture is decoded.

Columns of some hundred kilobytes come and go with every block. The allocator of most Linux systems gives such memory
back to the system and fetches it again, cleared, page by page: a tenth of what a capture of 40 MB takes.
"""

from __future__ import annotations

import ctypes

__all__ = ["keep_memory"]

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt(3), in glibc
_KEPT = 128 << 20
_OWN_MAPPING = 32 << 20  # the most that glibc takes


def keep_memory() -> bool:
    """From now on, for this process; False where the allocator cannot be asked for it (not glibc)."""
    try:
        tune = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # another allocator, or none that can be reached
        return False
    return bool(tune(_MMAP_THRESHOLD, _OWN_MAPPING) and tune(_TRIM_THRESHOLD, _KEPT))
