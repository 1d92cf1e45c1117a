"""What was counted of a bus driver, and the words for what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Buffer
from busledger.decoder.checks.buffers.doubtful_reads import Doubtful
from busledger.decoder.checks.results import CheckFinding

__all__ = ["BufferCounts", "finding"]


@dataclass(slots=True)
class BufferCounts:
    """What the kernels counted; see ``buffer_kernel``. ``names`` are (near, far) lines in the order of ``table``.

    ``words`` int64 (2, 256): how often each word (folded to a byte) was on the bus before a read of ``held``, and was
    read; ``paged``: reads that gave the high byte of their own address; ``doubtful``: what of its cycles is not known.
    """

    buffer: Buffer
    kind: Literal["data", "address"]
    names: tuple[tuple[str, str | None], ...]
    tally: NDArray[np.int64] | None
    table: NDArray[np.int64]
    first: NDArray[np.int64]
    delay: NDArray[np.int64]
    apart: NDArray[np.int64]
    held: NDArray[np.int64] | None = None
    words: NDArray[np.int64] | None = None
    paged: int = 0
    doubtful: Doubtful = field(default_factory=Doubtful)


def finding(
    counts: BufferCounts,
    code: str,
    text: str,
    count: int,
    of: int,
    first: float | None,
    lines: tuple[str, ...] = (),
    lanes: tuple[str, ...] = (),
) -> CheckFinding:
    """A fault, its count in words behind ``text``; ``first`` in seconds."""
    return CheckFinding(
        code=code,
        weight="fault",
        text=f"{counts.buffer.designator} ({counts.buffer.part.name}): {text}, {count} of {of}",
        component=counts.buffer.designator,
        lines=lines,
        lanes=lanes,
        region=counts.buffer.serves[0] if len(counts.buffer.serves) == 1 else None,
        count=count,
        of=of,
        first_time_s=first,
    )
