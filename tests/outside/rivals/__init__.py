"""A world of cards whose capture or machine is unusual, drawn from published facts alone.

`make(seed, kind)` gives a capture (VCD), a board file, a ROM image and the truth; `write` puts them in a folder.
"""

from __future__ import annotations

from .cases import KINDS, Case, make, write

__all__ = ["KINDS", "Case", "make", "write"]
