"""A data clip on an address line, told by when lines move before the sampling edge (time bins of the whole capture)."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from busledger.decoder.bus import Cycles, Layout, load_profile
from busledger.decoder.capture import Capture
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


def test_the_one_of_the_two_that_is_seen_a_sample_later_is_found_by_the_other(clips):
    """A0 moves as the data do and no other way; what is called D7 moves a sample later than most addresses."""
    one, two = at(clips, "A0"), at(clips, "D7")
    clips._seen[clips._is_data, ADDRESS + 1] = 100
    clips._seen[[one, two]] = clips._seen[[two, one]]
    clips._seen[two] = 0
    clips._seen[two, [ADDRESS, ADDRESS + 1]] = 1_250, 3_750
    clips._seen[at(clips, "A9"), [ADDRESS, ADDRESS + 1]] = 4_400, 600  # so do others, now and then
    assert clips.finish().lines == ("A0", "D7")


def test_clips_in_their_places_are_no_finding(clips):
    assert clips.finish() is None
    assert mixed_clips._usual(np.ones((3, 4)) / 4.0).sum() == pytest.approx(1.0)


def test_channels_that_show_a_change_with_the_edge_before_it_move_after_it():
    """Addresses and what lets go of the data move just after the sampling edge (a Z80's, with the end of /RD); A15 and
    D3 are seen a sample sooner than the rest, in the very sample of the edge."""
    profile = load_profile("z80")
    lines = [*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))]
    layout = Layout(profile, Wiring({name: k for k, name in enumerate([*lines, "MREQ", "RD", "WR"])}))
    made, dice = MixedClips(profile, layout, 40.0), np.random.default_rng(3)
    places, time, levels, word = [layout.bit(line) for line in lines], [], [], 0
    early, late = (1 << 15) | (1 << 19), ((1 << 24) - 1) & ~((1 << 15) | (1 << 19))
    for cycle in range(400):
        data, after = (int(value) for value in dice.integers(0, 1 << 24, 2))
        there = (word & 0x08FFFF) | (data & 0xF70000)  # a chip on D3 that is dead
        for ns, value in ((600, there), (1000, there & late | after & early), (1040, after)):
            time.append(1000 * cycle + ns)
            levels.append([sum((value >> k & 1) << place for k, place in enumerate(places))])
        word = after
    rows = np.array(levels, np.uint64)
    cycles = Cycles.empty().take(np.zeros(0, np.intp))
    cycles = replace(cycles, **{
        field.name: np.zeros(400, getattr(cycles, field.name).dtype) for field in fields(cycles)
    })  # fmt: skip
    cycles.time[:] = 1000 * np.arange(1, 401)
    made.feed(Capture(np.array(time, np.int64), rows, np.zeros_like(rows), 1_000_000), cycles)
    assert made.finish() is None
