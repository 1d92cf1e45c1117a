"""A ROM of another version: code that was put in or taken out moves all that follows it.

Then a byte of the new version is one of the old a few places away, over long runs; only what is new there has to be
guessed. An address line that a ROM does not follow gives bytes from a few places away, too, but by turns.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_filled, log_urn
from busledger.decoder.diagnosis.replay.weighing import LN2, SOMETIMES, log_rate, log_sum

__all__ = ["log_revised", "log_runs"]

# Judged: revisions of a ROM whose new bytes differ from the old ones in the same lanes; whose new bytes are few values
# again and again, as code is; or follow a rule, as tables do; whose code has moved.
_ALIKE, _AS_CODE, _A_TABLE, _MOVED = 0.1, 0.25, 0.1, 0.3
# Bytes: how far, judged; but for powers of two from 16 on: as far as that an address line leads, in blocks so long that
# a program which reads a part of its ROM may see one of them.
_SHIFTS = tuple(by for by in range(-64, 65) if by and abs(by) not in (16, 32, 64))
_SELDOM = (0.5, 50.0)  # Beta prior of how often code that has moved begins or ends
_TIMES = 3  # such moves: bounds the work
_FEWEST = 16  # bytes moved alike: by chance as many would hardly be


def log_revised(
    address: NDArray[np.int64], level: NDArray[np.uint32], image: NDArray[np.uint32], known: NDArray[np.bool_],
    bits: int,
) -> float:  # fmt: skip
    """Log probability of the bytes that differ from the image, and of where they lie.

    ``address`` int64, ``level`` uint32: what was read at each place of the ROM, in rising order; ``image`` uint32 and
    ``known``: what the image says of every place from 0 on, which ``address`` counts; ``bits``: lanes read. They are
    anything; or, now and then, the old ones with the same lanes turned round again and again (code that was moved by a
    page, text in another case); or, as code is, the same instructions over and over; or a table that follows a rule; or
    bytes of the image a few places on or back.
    """
    differs = level != image[address]
    changed = (level ^ image[address])[differs]
    anything = -len(changed) * bits * LN2
    alike = log_urn(changed, 2.0**bits - 1.0)
    as_code = log_urn(level[differs], 2.0**bits)
    where = log_runs(differs)
    ways = [(1.0 - _ALIKE - _AS_CODE - _A_TABLE - _MOVED, anything), (_ALIKE, alike), (_AS_CODE, as_code)]
    if differs.any():
        ways.append((_A_TABLE, log_filled(level[differs], (1 << bits) - 1)))
    in_place = log_sum([math.log(share) + own for share, own in ways]) + where
    return log_sum([in_place, math.log(_MOVED) + _log_moved(address, level, image, known, differs, bits)])


def _log_moved(
    address: NDArray[np.int64], level: NDArray[np.uint32], image: NDArray[np.uint32], known: NDArray[np.bool_],
    differs: NDArray[np.bool_], bits: int,
) -> float:  # fmt: skip
    own, left = 0.0, differs.copy()
    for _ in range(_TIMES):
        best, fits = 0, left
        for by in _SHIFTS:
            there = address + by
            inside = (there >= 0) & (there < len(image))
            there = np.where(inside, there, 0)
            mine = inside & known[there] & (image[there] == level)
            count = int(np.count_nonzero(mine & left))
            if count > best:
                best, fits = count, mine
        if best < _FEWEST:
            break
        own += -math.log(len(_SHIFTS)) + log_runs(_taken(fits & left, fits), _SELDOM)
        left &= ~fits
    return own + log_runs(left) - int(np.count_nonzero(left)) * bits * LN2


def _taken(sure: NDArray[np.bool_], able: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where the bytes have moved: those that show it (``sure``), and those between two of them that would as well be
    what they are (``able``)."""
    place = np.arange(len(sure))
    last = np.maximum.accumulate(np.where(sure, place, -1))
    following = np.minimum.accumulate(np.where(sure, place, len(sure))[::-1])[::-1]
    between = (last >= 0) & (following < len(sure))
    broken = np.concatenate([[0], np.cumsum(~able)])
    whole = between & (broken[np.minimum(following, len(sure) - 1)] == broken[np.maximum(last, 0)])
    found: NDArray[np.bool_] = sure | whole
    return found


def log_runs(said: NDArray[np.bool_], ends: tuple[float, float] = SOMETIMES) -> float:
    """Log probability of where the differences lie, neighbours alike: a chain of two states with rates unknown, which
    have the Beta prior ``ends``."""
    one, two = said[:-1], said[1:]
    begun, stays_right = int((~one & two).sum()), int((~one & ~two).sum())
    ended, stays_wrong = int((one & ~two).sum()), int((one & two).sum())
    return log_rate(begun, stays_right, ends) + log_rate(ended, stays_wrong, ends)
