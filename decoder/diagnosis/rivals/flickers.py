"""A data clip that shows one level now and then, for as long as an access or two: a loose contact.

Reads come wrong by it, at that level; and writes are seen wrongly, of which later reads give the other level. A lane of
the bus or of a chip that is stuck at times bends the reads alone: what it makes of a write is what the memory is given,
or what it keeps, and never what the processor wrote. The clip has one rate for both, in every region.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_chances, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rests import prior_of_line
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["flickering_clips"]

_LEAST = 3  # acts: judged, fewer may be anything
_NEARLY_ALL = 0.9  # of the wrong reads on the line
_USUAL = 3  # reads beside the memory that gave one byte, by which it is known. Judged
_BYTES = 1 << 32
_BYTE = 0xFF


def flickering_clips(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """One rival for each data line and level at which it may show what reads came wrong on it."""
    if np.count_nonzero(story.rows.wrong) < _LEAST:
        return
    shared = set(signs.address_lines.values())
    for bit, line in signs.data_lines.items():
        if line not in shared:  # those of a multiplexed bus spoil addresses, too: see loose.py
            for level in (0, 1):
                found = _flickering(story, line, bit, level)
                if found is not None:
                    yield found


def _flickering(story: Story, line: str, bit: int, level: int) -> Rival | None:
    rows = story.rows
    lane = np.uint32(1 << bit)
    wrong = rows.wrong == lane
    at_level = (rows.data & lane != 0) == bool(level)
    written = (story.since < 0) | rows.is_write[story.since]  # nothing has shown since that the write was seen rightly
    bent, seen_wrongly = wrong & at_level, wrong & ~at_level & written
    explained = bent | seen_wrongly
    if np.count_nonzero(explained) < _NEARLY_ALL * np.count_nonzero(rows.wrong & lane):
        return None
    acts = explained & (story.repeat != kernel.SAME)
    count = int(np.count_nonzero(acts))
    if count < _LEAST:
        return None
    # What was at the other level is a chance that the clip did not spoil it: the read, and the write that it tells of.
    right = ~rows.is_write & (rows.compared & lane != 0) & (rows.wrong & lane == 0) & ~at_level
    first = right & (story.repeat == kernel.FIRST) & (story.since >= 0)
    hits = np.bincount(rows.window[acts], minlength=WINDOWS)
    misses = np.bincount(rows.window[right], minlength=WINDOWS) + np.bincount(rows.window[first], minlength=WINDOWS)
    total = (count, int(misses.sum()))
    own = log_chances(hits, misses, total) - math.log(2.0) + _log_beside(story, bit, level, total)
    own += _log_written(story, bit, acts & seen_wrongly)
    index = rows.index[explained]
    return Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story) + prior_of("clip-noisy", chips=True) - prior_of("clip-off", chips=True),
        log_own=own,
        explains=len(index),
        summary=f"the clip on {line} is loose: at times it shows {'high' if level else 'low'} whatever the line is, in "
        "reads and writes alike",
        evidence=(
            f"{counted(int(np.count_nonzero(bent)), 'wrong read')} {'high' if level else 'low'} on this line alone, "
            f"and {counted(int(np.count_nonzero(seen_wrongly)), 'more', 'more')} the other way after a write that was "
            f"seen {'high' if level else 'low'}: there the write was misread",
        ),
        next_step=f"Clean and reseat the clip on {line} and its ground, and capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index, int(lane)),
    )


def _log_written(story: Story, bit: int, acts: NDArray[np.bool_]) -> float:
    """Log odds that a program wrote what these reads give rather than what was seen of their writes, by how often it
    writes either: it is no clip that makes a program's data odd, one by one."""
    rows = story.rows
    own = np.uint32(bit & ~7)  # the byte that the line is of
    written = rows.data[rows.is_write & (rows.sure == np.bitwise_or.reduce(rows.sure, initial=0))] >> own
    often = np.bincount(written & _BYTE, minlength=_BYTE + 1) + 1.0 / (_BYTE + 1)
    gave, seen = rows.data[acts] >> own & _BYTE, rows.expected[acts] >> own & _BYTE
    return float(np.minimum(0.0, np.log(often[gave] / often[seen])).sum())


def _log_beside(story: Story, bit: int, level: int, total: tuple[int, int]) -> float:
    """Log odds by what was read beside the memory: the clip spoils it as often as the rest (``total`` acts and missed
    chances), a card never; whatever else does has a rate of its own."""
    odd, steady = _beside(story, bit, level)
    found = log_rate(total[0] + odd, total[1] + steady, SOMETIMES) - log_rate(*total, SOMETIMES)
    return found - (log_rate(odd, steady, SOMETIMES) if odd else 0.0)


def _beside(story: Story, bit: int, level: int) -> tuple[int, int]:
    """(reads, reads) beside the memory of what is known there to be at the other level: those that gave all but the
    line as ever, and those that gave it, too."""
    if story.read_beside is None:
        return 0, 0
    reads = story.read_beside.reads
    mine = reads.io == 0
    address, data = reads.address[mine], reads.data[mine]
    if not len(address):
        return 0, 0
    key, of, often = np.unique(address * _BYTES + data, return_inverse=True, return_counts=True)
    order = np.lexsort((often, key // _BYTES))  # the usual byte of each address comes last
    last = np.flatnonzero(np.diff(key[order] // _BYTES, append=-1))
    place, usual, count = key[order[last]] // _BYTES, key[order[last]] % _BYTES, often[order[last]]
    at = np.searchsorted(place, key[of] // _BYTES)
    told = (count[at] >= _USUAL) & (usual[at] >> bit & 1 != level)
    differs = data ^ usual[at]
    odd, same = np.count_nonzero(told & (differs == 1 << bit)), np.count_nonzero(told & (differs == 0))
    return int(odd), max(0, int(same) - int(np.count_nonzero((count >= _USUAL) & (usual >> bit & 1 != level))))
