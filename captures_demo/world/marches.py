"""Published memory tests, as accesses.

Sequences from A. J. van de Goor, *Testing Semiconductor Memories: Theory and
Practice*, Wiley 1991, and, where named, the papers below; from memory of them.
"up" is ascending, "dn" descending, "any" either order (ascending here); ``r0``
reads expecting the background, ``w1`` writes its complement.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.stimulus import Accesses

__all__ = ["BACKGROUNDS", "MARCHES", "march", "march_elements"]

MARCHES: dict[str, str] = {
    # Nair, IEEE TC 1979
    "MATS": "any(w0); any(r0,w1); any(r1)",
    # Abadir & Reghbati, ACM Computing Surveys 1983
    "MATS+": "any(w0); up(r0,w1); dn(r1,w0)",
    "MATS++": "any(w0); up(r0,w1); dn(r1,w0,r0)",
    "March X": "any(w0); up(r0,w1); dn(r1,w0); any(r0)",
    "March Y": "any(w0); up(r0,w1,r1); dn(r1,w0,r0); any(r0)",
    # Marinescu, ITC 1982
    "March C": "any(w0); up(r0,w1); up(r1,w0); any(r0); dn(r0,w1); dn(r1,w0); any(r0)",
    "March C-": "any(w0); up(r0,w1); up(r1,w0); dn(r0,w1); dn(r1,w0); any(r0)",
    # Suk & Reddy, IEEE TC 1981
    "March A": "any(w0); up(r0,w1,w0,w1); up(r1,w0,w1); dn(r1,w0,w1,w0); dn(r0,w1,w0)",
    "March B": "any(w0); up(r0,w1,r1,w0,r0,w1); up(r1,w0,w1); dn(r1,w0,w1,w0); dn(r0,w1,w0)",
    # van de Goor, Gaydadjiev et al., VTS 1996
    "March LR": "any(w0); dn(r0,w1); up(r1,w0,r0,w1); up(r1,w0); up(r0,w1,r1,w0); up(r0)",
    # Hamdioui, van de Goor, Rodgers, MTDT 2002
    "March SS": ("any(w0); up(r0,r0,w0,r0,w1); up(r1,r1,w1,r1,w0); dn(r0,r0,w0,r0,w1); dn(r1,r1,w1,r1,w0); any(r0)"),
    "Marching 1/0": "any(w0); up(r0,w1,r1); dn(r1,w0,r0); any(w1); up(r1,w0,r0); dn(r0,w1,r1)",
}

BACKGROUNDS: tuple[int, ...] = (0x00, 0x55, 0x33, 0x0F)


def march_elements(name: str) -> list[tuple[str, list[str]]]:
    """[(order, operations)] of a published test, e.g. ("up", ["r0", "w1"]); KeyError for an unknown name."""
    elements = []
    for part in MARCHES[name].split(";"):
        order, _, body = part.strip().partition("(")
        elements.append((order, body.rstrip(")").split(",")))
    return elements


def march(name: str, addresses: NDArray[np.int64], background: int = 0, mask: int = 0xFF) -> Accesses:
    """The accesses of one march test over ``addresses`` (ascending), on one data background."""
    parts = []
    for order, operations in march_elements(name):
        cells = addresses[::-1] if order == "dn" else addresses
        ops = len(operations)
        writes = np.array([op[0] == "w" for op in operations])
        values = np.array([background ^ (mask if op[1] == "1" else 0) for op in operations], np.int64)
        parts.append(
            Accesses(
                np.tile(writes, cells.shape[0]),
                np.repeat(cells, ops),
                np.tile(values, cells.shape[0]),
                np.zeros(ops * cells.shape[0], np.uint8),
            )
        )
    return Accesses.join(parts)
