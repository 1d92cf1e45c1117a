"""A program that seems to go on beside its memory, for the clip of a high address line is off: what it reads there is
what the memory holds at the address with that line at its other level.

No program that moves elsewhere by itself finds the very bytes of the old place at the new one, address by address. Some
of them it does: one that does a thing many times over, unrolled, meets the same bytes at many distances, which are the
measure of what those at the line's own have to say.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_filled, log_values
from busledger.decoder.diagnosis.replay.weighing import log_rate, log_sum
from busledger.decoder.diagnosis.rivals.news import nothing_wrong
from busledger.decoder.diagnosis.rivals.read_beside import ReadBeside
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["Moved", "moved_over"]

_CELLS = 8  # different ones that have to be seen
# Nats at most for each that shows the other's byte: of the eight bits that it could differ in half, for bytes of
# programs and of tables are often alike. Judged.
_ALIKE = 3.0
_NEAR, _AGAIN = 2, 0.5  # distances from 2 ** 2 on, and what part of the bytes is there, too. Judged
_ROUND = 256  # addresses: as long as what a program does over and over may be, for its bytes to come again. Judged
# Beta prior, judged: of bytes read while the clip is off, those that lie at the other level; some cells are bad, some
# were never read rightly.
_NEARLY_ALL = (9.0, 1.0)
_RULES = 4  # by which a test may have filled both places: see ``_log_filled``
_RULE = 20.0  # nats that the rule itself may cost by which both places were filled: four bytes, judged


class Moved(NamedTuple):
    """``same`` of ``cells`` different addresses, used at no other time, give what lies at their other side; ``log`` of
    the odds that this adds."""

    same: int
    cells: int
    log: float


_NOWHERE = Moved(0, 0, 0.0)


def moved_over(story: Story, outside: ReadBeside, bit: int, first: int, last: int) -> Moved:
    """What was read between the ticks ``first`` and ``last``, at addresses of which nothing else is known, beside what
    the cells hold on the other side of the address ``bit``."""
    fresh = (outside.first > first) & (outside.last <= last)
    there, gave = outside.address[fresh], outside.data[fresh]
    # Two looks that spare a sound capture the story of its cells.
    if len(there) < _CELLS and nothing_wrong(story):
        return _NOWHERE
    beside = [region for region in story.regions if region.space != "io"]
    known_places = np.isin(there ^ (1 << bit), outside.address[~fresh])
    for r in beside:
        known_places |= (there ^ (1 << bit) >= r.start) & (there ^ (1 << bit) <= r.end)
    if np.count_nonzero(known_places) < _CELLS and nothing_wrong(story):
        return _NOWHERE
    rows = story.rows
    time = rows.time[story.unfounded]
    at = story.unfounded[(time > first) & (time <= last)]
    at = at[_firsts(rows.cell[at])]
    at = at[rows.sure[at] == np.uint32((1 << story.study.data_bits) - 1)]
    address = np.concatenate([there, story.address[rows.cell[at]]])
    if len(address) < _CELLS:
        return _NOWHERE
    gave = np.concatenate([gave, rows.data[at].astype(np.int64)])
    told_by = zip(_holds(story, first), outside.steady(first, last), strict=True)
    known, holds = (np.concatenate(both) for both in told_by)
    order = np.argsort(known)
    keys, values = known[order], holds[order]
    if not len(keys):
        return _NOWHERE
    other = address ^ (1 << bit)
    place = np.minimum(np.searchsorted(keys, other), len(keys) - 1)
    told = keys[place] == other
    fits = told & (values[place] == gave)
    same, cells = int(np.count_nonzero(fits)), int(np.count_nonzero(told))
    if same < _CELLS or _comes_again(address, gave, bit, same / cells):
        return Moved(same, cells, 0.0)
    if _plainly_filled(address[fits], gave[fits].astype(np.uint32), story.study.data_bits):
        return Moved(same, cells, 0.0)
    filled = _log_filled(address[fits], gave[fits].astype(np.uint32), story.study.data_bits)
    by_chance = max(math.exp(-_ALIKE), _comes_round(address, gave, bit), _comes_round(keys, values, None))
    worth = min(-_log_alike(same, cells, by_chance), -filled - _RULE)
    return Moved(same, cells, max(0.0, log_rate(same, cells - same, _NEARLY_ALL) + worth))


def _log_alike(same: int, cells: int, most: float) -> float:
    """Log probability of so many bytes that are alike by chance, at the rate up to ``most`` that suits them best."""
    rate = min(most, same / cells)
    return same * math.log(rate) + (cells - same) * math.log1p(-rate) if rate < 1.0 else 0.0


def _comes_round(address: NDArray[np.int64], gave: NDArray[np.int64], bit: int | None) -> float:
    """The largest share of these bytes that lie once more at one distance, other than that of the line ``bit``."""
    order = np.argsort(address)
    keys, values = address[order], gave[order]
    most = 0.0
    for apart in range(1, _ROUND + 1):
        place = np.minimum(np.searchsorted(keys, keys + apart), len(keys) - 1)
        told = keys[place] == keys + apart
        same = int(np.count_nonzero(told & (values[place] == values)))
        if (bit is None or apart != 1 << bit) and same >= _CELLS:
            most = max(most, same / int(np.count_nonzero(told)))
    return most


def _comes_again(address: NDArray[np.int64], gave: NDArray[np.int64], bit: int, share: float) -> bool:
    """Whether these bytes lie at other distances, too: of a program that does one thing many times over, unrolled, the
    other side of an address line holds the same wherever it goes."""
    order = np.argsort(address)
    keys, values = address[order], gave[order]
    for line in range(_NEAR, 16):
        place = np.minimum(np.searchsorted(keys, keys + (1 << line)), len(keys) - 1)
        told = keys[place] == keys + (1 << line)
        same = int(np.count_nonzero(told & (values[place] == values)))
        if line != bit and same >= _CELLS and same >= _AGAIN * share * np.count_nonzero(told):
            return True
    return False


def _plainly_filled(address: NDArray[np.int64], value: NDArray[np.uint32], bits: int) -> bool:
    """Whether a rule of its own is likely enough for nothing to be worth telling, whatever the others of
    ``_log_filled`` are: most tables are, and that takes half the time."""
    value = value[np.argsort(address)]
    return log_filled(value, (1 << bits) - 1) - math.log(_RULES) > -_RULE


def _log_filled(address: NDArray[np.int64], value: NDArray[np.uint32], bits: int) -> float:
    """Log probability of what a memory holds that a test may have filled: by a rule of its own, or by one that follows
    the address, which gives the same bytes in two places."""
    order = np.argsort(address)
    address, value = address[order].astype(np.uint32), value[order]
    mask = np.uint32((1 << bits) - 1)
    one = np.zeros(len(value), np.int32)
    by_address = [
        log_values((address & 1).astype(np.int32), value, bits),
        log_values(one, ((value ^ address) & mask).astype(np.uint32), bits),
        log_values(one, ((value - address) & mask).astype(np.uint32), bits),
    ]
    return log_sum([log_filled(value, int(mask)), *by_address]) - math.log(_RULES)


def _firsts(of: NDArray[np.generic]) -> NDArray[np.bool_]:
    """Which are the first of their kind."""
    found = np.zeros(len(of), np.bool_)
    found[np.unique(of, return_index=True)[1]] = True
    return found


def _holds(story: Story, before: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(address, byte) of every cell whose contents are known at a tick: by a ROM's image, or by its last access."""
    rows = story.rows
    value, known = story.study.images()
    holds = np.full(max(1, story.study.cells.total), -1, np.int64)
    of_image = np.flatnonzero(known)
    holds[of_image] = value[of_image]
    seen = (rows.time <= before) & (rows.sure == np.uint32((1 << story.study.data_bits) - 1))
    holds[rows.cell[seen]] = rows.data[seen]
    cells = np.flatnonzero(holds >= 0)
    return story.address[cells], holds[cells]
