"""The ledger's sums of a capture too short to compile a kernel for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.ledger import ledger_kernel as kernel

__all__ = ["FEW_CYCLES", "count_few"]

FEW_CYCLES = 1 << 15
"""Cycles of a capture up to which numpy counts: more are worth the 0.2 s that the kernel takes to be compiled."""
_VERDICTS = 8
_SUM_OF = {
    kernel.MISMATCH: kernel.N_WRONG,
    kernel.UNKNOWN: kernel.N_UNKNOWN,
    kernel.STALE: kernel.N_STALE,
    kernel.DISAGREES: kernel.N_DISAGREE,
    kernel.AMBIGUOUS: kernel.N_AMBIGUOUS,
}


def count_few(
    region: NDArray[np.int16], verdict: NDArray[np.uint8], action: NDArray[np.uint8], known: NDArray[np.uint32],
    expected: NDArray[np.uint32], mismatch: NDArray[np.uint32], writer: NDArray[np.int64], totals: NDArray[np.int64],
    lane_counts: NDArray[np.int64],
) -> None:  # fmt: skip
    """As ``ledger_kernel.count_block``, in whole columns."""
    regions = len(totals)
    written = (region >= 0) & (verdict == kernel.WRITE)
    totals[:, kernel.N_WRITES] += np.bincount(region[written], minlength=regions)
    reads = np.flatnonzero((region >= 0) & (verdict > kernel.WRITE) & (action == kernel.IS_READ))
    where, said, sure = region[reads].astype(np.int64), verdict[reads].astype(np.int64), known[reads]
    by_verdict = np.bincount(where * _VERDICTS + said, minlength=regions * _VERDICTS).reshape(regions, _VERDICTS)
    totals[:, kernel.N_READS] += by_verdict.sum(axis=1)
    for one, column in _SUM_OF.items():
        totals[:, column] += by_verdict[:, one]
    unwritten = (writer[reads] < 0) & (sure == 0)
    totals[:, kernel.N_UNWRITTEN] += np.bincount(where[unwritten], minlength=regions)
    differ = unwritten & (said == kernel.DISAGREES)
    totals[:, kernel.N_DIFFER] += np.bincount(where[differ], minlength=regions)

    compared = (sure != 0) & (said != kernel.AMBIGUOUS)
    totals[:, kernel.N_COMPARED] += np.bincount(where[compared], minlength=regions)
    where, sure = where[compared], sure[compared]
    wrong = mismatch[reads[compared]] & sure
    high = expected[reads[compared]]
    some = ((kernel.SEEN, sure), (kernel.LOW_FOR_HIGH, wrong & high), (kernel.HIGH_FOR_LOW, wrong & ~high))
    for column, bits in some:
        for lane in range(int(np.bitwise_or.reduce(bits, initial=np.uint32(0))).bit_length()):
            here = (bits >> np.uint32(lane) & np.uint32(1)) != 0
            lane_counts[:, lane, column] += np.bincount(where[here], minlength=regions)
