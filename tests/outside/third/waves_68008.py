"""Waves of a 68008 at 8 MHz: states S0 to S7 (M68000 User's Manual, bus operation and section 10)."""

from __future__ import annotations

import numpy as np

from tests.outside.third.accesses import FETCH, WRITE, Accesses
from tests.outside.third.card import Card, Rng
from tests.outside.third.machine import Seen
from tests.outside.third.waves import Board, data_words, select_lines


def mc68008(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """Four clocks a byte, no wait states; DS falls a clock later in a write, when the data stand."""
    n = len(acc)
    board = Board(rng, 5.0)
    t0 = np.concatenate([[0.0], np.cumsum(acc.states)[:-1]]) * period
    writes = acc.op == WRITE
    turn = t0 + 0.5 * period + rng.uniform(10, 50, n)
    board.word("A", range(20), turn, acc.address)
    strobe = t0 + period + rng.uniform(10, 50, n)
    end = t0 + 3.5 * period + rng.uniform(10, 50, n)
    board.pulses("AS", strobe, end, 0)
    board.pulses("DS", np.where(writes, t0 + 2 * period + rng.uniform(15, 55, n), strobe), end + 2, 0)
    # read/write rises again in S0 of the next cycle, falls in S2 of a write
    changes = [t0 + rng.uniform(20, 50, n), (t0 + period + rng.uniform(10, 50, n))[writes]]
    levels = np.concatenate([np.ones(n, np.int64), np.zeros(int(writes.sum()), np.int64)])
    board.line("RW", np.concatenate(changes), levels)
    board.pulses("DTACK", strobe + 30, end + 25, 0)
    valid = np.where(
        writes, t0 + 1.5 * period + rng.uniform(10, 30, n),
        np.minimum(np.maximum(turn + access_ns, strobe + 60), t0 + 3.5 * period - 20),
    )  # fmt: skip
    until = end + np.where(writes, rng.uniform(46, 60, n), rng.uniform(8, 25, n))
    data_words(rng, board, "D", seen.data, valid, until, ~writes, card.floating)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)
    program = acc.op == FETCH
    for line, level in (("FC1", program), ("FC0", ~program)):
        board.line(line, t0 + rng.uniform(10, 50, n), level)
    gated = card.decoder is not None and ("AS", 0) in card.decoder.ties
    select_lines(board, card, seen, strobe if gated else turn, end, gated)
    return board
