"""Proposing a wiring from unnamed channels: ordinary traffic, the file it writes, and captures that tell nothing."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from busledger.decoder.bus import line_needs, load_profile, profile_names, propose_wiring, wanted_lines
from busledger.decoder.capture import Capture, Signal
from busledger.decoder.errors import ProfileError
from busledger.decoder.pipeline import Request, run_probes
from busledger.decoder.wiring import bind, load_wiring, propose
from tests.benchmarks.wiring_share import judge
from tests.wiring.cards import draw_card
from tests.wiring.shared_lines import draw_shared


@pytest.fixture(scope="module")
def card():
    """A 6502 with its program, memory and two dozen channels that say nothing."""
    return draw_card(28)


@pytest.mark.parametrize("seed", [15, 19, 36, 42])
def test_ordinary_traffic_tells_nearly_every_line(seed):
    count = judge(draw_card(seed))
    assert count["right"] >= 0.95 * count["lines"]
    assert count["sure_wrong"] == 0


@pytest.mark.parametrize(
    ("profile", "share"),
    [
        ("8085", 0.8),  # S0, S1 and IO/M are not looked for
        ("8088-min", 0.95),
        ("8051", 0.95),
        ("6801", 0.85),
        ("65c816", 0.8),
        ("68000", 0.65),  # nothing tells the order of high data bits, FC0-FC2 are not looked for
        ("8086-min", 0.65),
        ("tms9900", 0.6),
        ("z8000", 0.65),
    ],
)
def test_buses_that_share_lines_or_are_wide(profile, share):
    count = judge(draw_shared(profile, 1))
    assert count["right"] >= share * count["lines"]
    assert count["sure_wrong"] == 0


def test_the_strobes_of_a_shared_bus_are_found():
    card = draw_shared("8051", 1)
    lines = propose(card.capture, len(card.names), wanted_lines(load_profile("8051")), card.grid).lines()
    for line in ("ALE", "PSEN", "RD", "WR"):
        assert card.names[lines[line]] == line


def test_every_guess_has_its_reason_its_line_and_its_channel(card):
    proposal = propose(card.capture, len(card.names), wanted_lines(load_profile(card.profile)), card.grid)
    assert all(g.reason for g in proposal.guesses)
    assert len({g.channel for g in proposal.guesses}) == len(proposal.guesses)
    assert len({g.line for g in proposal.guesses}) == len(proposal.guesses)


def test_the_bus_is_found_too(card):
    profile, proposal = propose_wiring(card.capture, len(card.names), card.grid)
    assert profile.name == "6502"
    assert proposal.lines()["PHI2"] == card.names.index("PHI2")


def written(card, path):
    """The card's capture as a dump whose channels are called ch0, ch1, …"""
    k = np.arange(len(card.names), dtype=np.uint64)
    bits = (card.capture.levels[:, k // 64] >> k % 64) & np.uint64(1)
    with path.open("w") as out:
        out.write("$timescale 1 ps $end\n")
        out.writelines(f"$var wire 1 c{k} ch{k} $end\n" for k in range(len(card.names)))
        out.write("$enddefinitions $end\n")
        moved = np.vstack([np.ones((1, bits.shape[1]), bool), bits[1:] != bits[:-1]])
        for time, row, changes in zip(card.capture.time, bits, moved, strict=True):
            out.write(f"#{int(time) * card.capture.tick_fs // 1000}\n")
            out.writelines(f"{row[k]}c{k}\n" for k in np.flatnonzero(changes))


def test_probes_names_bus_and_wiring_where_nothing_is_given(card, tmp_path):
    """Of the buses that work like this one any may be named; what its lines do is the same on all of them."""
    written(card, tmp_path / "nameless.vcd")
    found = run_probes(Request(tmp_path / "nameless.vcd"))
    assert found.proposed_profile is not None and found.proposed_wiring is not None
    assert wanted_lines(load_profile(found.proposed_profile)).direction == "RW"
    wiring = tomllib.loads(found.proposed_wiring)["wiring"]
    assert all(card.names[int(wiring[line].removeprefix("ch"))] == line for line in ("RW", "A0", "A1", "A2", "A3"))


def test_a_bus_without_a_behaviour_table_says_so(card):
    with pytest.raises(ProfileError, match="no wiring can be proposed"):
        propose_wiring(card.capture, len(card.names), card.grid, load_profile("dram"))


def test_the_table_it_writes_is_a_wiring(card, tmp_path):
    proposal = propose(card.capture, len(card.names), wanted_lines(load_profile("6502")), card.grid)
    strange = [f'ch "{n}" \\ \x1b' for n in range(len(card.names))]
    path = tmp_path / "wiring.toml"
    path.write_text(proposal.toml(strange), encoding="utf-8")
    table = load_wiring(path)
    assert table == {g.line: strange[g.channel] for g in proposal.guesses if g.confidence >= 0.5}
    wiring = bind([Signal(n) for n in strange], line_needs(load_profile("6502")), table=table)
    assert wiring.lines["PHI2"] == card.names.index("PHI2")


PROPOSED = [name for name in profile_names() if wanted_lines(load_profile(name)) is not None]


@pytest.mark.parametrize("rows", [0, 1, 50])
def test_a_capture_that_tells_nothing_gives_no_guess(rows):
    for level in (0, 1):
        capture = Capture(
            np.arange(rows, dtype=np.int64),
            np.full((rows, 1), level, np.uint64),
            np.zeros((rows, 1), np.uint64),
            1_000_000,
        )
        for name in PROPOSED:
            proposal = propose(capture, 30, wanted_lines(load_profile(name)), None)
            assert proposal.guesses == ()
            assert proposal.undecided == tuple(range(30))


def test_noise_gives_no_sure_guess():
    dice = np.random.default_rng(5)
    rows = 8_000
    levels = dice.integers(0, 1 << 30, (rows, 1)).astype(np.uint64)
    capture = Capture(np.cumsum(dice.integers(1, 200, rows)), levels, np.zeros((rows, 1), np.uint64), 1_000_000)
    for name in ("6502", "z80", "8085", "68000"):
        assert all(g.confidence < 0.9 for g in propose(capture, 30, wanted_lines(load_profile(name)), None).guesses)


def test_the_lines_wanted_come_from_the_profile():
    wanted = wanted_lines(load_profile("z80"))
    assert wanted.address == tuple(f"A{n}" for n in range(16))
    assert (wanted.reads, wanted.writes, wanted.request, wanted.fetch) == (("RD",), ("WR",), "MREQ", "M1")
    assert {"RD", "WR", "MREQ"} <= wanted.active_low
    assert "A0" not in wanted.active_low
    shared = wanted_lines(load_profile("8085"))
    assert (shared.latch, shared.address[7:9], shared.latched[7:9]) == ("ALE", ("AD7", "A8"), (True, False))
    assert wanted_lines(load_profile("tms9900")).address[:2] == ("A14", "A13")
    assert wanted_lines(load_profile("68000")).lowest == 1
