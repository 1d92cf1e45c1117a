"""Waves of a 6809: E and Q in quadrature (MC6809 data sheet): address before Q rises, data at the fall of E."""

from __future__ import annotations

import numpy as np

from tests.outside.third.accesses import DEAD, WRITE, Accesses
from tests.outside.third.card import Card, Rng
from tests.outside.third.machine import Seen
from tests.outside.third.waves import Board, data_words, select_lines


def mc6809(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """A cycle runs from one fall of E to the next."""
    n = len(acc)
    board = Board(rng, 8.0)
    edge = np.arange(n + 1) * period + rng.normal(0, 1.0, n + 1)
    fall, end = edge[:-1], edge[1:]
    board.pulses("E", fall + period * 0.5, end)
    q = fall + period * 0.25
    board.pulses("Q", q, q + period * 0.5)
    fast = period / 1000.0
    turn = fall + rng.uniform(50, 170, n) * fast
    board.word("A", range(16), turn, acc.address)
    writes = acc.op == WRITE
    board.line("RW", fall + rng.uniform(50, 170, n) * fast, ~writes)
    valid = np.where(
        writes, q + rng.uniform(80, 180, n) * fast,
        np.maximum(turn + access_ns, fall + period * 0.5 + rng.uniform(30, 90, n)),
    )  # fmt: skip
    valid = np.minimum(valid, end - 90 * fast)
    until = end + np.where(writes, rng.uniform(32, 50, n), rng.uniform(12, 30, n))
    data_words(rng, board, "D", seen.data, valid, until, ~writes, card.floating)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)
    select_lines(board, card, seen, turn + 10, end, False)
    return board


def mc6800(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """6800: as the 6502's cycle; VMA, address and R/W within tAD of phase 1's rise (MC6800 data sheet)."""
    n = len(acc)
    board = Board(rng, 8.0)
    edge = np.arange(n + 1) * period + rng.normal(0, 1.0, n + 1)
    fall, end = edge[:-1], edge[1:]
    fast = period / 1000.0
    rise = fall + period * 0.5
    board.pulses("PHI2", rise, end)
    turn = fall + rng.uniform(60, 220, n) * fast
    board.word("A", range(16), turn, acc.address)
    writes = acc.op == WRITE
    board.line("RW", fall + rng.uniform(60, 220, n) * fast, ~writes)
    board.line("VMA", fall + rng.uniform(60, 220, n) * fast, acc.op != DEAD)
    valid = np.where(
        writes, rise + rng.uniform(120, 215, n) * fast,
        np.maximum(turn + access_ns, rise + rng.uniform(30, 90, n)),
    )  # fmt: skip
    valid = np.minimum(valid, end - 115 * fast)
    until = end + np.where(writes, rng.uniform(18, 40, n), rng.uniform(12, 30, n))
    data_words(rng, board, "D", seen.data, valid, until, ~writes, card.floating)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)
    select_lines(board, card, seen, turn + 10, end, False)
    return board
