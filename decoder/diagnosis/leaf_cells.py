"""The cells of a chip that may be bad: one cell, a patch that agrees in some address bits, cells here and there."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, priors
from busledger.decoder.diagnosis.faults.kinds_of_cells import coupled_cells, leaky_cells, stuck_cells
from busledger.decoder.diagnosis.leaf import LeafState, log_noise
from busledger.decoder.diagnosis.leaf_chip import NO_PART, Chip
from busledger.decoder.diagnosis.leaf_rows import LeafCount
from busledger.decoder.diagnosis.patches import cell_counts, log_levels, patches, scatter
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.replay import NOTHING, Effect
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import HARD, LN2, SOMETIMES, Tally, log_rate
from busledger.decoder.diagnosis.scoring import Scored, log_own, ways
from busledger.decoder.diagnosis.screening import replay_leaf

__all__ = ["places", "scattered"]

# Bounds of work, judged: a chip with so many failing cells has a fault of more than a cell, which patches and scatter
# hold, so that leaving single cells out changes how it is called and not whether it is bad.
# All of these, and the shares in leaf_chip.py, doubled at once, and halved: no answer changes (as in replay/wear.py).
_CELLS = 12  # failing cells of a chip that are asked about one by one
_MANY_CELLS = 64  # failing cells past which no single cell is, save the worst
_WORN_CELLS = 6  # failing cells of a chip past which none of them leaks or is coupled on its own


def places(chip: Chip, rows: Rows, count: LeafCount, mask: int) -> list[LeafState]:
    """Single cells, and patches of cells, of one lane."""
    return [*_cells(chip, rows, count), *_patches(chip, rows, count, mask)]


def scattered(chip: Chip, rows: Rows, mask: int) -> list[LeafState]:
    """Cells here and there, each bad by itself."""
    read = rows.compared != 0
    size = chip.span.stop - chip.span.start
    counts = cell_counts(rows.cell, chip.span.start, size, read, rows.wrong != 0)
    worn = scatter(_hurtful(counts, rows, chip.span.start), counts.sum(axis=1))
    if worn is None:
        return []
    detail = {"scatter": True, "cells_failing": worn.failing, "cells_in": worn.tested}
    tally = Tally(worn.hits, worn.misses, 0, worn.hits)
    scored = _made(chip, "unlisted", lanes_kernel.KEPT, mask, tally, False, detail)
    like = worn.log_like + log_levels(rows.cell, rows.data, rows.expected, rows.compared, rows.wrong, rows.event,
                                      chip.lanes)  # fmt: skip
    return [LeafState(math.log(chip.share["scatter"]), like, (scored,))]


def _cells(chip: Chip, rows: Rows, count: LeafCount) -> list[LeafState]:
    bad = np.flatnonzero(rows.wrong)
    cells, at, often = np.unique(rows.cell[bad], return_inverse=True, return_counts=True)
    few = _CELLS if len(cells) <= _MANY_CELLS else 2
    chosen: dict[int, int] = {}
    for k in np.argsort(-often, kind="stable")[:few]:
        chosen[int(cells[k])] = int(np.bitwise_or.reduce(rows.wrong[bad[at == k]]))
    card = chip.study.card
    listed: list[Candidate] = []
    kinds: list[tuple[str, list[Candidate]]] = [
        ("stuck", [*stuck_cells("stuck-low", lanes_kernel.LOW, chosen, card),
                   *stuck_cells("stuck-high", lanes_kernel.HIGH, chosen, card)]),
    ]  # fmt: skip
    if len(cells) <= _WORN_CELLS:
        kinds.append(("coupled", list(coupled_cells(chosen, card))))
        kinds.append(("leaky", list(leaky_cells(chosen, card))))
    log_cells = math.log(max(1, chip.span.stop - chip.span.start))
    weights: dict[int, float] = {}
    for kind, members in kinds:
        for c in members:
            listed.append(c)
            share = chip.share["cell"] * float(priors()["leaf"]["cell"][kind])
            weights[id(c)] = math.log(share) - log_cells - (math.log(2.0) if kind == "stuck" else 0.0)
    effects = replay_leaf(chip.study, listed, rows, count, plain=chip.plain)
    news = rows.cell[rows.event != 0]  # a cell may repeat one wrong read for long: it leaves the news of all others
    found = []
    for c in listed:
        for scored in ways(c, effects):
            if not scored.effect.tally.hits and not scored.covers:
                continue
            elsewhere = count.event_count - int(np.count_nonzero(news == c.cell))
            like = log_own(scored, 1) + chip.strays(scored, count, c.mask, least=elsewhere)
            found.append(LeafState(weights[id(c)] + scored.weight, like, (scored,)))
    return found


def _patches(chip: Chip, rows: Rows, count: LeafCount, mask: int) -> list[LeafState]:
    read = rows.compared != 0
    level = rows.expected & rows.compared
    wrong = rows.wrong != 0
    size = chip.span.stop - chip.span.start
    stays = chip.log_stays(count, LN2)
    found = []
    best = -math.inf
    for fault, does, chance in (
        ("stuck-low", lanes_kernel.LOW, read & (level != 0)),
        ("stuck-high", lanes_kernel.HIGH, read & (level == 0)),
        ("unlisted", lanes_kernel.KEPT, read),
    ):
        counts = cell_counts(rows.cell, chip.span.start, size, chance, wrong)
        if not counts[:, 0].any():
            continue
        kind = math.log(chip.share["patch"] / 3.0 / max(1, (size - 1).bit_length()))
        for patch in patches(counts):
            lines = [f"A{bit}={value}" for bit, value in patch.lines(chip.shift)]
            unexplained = count.wrong - patch.hits
            noise = log_noise(count.news(unexplained), count.reads, 1)
            weight = kind - patch.log_choice - math.log(2.0)
            for hard in (True, False):
                like = log_rate(patch.hits, patch.misses, HARD if hard else SOMETIMES) + noise
                like += stays if fault == "unlisted" else 0.0
                if weight + like < best - NO_PART:
                    continue
                best = max(best, weight + like)
                detail = {
                    "where_lines": lines,
                    "cells_failing": patch.failing,
                    "cells_in": patch.tested,
                    "every_time": hard,
                }
                scored = _made(chip, fault, does, mask, Tally(patch.hits, patch.misses, 0, patch.hits), hard, detail)
                found.append(LeafState(weight, like, (scored,)))
    return found


def _made(
    chip: Chip, fault: str, does: int, mask: int, tally: Tally, hard: bool, detail: Mapping[str, object]
) -> Scored:
    behaviour = LaneFault(does, mask, (chip.unit.region,))
    variant = Variant(1.0, behaviour)
    candidate = Candidate(fault, "chip", chip.unit.name, chip.unit.region, mask, (variant,))  # type: ignore[arg-type]
    first = chip.first_wrong(mask)
    effect = Effect(tally, hash((fault, mask, *first)), first, NOTHING.chances)
    return Scored(candidate, variant, hard, effect, detail=dict(detail))


def _hurtful(counts: np.ndarray, rows: Rows, first: int) -> np.ndarray:
    """Chances of each failing cell: right reads that ask for a level which it was seen not to give."""
    halved = counts.copy()
    bad = rows.wrong != 0
    high, low = np.zeros(len(counts), np.uint32), np.zeros(len(counts), np.uint32)
    np.bitwise_or.at(high, rows.cell[bad] - first, rows.data[bad] & rows.wrong[bad])
    np.bitwise_or.at(low, rows.cell[bad] - first, ~rows.data[bad] & rows.wrong[bad])
    right = (rows.compared != 0) & ~bad
    cell = rows.cell[right] - first
    asked = ((~rows.expected[right] & high[cell]) | (rows.expected[right] & low[cell])) & rows.compared[right]
    failing = np.unique(rows.cell[bad] - first)
    halved[failing, 1] = np.bincount(cell[asked != 0], minlength=len(counts))[failing]
    return halved
