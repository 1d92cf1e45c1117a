"""Proposing a wiring from unnamed channels: ordinary traffic, the file it writes, and captures that tell nothing."""

from __future__ import annotations

import random

import numpy as np
import pytest

from decoder.bus import line_needs, load_profile, profile_names, propose_wiring, wanted_lines
from decoder.capture import Capture, Signal
from decoder.errors import ProfileError
from decoder.wiring import bind, load_wiring, propose
from tests.wiring.programs import wave_6502

SAMPLE = 1000 / 24


def shuffled(seed):
    """(names in a random order, capture of a random 6502 program, sampled at 24 MHz with skew)."""
    wave = wave_6502(seed)
    names = wave.lines
    random.Random(seed).shuffle(names)
    return names, Capture(*wave.columns(names, SAMPLE, seed), 1_000_000)


@pytest.fixture(scope="module")
def traffic():
    return [shuffled(seed) for seed in (3, 4)]


def test_ordinary_traffic_tells_nearly_every_line(traffic):
    right = lines = 0
    for names, capture in traffic:
        proposal = propose(capture, len(names), wanted_lines(load_profile("6502")), SAMPLE)
        right += sum(names[g.channel] == g.line for g in proposal.guesses)
        lines += len(names)
        assert all(names[g.channel] == g.line for g in proposal.guesses if g.confidence >= 0.9)
        assert all(g.reason for g in proposal.guesses)
        assert len({g.channel for g in proposal.guesses}) == len(proposal.guesses)
        assert len({g.line for g in proposal.guesses}) == len(proposal.guesses)
        assert proposal.missing == ()
    assert right >= 0.95 * lines


def test_the_bus_is_found_too(traffic):
    names, capture = traffic[0]
    profile, proposal = propose_wiring(capture, len(names), SAMPLE)
    assert profile.name == "6502"
    assert proposal.lines()["PHI2"] == names.index("PHI2")
    with pytest.raises(ProfileError, match="no wiring can be proposed"):
        propose_wiring(capture, len(names), SAMPLE, load_profile("8085"))


def test_the_table_it_writes_is_a_wiring(traffic, tmp_path):
    names, capture = traffic[0]
    proposal = propose(capture, len(names), wanted_lines(load_profile("6502")), SAMPLE)
    strange = [f'ch "{n}" \\ \x1b' for n in range(len(names))]
    path = tmp_path / "wiring.toml"
    path.write_text(proposal.toml(strange), encoding="utf-8")
    table = load_wiring(path)
    assert table == {g.line: strange[g.channel] for g in proposal.guesses if g.confidence >= 0.5}
    wiring = bind([Signal(n) for n in strange], line_needs(load_profile("6502")), table=table)
    assert wiring.lines["PHI2"] == names.index("PHI2")


@pytest.mark.parametrize("rows", [0, 1, 50])
def test_a_capture_that_tells_nothing_gives_no_guess(rows):
    for level in (0, 1):
        capture = Capture(
            np.arange(rows, dtype=np.int64),
            np.full((rows, 1), level, np.uint64),
            np.zeros((rows, 1), np.uint64),
            1_000_000,
        )
        for name in ("6502", "z80"):
            proposal = propose(capture, 30, wanted_lines(load_profile(name)), None)
            assert proposal.guesses == ()
            assert proposal.undecided == tuple(range(30))


def test_noise_gives_no_sure_guess():
    dice = np.random.default_rng(5)
    rows = 20_000
    levels = dice.integers(0, 1 << 30, (rows, 1)).astype(np.uint64)
    capture = Capture(np.cumsum(dice.integers(1, 200, rows)), levels, np.zeros((rows, 1), np.uint64), 1_000_000)
    for name in ("6502", "z80"):
        assert all(g.confidence < 0.9 for g in propose(capture, 30, wanted_lines(load_profile(name)), None).guesses)


def test_the_lines_wanted_come_from_the_profile():
    wanted = wanted_lines(load_profile("z80"))
    assert wanted.address == tuple(f"A{n}" for n in range(16))
    assert (wanted.read, wanted.write, wanted.request, wanted.fetch) == ("RD", "WR", "MREQ", "M1")
    assert {"RD", "WR", "MREQ"} <= wanted.active_low
    assert "A0" not in wanted.active_low
    known = [name for name in profile_names() if wanted_lines(load_profile(name)) is not None]
    assert {"6502", "6800", "z80", "isa8"} <= set(known)
