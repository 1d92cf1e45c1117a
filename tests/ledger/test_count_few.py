"""What is counted of a short block without a kernel equals what the kernel counts."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.ledger import ledger_kernel as kernel
from busledger.decoder.ledger.count_few import count_few

REGIONS = 3


def block(seed, count):
    """Accesses with every verdict, in and beside three regions, of words up to 32 bits."""
    rng = np.random.default_rng(seed)
    known, expected = (rng.integers(0, 1 << 32, count, dtype=np.uint32) for _ in range(2))
    known[rng.random(count) < 0.3] = 0
    mismatch = rng.integers(0, 1 << 32, count, dtype=np.uint32) & rng.integers(0, 1 << 32, count, dtype=np.uint32)
    return (
        rng.integers(-1, REGIONS, count).astype(np.int16), rng.integers(0, 8, count).astype(np.uint8),
        rng.integers(0, 3, count).astype(np.uint8), known, expected, mismatch, rng.integers(-1, 2, count),
    )  # fmt: skip


@pytest.mark.parametrize("count", [0, 1, 7, 400])
def test_sums(count):
    for seed in range(5):
        made = []
        for counted in (kernel.count_block, count_few):
            totals, lanes = np.zeros((REGIONS, 10), np.int64), np.zeros((REGIONS, 32, 3), np.int64)
            for part in (block(seed, count), block(seed + 100, count)):
                counted(*part, totals, lanes)
            made.append((totals.tolist(), lanes.tolist()))
        assert made[0] == made[1]
