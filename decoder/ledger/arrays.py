"""What the ledger's kernels are handed, by name: the accesses of a block, the cells, what comes out."""

from __future__ import annotations

from typing import Any, NamedTuple

from numpy.typing import NDArray

__all__ = ["Accesses", "Cells", "Placing", "Verdicts"]


class Accesses(NamedTuple):
    """One block, a row a cycle. ``action``: what its kind does to memory; ``treat``: how it is taken (kernel.RAM …).

    ``action``, ``space``, ``treat``, ``width`` uint8; ``address``, ``unknown``, ``data``, ``data_unknown`` uint32;
    ``time`` int64, ticks.
    """

    action: NDArray[Any]
    space: NDArray[Any]
    treat: NDArray[Any]
    address: NDArray[Any]
    unknown: NDArray[Any]
    data: NDArray[Any]
    data_unknown: NDArray[Any]
    width: NDArray[Any]
    time: NDArray[Any]


class Cells(NamedTuple):
    """A row a word of memory. ``value`` in the bits of ``known``, of which ``stale`` lie before a gap; ``seen`` what
    unknown bits last read (``seen_known``); ``epoch`` gaps passed; ``fixed`` bits of a ROM image, never stale, never
    written; ``writer`` the cycle that wrote it last, -1 none; ``story`` what happened to it."""

    value: NDArray[Any]
    known: NDArray[Any]
    stale: NDArray[Any]
    seen: NDArray[Any]
    seen_known: NDArray[Any]
    epoch: NDArray[Any]
    fixed: NDArray[Any]
    writer: NDArray[Any]
    story: NDArray[Any]


class Placing(NamedTuple):
    """Where a word's cell is: ``slot_of_page`` int32, by space and page of ``1 << PAGE_BITS`` words, -1 none."""

    shift: int
    data_bytes: int
    pages_a_space: int
    slot_of_page: NDArray[Any]


class Verdicts(NamedTuple):
    """What comes out, a row a cycle, as in ``Compared``."""

    verdict: NDArray[Any]
    expected: NDArray[Any]
    known: NDArray[Any]
    mismatch: NDArray[Any]
    writer: NDArray[Any]
