"""What cells hold that a fault leads to one of them: the kernel equals a walk through every story that there is."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay import led_kernel, memory_kernel
from busledger.decoder.diagnosis.replay.arrays import LedFault, LedGroups, LedRows, LedWork

from ..reference.led_twin import Access, stories

LANES, LEAST, FLOOR = 3, 1e-3, 1e-3
access = st.builds(
    Access, st.integers(0, 2), st.booleans(), st.integers(0, 3), st.integers(0, 3), st.sampled_from([0, 3, 3])
)


LOST = {"": led_kernel.THERE, "all": led_kernel.NOWHERE, "writes": led_kernel.NOT_WRITTEN}


def by_kernel(accesses, held, rate, lost=""):
    """(log likelihood, explained) as the kernel has it."""
    n = len(accesses)
    member, write, data, due, asked = (
        np.array([getattr(a, name) for a in accesses]).astype(kind)
        for name, kind in (("member", np.int32), ("write", np.bool_), ("data", np.uint32), ("due", np.uint32),
                           ("asked", np.uint32))
    )  # fmt: skip
    lanes = np.full(n, LANES, np.uint32)
    nothing = np.zeros(n, np.uint32)
    wrong = np.where(write, np.uint32(0), (data ^ due) & asked)
    rows = LedRows(member, write, data, lanes, lanes, nothing, due, asked, wrong, np.zeros(n, np.uint16), nothing)
    order = np.argsort(member, kind="stable")
    first = np.searchsorted(member[order], np.arange(4)).astype(np.int64)
    held, takes = np.array(held, np.uint32), np.ones(3, np.uint8)
    where = np.array([LOST[lost]], np.uint8)
    groups = LedGroups(np.array([0, 3]), held, np.arange(3), takes, where, np.zeros(1, np.int64))
    many, members, scales = 2 * led_kernel.STORIES, led_kernel.MEMBERS, led_kernel.SCALES
    work = LedWork(
        np.zeros((many, members), np.uint32), np.zeros((many, members), np.uint32), np.zeros((many, scales)),
        np.zeros(many), np.zeros(many), np.zeros(scales), np.zeros(scales), np.zeros(scales),
        np.zeros((members, 2), np.int64), np.zeros(members, np.uint8),
    )  # fmt: skip
    logs, explained, unknown = np.zeros((1, scales)), np.zeros(n, np.uint8), np.zeros(n, np.uint32)
    fault = LedFault(np.uint32(LANES), memory_kernel.KEEPS, LEAST, FLOOR)
    rates = np.full((1, scales), rate)
    led_kernel.led(rows, order, first, groups, fault, rates, work, logs, explained, unknown)
    return logs[0], (explained != 0).tolist()


@settings(max_examples=200, deadline=None)
@given(st.lists(access, max_size=14), st.sampled_from([0.02, 0.3, 0.8]), st.sampled_from([0, 3]))
def test_the_stories_of_cells_equal_a_walk_through_all_of_them(accesses, rate, known):
    held = [(m & known, known) for m in range(3)]
    logs, explained = by_kernel(accesses, held, rate)
    log, expected = stories(accesses, tuple(held), LANES, rate, LEAST, FLOOR)
    assert np.allclose(logs, log, rtol=1e-6, atol=1e-6)
    assert explained == expected


@settings(max_examples=200, deadline=None)
@given(
    st.lists(access.filter(lambda a: a.member > 0), max_size=14), st.sampled_from([0.02, 0.3, 0.8]),
    st.sampled_from([0, 3]), st.sampled_from(["all", "writes"]),
)  # fmt: skip
def test_so_do_those_of_cells_whose_accesses_nobody_takes(accesses, rate, known, lost):
    held = [(m & known, known) for m in range(3)]
    logs, explained = by_kernel(accesses, held, rate, lost)
    log, expected = stories(accesses, tuple(held), LANES, rate, LEAST, FLOOR, lost)
    assert np.allclose(logs, log, rtol=1e-6, atol=1e-6)
    assert explained == expected


def test_nothing_accessed_tells_nothing():
    logs, explained = by_kernel([], [(0, 0)] * 3, 0.1)
    assert not logs.any() and explained == []
