"""Writes and reads of which the clips do not tell the cell, as the replays take them."""

from __future__ import annotations

import numpy as np

from busledger.decoder.bus.columns import WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.replay.in_doubt import spread
from busledger.decoder.ledger import Compared

INSIDE = np.array([0x3FF, 0], np.uint32)  # one region of 1 KB, and the rows of none


def accesses(*each: tuple[Kind, int, int, int]) -> tuple[Cycles, Compared]:
    """(kind, address, its bits in doubt, data) in the region."""
    cycles, compared = Cycles.empty(len(each)), Compared.empty(len(each))
    for i, (kind, address, doubt, data) in enumerate(each):
        cycles.kind[i], cycles.time[i], cycles.width[i], cycles.region[i] = kind, 10 * i, 1, 0
        cycles.address[i], cycles.address_unknown[i], cycles.data[i] = address, doubt, data
    return cycles, compared


def told(cycles: Cycles, compared: Compared) -> list[tuple[int, int, bool]]:
    """(number of the cycle, address, whether it teaches nothing of its cell) as they come out."""
    cycles, compared, in_doubt = spread(cycles, compared, np.isin(cycles.kind, WRITE_KINDS), INSIDE)
    assert not cycles.data_unknown.any(), "what the bus carried is known"
    return list(zip(compared.index.tolist(), cycles.address.tolist(), in_doubt.tolist(), strict=True))


def test_a_write_in_doubt_may_have_gone_to_any_of_its_cells():
    """A4 and A9 are not known: four cells hold from then on what nobody knows."""
    block = accesses((Kind.WRITE, 0x021, 0, 0x55), (Kind.WRITE, 0x021, 0x210, 0xAA), (Kind.READ, 0x021, 0, 0x55))
    assert told(*block) == [
        (0, 0x021, False), (1, 0x021, True), (1, 0x031, True), (1, 0x221, True), (1, 0x231, True), (2, 0x021, False)
    ]  # fmt: skip


def test_a_read_in_doubt_teaches_nothing_unless_the_ledger_compared_it():
    cycles, compared = accesses((Kind.READ, 0x021, 0x010, 0x55), (Kind.READ, 0x041, 0x010, 0x55))
    compared.known[1] = 0xFF  # both cells that it may have come from hold the same
    assert told(cycles, compared) == [(0, 0x021, True), (1, 0x041, False)]


def test_doubt_that_tells_no_cells_of_the_region_apart_changes_nothing():
    """A12 lies outside the region's own lines: which region it was has been settled before."""
    block = accesses((Kind.WRITE, 0x021, 0x1000, 0x55), (Kind.READ, 0x021, 0x1000, 0x55))
    assert told(*block) == [(0, 0x021, False), (1, 0x021, False)]


def test_of_many_lines_nothing_is_made():
    assert told(*accesses((Kind.WRITE, 0x000, 0x01F, 0x55))) == [(0, 0x000, False)]
