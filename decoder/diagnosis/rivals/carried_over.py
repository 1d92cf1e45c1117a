"""A walk through memory that jumps to the other side of an address line just when the line comes to rest.

A program that moves to another block begins there anywhere; one whose clip has come off goes on with the next address
as if nothing had happened, but for the one line. The same holds when the clip is back.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.rivals.sides import partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic

__all__ = ["log_carried_over", "taken_amiss", "written_amiss"]

_BACK = 4  # transfers: what an instruction fetches lies between two of its data
_EVEN = 0.5  # Jeffreys' prior of a rate of which few chances were seen
_ALIKE = 0.5  # that the line was just then at the level that the clip shows: nothing jumps


def log_carried_over(story: Story, bit: int, first: int, last: int, *, to_end: bool) -> float:
    """Log odds that the walk goes on, or does not, over the ticks ``first`` and, unless ``to_end``, after ``last``, of
    a clip that shows the address ``bit`` wrongly between them against a program that moves by itself.

    Of the first it is as likely as a walk goes on anywhere, every second time, of the other as often as it does where
    the line moves at other times. 0 where the transfers just before lie on the same side.
    """
    time, address = traffic(story)
    if len(time) <= _BACK:
        return 0.0
    at = [int(np.searchsorted(time, first, side="left"))]
    if not to_end:
        at.append(int(np.searchsorted(time, last, side="right")))
    step = 1 << story.study.cells.shift
    plain, _ = _goes_on(address, 0, step)
    over, chance = _goes_on(address, 1 << bit, step)
    asked = [place for place in at if place < len(time) and chance[place]]
    seen = int(np.count_nonzero(chance)) - len(asked)
    by_itself = (np.count_nonzero(over) - np.count_nonzero(over[asked]) + _EVEN) / (seen + 2.0 * _EVEN)
    usual = (np.count_nonzero(plain) + _EVEN) / (len(time) + 2.0 * _EVEN)
    usual = _ALIKE * by_itself + (1.0 - _ALIKE) * usual
    return sum(
        math.log(usual / by_itself) if over[place] else math.log((1.0 - usual) / (1.0 - by_itself)) for place in asked
    )


def _goes_on(address: NDArray[np.int64], flipped: int, step: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each transfer goes on from one of the few before it, at the same address or the next, with the address
    bit ``flipped`` in between; and whether it could: that bit differs between the two (0: always)."""
    found, chance = np.zeros(len(address), np.bool_), np.zeros(len(address), np.bool_)
    for back in range(1, min(_BACK, len(address) - 1) + 1):
        now, then = address[back:], address[:-back]
        able = ((now ^ then) & flipped) == flipped
        apart = (now ^ flipped) - then
        chance[back:] |= able
        found[back:] |= able & ((apart == 0) | (np.abs(apart) == step))
    return found, chance


def taken_amiss(story: Story, first: int, last: int) -> NDArray[np.bool_]:
    """The wrong reads between two ticks, and the later ones of cells of which nothing is known but what was seen then:
    bool a row. A clip that carries address and data in turn makes of one cell what belongs to another."""
    rows = story.rows
    began, ended = np.searchsorted(rows.time, [first, last + 1])
    met = np.full(max(1, story.study.cells.total), len(rows), np.int64)
    np.minimum.at(met, rows.cell, np.arange(len(rows)))
    known = np.where(story.since < 0, met[rows.cell], story.since)
    found: NDArray[np.bool_] = (rows.wrong != 0) & (rows.time >= first)
    found &= (rows.time <= last) | ((known >= began) & (known < ended))
    return found


def written_amiss(story: Story, bit: int, lane: int, first: int, last: int) -> tuple[NDArray[np.bool_], int]:
    """The later wrong reads of cells of which nothing was seen since before ``first``, and that give what was written
    between the ticks at the cell with the address ``bit`` the other way, but for the ``lane`` of the same line: bool a
    row; and how many later reads show that such a write did not go there."""
    rows = story.rows
    began, ended = np.searchsorted(rows.time, [first, last + 1])
    total = max(1, story.study.cells.total)
    value, known = np.zeros(total, np.uint32), np.zeros(total, np.uint32)
    writes = began + np.flatnonzero(rows.is_write[began:ended])
    value[rows.cell[writes]], known[rows.cell[writes]] = rows.data[writes], rows.sure[writes]
    partner = partners_of(story, bit)[rows.cell]
    told = rows.compared & np.where(partner >= 0, known[partner], np.uint32(0))
    asked = (rows.time > last) & (story.since < began) & (told != 0) & (told == rows.compared)
    as_there: NDArray[np.bool_] = (value[partner] ^ rows.data) & told & ~np.uint32(lane) == 0
    return asked & (rows.wrong != 0) & as_there, int(np.count_nonzero(asked & (rows.wrong == 0) & ~as_there))
