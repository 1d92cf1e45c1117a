"""Memory chips and decoders as their data sheets give them; nothing here knows how a fault is found.

Sources: Mostek MK4116, Intel 2102/2114/2147, TI TMS4164, Hitachi HM6116/HM6264 data sheets and the TTL Data Book for
the decoders, from memory, held against the project's table of published facts (sections 3 and 4).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Memory:
    """One memory part: ``cells`` words of ``width`` bits in an array of ``rows`` rows.

    ``access_ns``: address to data; ``dynamic``: it forgets unless its rows are touched.
    """

    cells: int
    width: int
    rows: int
    access_ns: int
    dynamic: bool = False


MEMORIES: dict[str, Memory] = {
    "2102": Memory(1024, 1, 32, 350),
    "2114": Memory(1024, 4, 64, 300),
    "2147": Memory(4096, 1, 64, 70),
    "4044": Memory(4096, 1, 64, 250),
    "4116": Memory(16384, 1, 128, 200, dynamic=True),
    "4164": Memory(65536, 1, 256, 150, dynamic=True),
    "6116": Memory(2048, 8, 128, 150),
    "6264": Memory(8192, 8, 256, 120),
    "6810": Memory(128, 8, 128, 250),
    "2111": Memory(256, 4, 16, 350),
}


@dataclass(frozen=True)
class Decoding:
    """A decoder: its code pins (lowest first), its enables with the level they want, and the names of its outputs."""

    code: tuple[str, ...]
    enables: tuple[tuple[str, int], ...]
    outputs: tuple[str, ...]


def _outputs(count: int) -> tuple[str, ...]:
    return tuple(f"Y{k}" for k in range(count))


DECODERS: dict[str, Decoding] = {
    "74LS138": Decoding(("A", "B", "C"), (("G1", 1), ("G2A", 0), ("G2B", 0)), _outputs(8)),
    "74LS139": Decoding(("A", "B"), (("G", 0),), _outputs(4)),
    "74LS154": Decoding(("A", "B", "C", "D"), (("G1", 0), ("G2", 0)), _outputs(16)),
}
