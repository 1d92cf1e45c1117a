"""Memory of two banks that are switched by turns, by something that was not told.

Each task writes what it needs in its own bank, and finds it again when its turn comes. No read contradicts the bank
until long after it was switched in, so that no moment can be followed as it goes by (``banks``): it is told backwards,
from the reads that give again what lay there before; or from where the wrong reads lie (``spells``).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate, log_sum
from busledger.decoder.diagnosis.rivals.banks import block_of, log_unwritten
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import log_of
from busledger.decoder.diagnosis.rivals.spells import banks_by_spells
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.story_kernel import folded
from busledger.decoder.diagnosis.rivals.turns_kernel import settle, tie
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of

__all__ = ["taken_in_turns"]

_FEWEST = 6  # judged, as in banks.py: wrong reads; fewer show no banks
_ROUNDS = 256  # a bound of work
_SWITCHES = 3  # for each wrong read, at the most: into the other bank and back, and one to spare
_LEAST = 2  # turns back to a bank and out of it: one change is another story
_SEEN_AGAIN = 3  # wrong reads that give what was last left in their bank, of those told by spells: as in banks.py


def taken_in_turns(story: Story) -> Iterator[Rival]:
    """Blocks with two banks, which give again what was left in them: each by itself, and all of them by one switch."""
    rows = story.rows
    blocks: dict[int, tuple[int, int]] = {}
    came_back = []
    for r, region in enumerate(story.regions):
        wrong = (rows.region == r) & (rows.wrong != 0)
        if region.kind != "rom" and wrong.any():
            blocks[r] = block_of(story, r, wrong)
            came_back += [r] if (story.older[wrong] & 1).any() else []
    every = [{r: blocks[r]} for r in came_back]
    for some in every if len(blocks) < 2 or not every else [*every, blocks]:
        found = _by_turns(story, some)
        if found is not None:
            yield found


def _by_turns(story: Story, blocks: dict[int, tuple[int, int]]) -> Rival | None:
    """``blocks``: addresses, by their regions."""
    total = max(1, story.study.cells.total)
    cells = np.zeros(total, np.bool_)
    for r, (low, high) in blocks.items():
        span = story.study.cells.span(r)
        cells[span] = (story.address[span] >= low) & (story.address[span] <= high)
    here = cells[story.rows.cell]
    rows = story.rows.take(here)
    wrong = rows.wrong != 0
    count = int(np.count_nonzero(wrong))
    if count < _FEWEST:
        return None
    tried = [(bank, _SEEN_AGAIN) for bank in banks_by_spells(rows)]
    if _given_again(rows, wrong) >= _hits_needed(count):
        tried.append((_banks(rows), _hits_needed(count)))
    found = [_with_banks(story, blocks, cells, bank, needed) for bank, needed in tried]
    return max((one for one in found if one is not None), key=lambda one: one.log_own, default=None)


def _with_banks(
    story: Story,
    blocks: dict[int, tuple[int, int]],
    cells: NDArray[np.bool_],
    bank: NDArray[np.uint8],
    needed: int,
) -> Rival | None:
    """What the blocks, ``cells``, show with these banks; None where fewer wrong reads than ``needed`` give what was
    last left in theirs."""
    here = cells[story.rows.cell]
    rows, total = story.rows.take(here), len(cells)
    wrong, n = rows.wrong != 0, len(rows)
    count = int(np.count_nonzero(wrong))
    switches = int(np.count_nonzero(np.diff(bank)))
    if not _LEAST <= switches <= _SWITCHES * count:
        return None
    memory, known, verdict = np.zeros(2 * total, np.uint32), np.zeros(2 * total, np.uint32), np.zeros(n, np.uint8)
    folded(
        (rows.cell + total * bank.astype(np.int64)).astype(np.int32), rows.is_write, rows.data, rows.sure,
        rows.lanes, rows.compared, rows.wrong, np.arange(2 * total, dtype=np.int32), memory, known, verdict,
    )  # fmt: skip
    hits, first = int(np.count_nonzero(verdict == 1)), verdict == 4
    against = int(np.count_nonzero((verdict == 2) | (verdict == 3)))
    explained = wrong & ((verdict == 1) | first)
    if against > count // 10 or hits < needed:
        return None
    regions = list(blocks)
    region = story.regions[regions[0]]
    where = ", ".join(span_of(block) for block in sorted(blocks.values()))
    block = min(low for low, _ in blocks.values()), max(high for _, high in blocks.values())
    return Rival(
        fault="banked",
        scope="machine",
        region=regions[0] if len(regions) == 1 else None,
        addresses=block,
        log_prior=prior_of("banked", chips=all(story.has_chips(r) for r in regions)),
        log_own=log_rate(hits, against, HARD) + log_unwritten(story, here, first) + _log_when(rows, bank),
        explains=int(np.count_nonzero(explained)),
        against=against,
        summary=f"{where} {'is' if len(regions) == 1 else 'are'} switched between 2 banks that take turns, by "
        "something that is not on the clips: say so in the board file",
        evidence=(
            f"with {counted(switches, 'switch', 'switches')} between two banks {counted(hits, 'wrong read')} give "
            f"what was last left in theirs; {against} do not",
        ),
        next_step="Find the latch or line that switches the banks, clip it, and say in the board file which is which.",
        propose=(
            "[[region]]",
            f'name = "{named(region)}_bank0"',
            f"start = 0x{blocks[regions[0]][0]:04X}",
            f"end = 0x{blocks[regions[0]][1]:04X}",
            f'kind = "{region.kind}"',
            'when = { line = "BANK0", level = 0 }',
        ),
        index=rows.index[explained],
        taken=NotJudged(cells),
    )


def _hits_needed(count: int) -> int:
    """Of ``count`` wrong reads, how many must give again what was left in their bank."""
    return max(_LEAST, count // 2)


def _given_again(rows: Rows, wrong: NDArray[np.bool_]) -> int:
    """Wrong reads of a value that was in their cell before, at most: no more can be given again, by whatever turns, and
    where they are too few the turns need not be told. All of them where a bit is not sure anywhere."""
    whole = rows.sure.max(initial=np.uint32(0))
    if (rows.sure != whole).any() or (rows.compared[wrong] != whole).any():
        return int(np.count_nonzero(wrong))
    held = rows.cell.astype(np.int64) << 32 | rows.data & whole
    order = np.argsort(held, kind="stable")
    later = order[1:][held[order[1:]] == held[order[:-1]]]
    return int(np.count_nonzero(wrong[later]))


def _log_when(rows: Rows, bank: NDArray[np.uint8]) -> float:
    """Log probability of the moments at which it is switched: any, or rather where a walk through memory begins anew,
    as a task does whose turn has come."""
    yes, anew = np.diff(bank) != 0, np.diff(rows.cell) < 0
    return log_sum([log_of(np.zeros(len(yes), np.int64), yes), log_of(anew.astype(np.int64), yes)]) - math.log(2.0)


def _banks(rows: Rows) -> NDArray[np.uint8]:
    """The bank of each access, uint8: as the reads tell, and with few switches where they do not."""
    n = len(rows)
    order = np.argsort(rows.cell, kind="stable")
    before = np.full(n, -1, np.int32)
    same = rows.cell[order[1:]] == rows.cell[order[:-1]]
    before[order[1:][same]] = order[:-1][same]
    leader, bank = np.arange(n, dtype=np.int32), np.zeros(n, np.uint8)
    tie(before, rows.is_write, rows.data, rows.sure, leader, bank)
    _, group = np.unique(leader, return_inverse=True)
    # What lies close together in time is of one turn rather than what lies apart.
    settle(np.argsort(np.diff(rows.time), kind="stable").astype(np.int32), leader, bank)
    one, two = group[:-1], group[1:]
    apart = one != two
    one, two = one[apart], two[apart]
    for _ in range(_ROUNDS):  # what hangs together is turned over as long as that spares switches
        spared = np.where((bank[:-1] != bank[1:])[apart], 1.0, -1.0)
        gain = np.bincount(one, spared, len(group)) + np.bincount(two, spared, len(group))
        best = int(gain.argmax())
        if gain[best] <= 0.0:
            break
        bank[group == best] ^= 1
    return bank
