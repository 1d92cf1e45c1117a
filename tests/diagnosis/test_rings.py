"""A strobe that rings: no cycle is sure then, and what a few of them show is no fault of the card."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.bus import load_profile
from busledger.decoder.diagnosis.rivals.noise import _log_kept_or_any, rings_at_all, rings_throughout

from .rows_of import study_of

PROFILE = load_profile("6502")


def capture(runts, wrong=0, lanes_wrong=8):
    """A capture of a 6502 whose PHI2 has so many pulses of one sample in 10 000 changes; 10 000 reads."""
    clock = SimpleNamespace(channel="PHI2", line="PHI2", runts=runts, moves=10_000)
    lanes = [SimpleNamespace(compared=10_000, low_for_high=int(k < lanes_wrong), high_for_low=0) for k in range(8)]
    region = SimpleNamespace(reads=10_000, mismatches=wrong, reads_disagree=0, lanes=lanes)
    signs = SimpleNamespace(profile=PROFILE)
    return SimpleNamespace(probes=SimpleNamespace(channels=[clock]), signs=signs, counts=[region])


@pytest.mark.parametrize(("runts", "rings"), [(0, False), (50, False), (300, True), (4_000, True)])
def test_one_pulse_in_a_hundred_is_ringing(runts, rings):
    assert rings_at_all(capture(runts)) is rings


def test_many_wrong_reads_beside_it_refuse_the_capture():
    assert rings_throughout(capture(4_000, wrong=900), SimpleNamespace(profile=PROFILE)).fault == "clip-noisy"
    assert rings_throughout(capture(300, wrong=900), SimpleNamespace(profile=PROFILE)) is None


def test_a_few_do_so_where_they_spare_no_lane():
    signs = SimpleNamespace(profile=PROFILE)
    assert rings_throughout(capture(300, wrong=90, lanes_wrong=8), signs) is not None
    assert rings_throughout(capture(300, wrong=90, lanes_wrong=2), signs) is None
    assert rings_throughout(capture(40, wrong=90, lanes_wrong=8), signs) is None


def test_where_nobody_answers_a_read_gives_what_the_bus_kept():
    """As in cycles that a 6809 has no use for, at FFFF, when a noisy clip shows another address."""
    accesses = [("w", c, 37 * c + 1) for c in range(8)]
    rows = [study_of([*accesses, *reads]).rows() for reads in (
        [("r", c, 0x5A) for c in range(8)], [("r", c, 0x5A ^ 37 * c) for c in range(8)]
    )]  # fmt: skip
    kept, anything = (_log_kept_or_any(one.take(np.flatnonzero(one.wrong)[1:])) for one in rows)
    assert kept > -3.0 and anything == pytest.approx(-7 * 8 * np.log(2.0), abs=3.0)
