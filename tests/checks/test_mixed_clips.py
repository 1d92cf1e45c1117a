"""A data clip on an address line, told by when lines move before the sampling edge (time bins of the whole capture)."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.bus import Layout, load_profile
from busledger.decoder.checks.probes import mixed_clips
from busledger.decoder.checks.probes.mixed_clips import MixedClips
from busledger.decoder.wiring.binding import Wiring

ADDRESS, DATA = 14, 10  # bins in which the one kind and the other moves


@pytest.fixture
def clips():
    profile = load_profile("6502")
    names = [*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8)), "PHI2", "RW"]
    made = MixedClips(profile, Layout(profile, Wiring({name: k for k, name in enumerate(names)})), 20.0)
    for k, is_data in enumerate(made._is_data):
        made._seen[k, ADDRESS] = 5_000
        if is_data:
            made._seen[k, [DATA, ADDRESS - 1]] = 4_000, 2_000
    return made


def at(clips, line):
    return clips._lines.index(line)


def test_the_two_that_move_as_the_other_kind_are_found(clips):
    one, two = at(clips, "A0"), at(clips, "D7")
    clips._seen[[one, two]] = clips._seen[[two, one]]
    assert clips.finish().lines == ("A0", "D7")


def test_an_address_line_that_is_seen_a_sample_later_hides_nothing(clips):
    """A9's channel is late now and then: never so late as the data are."""
    one, two, late = at(clips, "A0"), at(clips, "D7"), at(clips, "A9")
    clips._seen[[one, two]] = clips._seen[[two, one]]
    clips._seen[late, [ADDRESS - 1, ADDRESS]] = 1_600, 3_400
    assert clips.finish().lines == ("A0", "D7")


def test_clips_in_their_places_are_no_finding(clips):
    assert clips.finish() is None
    assert mixed_clips._usual(np.ones((3, 4)) / 4.0).sum() == pytest.approx(1.0)
