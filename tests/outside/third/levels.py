"""Reads the waves back: what a probe would see at given moments. For the tests of this world only."""

from __future__ import annotations

import numpy as np

from tests.outside.third.accesses import Ints
from tests.outside.third.waves import Board, Floats, Track


def level_at(track: Track, moments: Floats) -> Ints:
    """The line's level at each moment (ns); 0 before its first change."""
    index = np.searchsorted(track.times, moments, side="right") - 1
    return np.where(index >= 0, track.levels[np.maximum(index, 0)], 0)


def word_at(board: Board, prefix: str, bits: range, moments: Floats) -> Ints:
    """A bus's value at each moment."""
    value = np.zeros(len(moments), np.int64)
    for bit in bits:
        value |= level_at(board.tracks[f"{prefix}{bit}"], moments) << bit
    return value


def edges(track: Track, level: int) -> Floats:
    """When the line goes to ``level``."""
    return np.asarray(track.times[1:][track.levels[1:] == level])


def last_change(board: Board, prefix: str, bits: range, moments: Floats) -> Floats:
    """How long (ns) the whole bus had been still at each moment."""
    out = np.full(len(moments), np.inf)
    for bit in bits:
        t = board.tracks[f"{prefix}{bit}"].times
        index = np.searchsorted(t, moments, side="right") - 1
        out = np.minimum(out, np.where(index >= 0, moments - t[np.maximum(index, 0)], np.inf))
    return out


def next_change(board: Board, prefix: str, bits: range, moments: Floats) -> Floats:
    """How long (ns) the whole bus stays still after each moment."""
    out = np.full(len(moments), np.inf)
    for bit in bits:
        t = board.tracks[f"{prefix}{bit}"].times
        index = np.searchsorted(t, moments, side="right")
        out = np.minimum(out, np.where(index < len(t), t[np.minimum(index, len(t) - 1)] - moments, np.inf))
    return out
