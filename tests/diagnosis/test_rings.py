"""A strobe that rings: no cycle is sure then, and what a few of them show is no fault of the card."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from busledger.decoder.bus import load_profile
from busledger.decoder.diagnosis.rivals.noise import rings_at_all, rings_throughout

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
