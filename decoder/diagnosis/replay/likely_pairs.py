"""On a card of many regions: which two of them a fault of the selects could have mixed up.

A select too many, or two exchanged, concern two regions. Of a card of a thousand there are a million such pairs, too
many to replay; but what the other region held shows in the wrong reads, at the same low address. Pairs are ranked by
how many wrong reads it shows in, and the first of them are worth a replay.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay import pairs_kernel
from busledger.decoder.diagnosis.replay.study import Rows, Study

__all__ = ["likely_pairs"]

# Bounds of work: up to sixteen regions every pair is replayed, of more of them as many as sixteen have.
_REGIONS = 16
_PAIRS = _REGIONS * (_REGIONS - 1)
_READS = 8  # wrong reads looked at, of each region
_FAILING = 256  # regions whose wrong reads are looked at, those with the most of them


def likely_pairs(study: Study, rows: Rows) -> list[tuple[int, int]] | None:
    """(the region that answers, the one that is asked) of the pairs worth a replay; None: all of them."""
    regions = study.card.regions
    if len(study.card.compared) <= _REGIONS:
        return None
    often = np.bincount(rows.region[rows.wrong != 0], minlength=len(regions))
    failing = np.argsort(-often, kind="stable")[:_FAILING]
    failing = failing[often[failing] > 0]
    row_of = np.full(len(regions), -1, np.int64)
    row_of[failing] = np.arange(len(failing))
    cells = study.cells
    joined, given = (np.zeros((len(failing), len(regions)), np.int64) for _ in range(2))
    held, known = (table.copy() for table in study.images())
    pairs_kernel.same_place(
        rows.cell, rows.region, rows.is_write, rows.data, rows.sure, rows.expected, rows.compared,
        cells.words()[rows.cell], _spread(rows, _READS), row_of, np.array(cells.base, np.int64),
        np.array(cells.size, np.int64), held, known, joined, given,
    )  # fmt: skip
    able = np.array([r.compared for r in regions])
    scores: dict[tuple[int, int], int] = {}
    for asked, answers in _best(joined, able):
        pair = (answers, int(failing[asked]))
        scores[pair] = scores.get(pair, 0) + int(joined[asked, answers])
    for k, other in _best(given, able):
        here = int(failing[k])
        # What was meant for the other region came to this one too, or this one's reads are answered by the other.
        for pair in ((here, other), (other, here)):
            scores[pair] = scores.get(pair, 0) + int(given[k, other])
    return sorted(scores, key=lambda pair: (-scores[pair], pair))[:_PAIRS]


def _best(counts: NDArray[np.int64], able: NDArray[np.bool_]) -> list[tuple[int, int]]:
    row, column = np.nonzero(counts * able)
    order = np.argsort(-counts[row, column], kind="stable")[:_PAIRS]
    return list(zip(row[order].tolist(), column[order].tolist(), strict=True))


def _spread(rows: Rows, most: int) -> NDArray[np.bool_]:
    """Some wrong reads of each region, from all over the capture."""
    bad = np.flatnonzero(rows.wrong)
    order = bad[np.argsort(rows.region[bad], kind="stable")]
    asked = np.zeros(len(rows), np.bool_)
    _, first, count = np.unique(rows.region[order], return_index=True, return_counts=True)
    for at, n in zip(first.tolist(), count.tolist(), strict=True):
        asked[order[at : at + n : -(-n // most)]] = True
    return asked

