"""Quick looks at the log tell what the story of every cell tells, by plain loops over the accesses."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.news import nothing_wrong, odd_selects, reads_that_differ
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.ledger import AccessLog
from tests.diagnosis.small_cards import log_of, two_banks

ACCESSES = st.lists(st.tuples(st.sampled_from("rrw"), st.integers(0, 31), st.integers(0, 3)), max_size=60)


def _evidence(log: AccessLog) -> Evidence:
    return Evidence(two_banks(), ProfileFacts(16, 8), (), log, 1e-9, all_agree=log.all_agree)


def _logged(accesses, cuts) -> AccessLog:
    """The same log in several blocks."""
    cycles, compared = log_of(two_banks(), accesses).whole()
    log = AccessLog()
    edges = sorted({0, len(cycles), *(cut % (len(cycles) + 1) for cut in cuts)})
    for start, stop in itertools.pairwise(edges):
        log.append(cycles.slice(start, stop), compared.slice(start, stop))
    return log


@settings(deadline=None)
@given(ACCESSES, st.lists(st.integers(0, 60), max_size=4), st.integers(0, 60), st.integers(0, 60))
def test_reads_that_differ_from_the_read_before(accesses, cuts, one, two) -> None:
    log = _logged(accesses, cuts)
    first, last = sorted((one, two))
    span = (first * 1000, last * 1000)  # access i is at tick (i + 1) * 1000
    count, held = 0, {}
    for i, (kind, address, data) in enumerate(accesses):
        before = held.get(address)
        if kind == "r" and first < i + 1 < last and before is not None:
            count += before[0] == "r" and before[1] != data
        held[address] = kind, data
    assert reads_that_differ(Story(Study(_evidence(log))), span) == count


@settings(deadline=None)
@given(ACCESSES)
def test_where_nothing_is_said_to_be_wrong_no_read_is(accesses) -> None:
    log = log_of(two_banks(), accesses)
    story = Story(Study(_evidence(log)))
    assert nothing_wrong(story) == log.all_agree
    assert not (nothing_wrong(story) and story.rows.wrong.any())


@settings(deadline=None)
@given(ACCESSES, st.data())
def test_selects_at_odds_with_the_region(accesses, data) -> None:
    log = log_of(two_banks(), accesses)
    bits = st.lists(st.integers(0, 3), min_size=len(log), max_size=len(log))
    selected, seen, wanted = data.draw(bits), data.draw(bits), np.zeros((64, 2), np.int64)
    for cycles, compared in log.blocks():
        compared.selected[:], compared.selects_seen[:] = selected, seen
        for region, active, known in zip(cycles.region, selected, seen, strict=True):
            for r in range(2):
                if known >> r & 1:
                    wanted[r, 0] += region == r and not active >> r & 1
                    wanted[r, 1] += region != r and active >> r & 1
    assert (odd_selects(Story(Study(_evidence(log)))) == wanted).all()
