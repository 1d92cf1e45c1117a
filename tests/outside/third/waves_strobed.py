"""Waves of Z80, 8085 and 8080: cycles of three to six clocks with strobes.

Z80: product specification of March 1978 (A.C. characteristics) and the timing figures of the CPU manual; 8085A and
8080A: Intel's data sheets, the figures of the project's table of published facts.
"""

from __future__ import annotations

import numpy as np

from tests.outside.third.accesses import FETCH, IOR, IOW, READ, WRITE, Accesses, Bools, Ints
from tests.outside.third.card import Card, Rng
from tests.outside.third.machine import Seen
from tests.outside.third.waves import Board, Floats, data_words, select_lines


def _starts(acc: Accesses, period: float) -> Floats:
    return np.concatenate([[0.0], np.cumsum(acc.states)[:-1]]) * period


def _data(
    rng: Rng, board: Board, card: Card, seen: Seen, valid: Floats, until: Floats, writes: Bools, prefix: str = "D"
) -> None:
    data_words(rng, board, prefix, seen.data, valid, until, ~writes, card.floating)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)


def z80(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """M1 cycles with their refresh, memory reads and writes, I/O with its wait state."""
    n = len(acc)
    board = Board(rng, 6.0)
    t0 = _starts(acc, period)
    fast = 0.8 if period < 400 else 1.0  # a Z80A is quicker throughout

    def late(low: float, high: float) -> Floats:
        return np.asarray(rng.uniform(low, high, n) * fast, dtype=np.float64)

    fetch, read, write = acc.op == FETCH, acc.op == READ, acc.op == WRITE
    ior, iow = acc.op == IOR, acc.op == IOW
    turn = t0 + late(60, 130)
    refresh = (np.cumsum(fetch) - 1) & 0x7F
    fresh = t0[fetch] + 2 * period + rng.uniform(60, 130, int(fetch.sum())) * fast
    board.word("A", range(16), np.concatenate([turn, fresh]), np.concatenate([acc.address, refresh[fetch]]))
    stop = np.where(fetch, 2 * period, np.where(ior | iow, 3.5 * period, 2.5 * period)) + t0
    begin = t0 + period * np.where(ior | iow, 1.0, 0.5)
    memory = fetch | read | write
    down, up = begin + late(40, 80), stop + late(40, 85)
    # the refresh pulse follows half a clock after the fetch's own
    again, over = t0 + 2.5 * period + late(40, 80), t0 + 3.5 * period + late(40, 80)
    board.pulses(
        "MREQ", *_woven(down[memory], up[memory], again[fetch], over[fetch]), active=0,
    )  # fmt: skip
    board.pulses("IORQ", down[ior | iow], up[ior | iow], 0)
    reads = fetch | read | ior
    board.pulses("RD", (begin + late(40, 95))[reads], (stop + late(35, 85))[reads], 0)
    wr = t0 + period * np.where(iow, 1.0, 1.5) + late(30, 75)
    out = write | iow
    wr_up = stop + late(35, 80)
    board.pulses("WR", wr[out], wr_up[out], 0)
    board.pulses("M1", (t0 + late(50, 100))[fetch], (t0 + 2 * period + late(50, 100))[fetch], 0)
    board.pulses("RFSH", (t0 + 2 * period + late(60, 130))[fetch], (t0 + 4 * period + late(60, 100))[fetch], 0)
    clocks: Floats = (np.arange(int(acc.states.sum()) + 2) * period).astype(np.float64)
    board.pulses("CLK", clocks, clocks + period * 0.5)
    enough = stop - np.where(fetch, 55, 65) * fast
    answer = np.minimum(np.maximum(turn + access_ns, begin + 130), enough)
    valid = np.where(out, t0 + period * 0.5 + late(90, 200), answer)
    until = np.where(out, t0 + acc.states * period + late(15, 50), stop + 85 + late(8, 30))
    _data(rng, board, card, seen, valid, until, out)
    gated = card.decoder is not None and ("MREQ", 0) in card.decoder.ties
    select_lines(board, card, seen, down if gated else turn + 5, up, gated)
    return board


def _woven(a: Floats, b: Floats, c: Floats, d: Floats) -> tuple[Floats, Floats]:
    begins: Floats = np.concatenate([a, c])
    ends: Floats = np.concatenate([b, d])
    order = np.argsort(begins)
    return begins[order], ends[order]


def i8085(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """ALE, then RD or WR; AD0-AD7 carry the low address first, the data later."""
    n = len(acc)
    board = Board(rng, 6.0)
    t0 = _starts(acc, period)
    io = (acc.op == IOR) | (acc.op == IOW)
    writes = (acc.op == WRITE) | (acc.op == IOW)
    fetch = acc.op == FETCH
    scale = period / 320.0
    ale = t0 + 15 + rng.uniform(0, 10, n)
    fall = ale + 165 * scale + rng.uniform(0, 8, n)
    board.pulses("ALE", ale, fall)
    turn = t0 + rng.uniform(10, 50, n) * scale
    board.word("A", range(8, 16), turn, acc.address)
    for name, level in (("IOM", io), ("S1", ~writes), ("S0", fetch | writes)):
        board.line(name, t0 + 20 + rng.uniform(0, 6, n), level)
    begin = fall + (134 + rng.uniform(0, 12, n)) * scale
    end = begin + (435 + rng.uniform(0, 25, n)) * scale
    board.pulses("RD", begin[~writes], end[~writes], 0)
    board.pulses("WR", begin[writes], end[writes], 0)
    valid = np.where(writes, begin + rng.uniform(-15, 30, n) * scale, np.maximum(begin + 90, turn + access_ns))
    valid = np.minimum(valid, np.where(writes, valid, end - 110 * scale))
    until = end + np.where(writes, 105 + rng.uniform(0, 20, n), 8 + rng.uniform(0, 25, n)) * scale
    low = turn + rng.uniform(0, 20, n)
    gone = fall + (102 + rng.uniform(0, 15, n)) * scale
    noise = (acc.address & 0xFF) | rng.integers(0, 256, n)  # let go: some lines drift up before the data come
    drift = ~writes if card.floating == "high" else np.zeros(n, bool)
    after = seen.data | (rng.integers(0, 256, n) if card.floating == "high" else 0)
    times = np.concatenate([low, gone[drift], valid, until])
    values = np.concatenate([acc.address & 0xFF, noise[drift], seen.data, after])
    board.word("AD", range(8), times, values)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)
    select_lines(board, card, seen, fall + 10, end, False)
    return board


def i8080(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """The status byte while SYNC is high; DBIN for reads, WR for writes (User's Manual, basic cycle)."""
    n = len(acc)
    board = Board(rng, 6.0)
    t0 = _starts(acc, period)
    io_read, io_write = acc.op == IOR, acc.op == IOW
    writes = (acc.op == WRITE) | io_write
    status = np.select([acc.op == FETCH, acc.op == READ, acc.op == WRITE, io_read], [0xA2, 0x82, 0x00, 0x42], 0x10)
    phase2 = t0 + 0.4 * period
    turn = phase2 + rng.uniform(80, 190, n)
    board.word("A", range(16), turn, acc.address)
    sync = phase2 + rng.uniform(40, 110, n)
    over = phase2 + period + rng.uniform(40, 110, n)
    board.pulses("SYNC", sync, over)
    begin = phase2 + period + rng.uniform(40, 130, n)
    end = phase2 + 2 * period + rng.uniform(40, 130, n)
    reads = ~writes
    board.pulses("DBIN", begin[reads], end[reads])
    wr, wr_up = t0 + 2 * period + rng.uniform(40, 110, n), t0 + 3 * period + rng.uniform(20, 90, n)
    board.pulses("WR", wr[writes], wr_up[writes], 0)
    told = phase2 + rng.uniform(100, 200, n)
    valid = np.where(
        writes, over + rng.uniform(40, 110, n), np.clip(turn + access_ns, begin + 60, phase2 + 2 * period - 155)
    )
    until = np.where(writes, wr_up + rng.uniform(60, 110, n), end + rng.uniform(8, 30, n))
    let_go = np.minimum(over + rng.uniform(10, 25, n), valid - 20)
    noise = status | rng.integers(0, 256, n)
    drift = reads & (card.floating == "high")
    after = seen.data | (rng.integers(0, 256, n) if card.floating == "high" else 0)
    times = np.concatenate([told, let_go[drift], valid, until])
    values: Ints = np.concatenate([status, noise[drift], seen.data, after])
    board.word("D", range(8), times, values)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)
    select_lines(board, card, seen, turn + 10, end, False)
    return board
