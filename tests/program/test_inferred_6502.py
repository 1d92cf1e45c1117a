"""A 6502 without SYNC: its program is inferred, and must be the one that py65 runs on the bytes that the capture shows.

``instructions_of_6502`` gives every instruction of the whole run by py65's own count of cycles: no table of ours.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following import Follower, load_set
from busledger.decoder.program.following.columns import Followed, Instructions
from tests.program.replaying import instructions_of_6502
from tests.program.test_following_cores import follow
from tests.shared_captures import each_shared

CORES = each_shared(lambda c: c.folder.name.startswith("6502"))


def inferred(log, name="6502", blocks=1):
    """(index, address) of every instruction that is given for a log of (kind, address, data)."""
    cycles = Cycles.empty(len(log))
    cycles.kind[:] = [Kind[kind.upper().replace("-", "_")] for kind, _, _ in log]
    cycles.address[:] = [address for _, address, _ in log]
    cycles.data[:] = [data for _, _, data in log]
    cycles.time[:] = np.arange(len(log))
    compared = Compared.empty(len(log))
    follower = Follower(load_set(name), told=False)
    edges = np.linspace(0, len(log), blocks + 1).astype(int).tolist()
    got = [follower.feed(cycles.slice(a, b), compared.slice(a, b)) for a, b in pairwise(edges)]
    got.append(follower.finish())
    found = Instructions.concat([block.instructions for block in got])
    followed = Followed.concat([block.followed for block in got])
    assert len(followed) == len(log)
    return list(zip(found.row.tolist(), found.address.tolist(), strict=True))


@pytest.mark.parametrize("capture", CORES)
def test_every_instruction_of_a_whole_run(capture):
    log, _, followed, found, _ = follow(capture.path, capture.board)
    start = next(n for n, row in enumerate(log) if row[1] == 0xFFFD) + 1
    truth = instructions_of_6502(log, start)
    got = list(zip(found.row.tolist(), found.address.tolist(), strict=True))
    got = got[: sum(at <= truth[-1][0] for at, _ in got)]
    assert len(truth) > 20_000
    assert set(got) <= set(truth)
    # The core reads ahead in PHA and PLA, as the part does not: the thread is lost there, and only there.
    assert len(got) >= (len(truth) - 8 if capture.fault["fault"] is None else 0.955 * len(truth))
    assert followed.inferred[followed.of >= 0].all()


@pytest.mark.parametrize("capture", CORES[:1])
@pytest.mark.parametrize("first", [1001, 20_002, 50_003, 50_004, 50_005])
def test_picked_up_in_the_middle(capture, first):
    """Without reset or vector: from the first stretch that has one reading only."""
    log, *_ = follow(capture.path, capture.board)
    start = next(n for n, row in enumerate(log) if row[1] == 0xFFFD) + 1
    part = slice(first, first + 8000)
    truth = {(at - first, address) for at, address in instructions_of_6502(log[: first + 8200], start) if at >= first}
    got = inferred(log[part], blocks=3)
    assert set(got) <= truth
    wanted = sum(at < 8000 for at, _ in truth)
    assert len(got) >= 0.95 * wanted


@pytest.mark.parametrize("capture", CORES[:1])
def test_a_hole_in_the_run_loses_the_thread_and_no_more(capture):
    """Cycles that are missing in the middle: nothing wrong is said, and the thread is picked up behind them."""
    log, *_ = follow(capture.path, capture.board)
    start = next(n for n, row in enumerate(log) if row[1] == 0xFFFD) + 1
    truth = [(at, a) for at, a in instructions_of_6502(log[:6200], start) if at < 6000]
    cut = 3003
    broken = log[:cut] + log[cut + 11 : 6000]
    right = {(at, a) for at, a in truth if at < cut} | {(at - 11, a) for at, a in truth if at >= cut + 11}
    got = inferred(broken)
    # The instruction into which the hole falls begins where it should; the fit behind it decides.
    assert set(got) <= right
    assert len(got) >= 0.95 * len(right)
