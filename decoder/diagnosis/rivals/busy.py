"""An electrically erasable part in a socket: busy for a while after each write, and deaf.

Until it is done a read gives the complement of what was written on the top lane, whatever address is asked ("DATA
polling": Xicor X2864A and Atmel AT28C64 data sheets, from memory), and a program reads until that is over. Then every
cell holds what was written, but for writes that came too early.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import HARD, LN2, log_rate
from busledger.decoder.diagnosis.rivals import busy_kernel as kernel
from busledger.decoder.diagnosis.rivals.banks import block_of
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of, stated

__all__ = ["busy_after_writes"]

_LOG_SHARE = math.log(0.05)  # judged: of what a draft calls memory and is a device, such parts
_FEWEST = 8  # judged; reads while it is busy, and reads once it is done that are right: fewer show no habit
_TRIES = 32  # lengths of time that are played, bounds of work
_EVEN = (1.0, 1.0)  # Beta prior: how often the other lanes show something else
_TOP = 7  # the lane that data sheets name


def busy_after_writes(story: Story) -> Iterator[Rival]:
    """One rival a region without chips in which wrong reads follow writes."""
    rows = story.rows
    if story.study.data_bits != _TOP + 1:
        return
    for r, region in enumerate(story.regions):
        wrong = (rows.region == r) & (rows.wrong != 0)
        if region.kind == "rom" or story.has_chips(r) or np.count_nonzero(wrong) < _FEWEST:
            continue
        block = block_of(story, r, wrong)
        there = np.zeros(max(1, story.study.cells.total), np.bool_)
        span = story.study.cells.span(r)
        there[span] = (story.address[span] >= block[0]) & (story.address[span] <= block[1])
        found = _busy(story, r, block, there)
        if found is not None:
            yield found


def _busy(story: Story, r: int, block: tuple[int, int], there: NDArray[np.bool_]) -> Rival | None:
    rows = story.rows
    here = np.flatnonzero(there[rows.cell])
    wrong = rows.wrong[here] != 0
    lengths = _lengths(rows.time[here], rows.is_write[here], wrong)
    if not len(lengths):
        return None
    verdict, at = _best(story, here, lengths)
    if len(lengths) > _TRIES:  # and between the two beside the best one
        step = len(lengths) // _TRIES + 1
        verdict, _ = _best(story, here, lengths[max(0, at - step) : at + step + 1])
    polled, against = verdict == kernel.POLLED, int(np.count_nonzero(verdict == kernel.AGAINST))
    done = verdict == kernel.FORETOLD
    explained = wrong & (polled | (verdict == kernel.FORETOLD))
    count = int(np.count_nonzero(explained))
    if np.count_nonzero(polled) < _FEWEST or np.count_nonzero(done) < _FEWEST or 10 * against > count:
        return None
    # On the other lanes it may show anything, the same every time or what was written.
    low = rows.data[here][polled] & np.uint32((1 << _TOP) - 1)
    values, often = np.unique(low, return_counts=True)
    others = len(low) - int(often.max())
    anything = _TOP * LN2 * (1 + others) + math.log(max(1, len(values)))
    own = log_rate(0, against, HARD) - against * (_TOP + 1) * LN2 - anything
    own += log_rate(others, len(low) - others, _EVEN)
    index = rows.index[here][explained]
    region = story.regions[r]
    return Rival(
        fault="device",
        scope="machine",
        region=r,
        addresses=block,
        log_prior=prior_of("device", chips=False) + _LOG_SHARE,
        log_own=own - math.log(len(lengths)),
        explains=count,
        against=against,
        summary=f"{span_of(block)} of {named(region)} is busy for a while after each write, as an electrically "
        "erasable part is, and then gives what was written",
        evidence=(
            f"{counted(int(np.count_nonzero(polled)), 'read')} soon after a write give its top bit turned over, "
            f"whatever address is read, and {counted(int(np.count_nonzero(done)), 'later read')} what was written",
        ),
        next_step=f"See what is in the socket of {span_of(block)}; if it is such a part, say in the board file that "
        "it is a device.",
        propose=stated(f"erasable_{block[0]:04x}", block, "io"),
        index=index,
        taken=NotJudged(there),
    )


def _lengths(time: NDArray[np.int64], is_write: NDArray[np.bool_], wrong: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How long it may be busy, the shortest first: as long as wrong reads go on after a write that follows a right
    read, to the next right one."""
    begun, found, right = np.int64(-1), [], True
    for t, writes, bad in zip(time.tolist(), is_write.tolist(), wrong.tolist(), strict=True):
        if writes:
            begun = t if right else begun
            right = False
        elif not bad:
            right = True
        elif begun >= 0:
            found.append(t - begun + 1)
    return np.unique(np.array(found, np.int64))


def _best(
    story: Story, here: NDArray[np.intp], lengths: NDArray[np.int64]
) -> tuple[NDArray[np.uint8], int]:
    """What each read is if it is busy as long as one of ``lengths`` that leaves the least unexplained, and which."""
    at = np.unique(np.linspace(0, len(lengths) - 1, min(len(lengths), _TRIES)).astype(np.int64))
    tried = [(_played(story, here, int(lengths[i])), int(i)) for i in at]
    return min(tried, key=lambda one: int(np.count_nonzero(one[0] == kernel.AGAINST)))


def _played(story: Story, here: NDArray[np.intp], busy: int) -> NDArray[np.uint8]:
    rows = story.rows
    _, cell = np.unique(rows.cell[here], return_inverse=True)
    verdict = np.zeros(len(here), np.uint8)
    content, known = (np.zeros(int(cell.max()) + 1, np.uint32) for _ in range(2))
    kernel.play(
        cell.astype(np.int32), rows.is_write[here], rows.data[here], rows.sure[here], rows.time[here], busy,
        np.uint32(1 << _TOP), content, known, verdict,
    )  # fmt: skip
    return verdict
