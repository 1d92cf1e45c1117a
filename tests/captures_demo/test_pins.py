"""Levels on pins, and the analyser: read back with vcdvcd, another reader than ours, sampled as the data sheets say.

MCS6500 data sheet (May 1976) and MC6800 data sheet: read and write data count at the fall of phase 2. Zilog Z80 CPU
product specification (March 1978): read data when RD ends, write data when WR ends. Motorola MC6809 data sheet: E
falling. Intel 8085A data sheet: the low address byte as ALE falls, data as RD or WR ends. All from memory.
"""

from __future__ import annotations

import signal
from dataclasses import replace

import numpy as np
import pytest

from busledger.captures_demo.world.analyser import Analyser, record
from busledger.captures_demo.world.bench import capture, spell, standard_clips
from busledger.captures_demo.world.cases import draw_case
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.pins import waveforms
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.random_card import random_machine
from busledger.captures_demo.world.traffic_mix import random_stimulus
from busledger.captures_demo.world.waves import Waves
from tests.checks.driver_cases import BUFFER_CASES, SELECT_CASES, draw_driver_case, write_driver_case


def read_vcd(path):
    """name → (times in ns, levels), by vcdvcd."""
    before = signal.getsignal(signal.SIGPIPE)
    from vcdvcd import VCDVCD

    signal.signal(signal.SIGPIPE, before)
    vcd = VCDVCD(str(path))
    found = {}
    for name in vcd.signals:
        pairs = vcd[name].tv
        found[name.split(".")[-1]] = (np.array([t for t, _ in pairs]), np.array([int(v) for _, v in pairs]))
    return found


def level_at(lines, name, times):
    at, levels = lines[name]
    return levels[np.maximum(np.searchsorted(at, times, side="right") - 1, 0)]


def word_at(lines, prefix, bits, times):
    return sum(level_at(lines, f"{prefix}{bit}", times).astype(np.int64) << bit for bit in range(bits))


def edges(lines, name, to):
    at, levels = lines[name]
    return at[1:][levels[1:] == to]


def drawn(bus, seed=4, cycles=3000):
    rng = np.random.default_rng(seed)
    machine = random_machine(rng, bus=bus, part="2114", cards=1)
    machine = replace(machine, clock_hz=2e6 if bus in ("z80", "8085") else 1e6)
    return play(machine, (), random_stimulus(machine, rng, cycles=cycles), seed)


@pytest.mark.parametrize(("bus", "clock"), [("6502", "PHI2"), ("6800", "PHI2"), ("6809", "E")])
def test_the_clock_s_fall_samples_what_the_cards_carried(bus, clock, tmp_path):
    run = drawn(bus)
    path = tmp_path / "capture.vcd"
    capture(run, path, seed=1, rate_hz=50e6)
    lines = read_vcd(path)
    falls = edges(lines, clock, 0)
    assert len(falls) == len(run)
    # Two samples before the edge: clear of one sample of skew on either channel.
    busy = run.kind != 2
    assert np.array_equal(word_at(lines, "A", 16, falls[busy] - 40), run.address[busy])
    assert np.array_equal(word_at(lines, "D", 8, falls[busy] - 40), run.data[busy])
    assert np.array_equal(level_at(lines, "R/W", falls[busy] - 40) == 0, run.kind[busy] == 1)


def test_8085_strobes_sample_what_the_cards_carried(tmp_path):
    run = drawn("8085")
    path = tmp_path / "capture.vcd"
    capture(run, path, seed=1, rate_hz=50e6)
    lines = read_vcd(path)
    latched = edges(lines, "ALE", 0)
    assert len(latched) == len(run)
    assert np.array_equal(word_at(lines, "AD", 8, latched - 40), run.address & 0xFF)
    for name, mine in (("/RD", run.kind != 1), ("/WR", run.kind == 1)):
        ends = edges(lines, name, 1)
        assert len(ends) == np.count_nonzero(mine)
        assert np.array_equal(word_at(lines, "AD", 8, ends - 40), run.data[mine])
        high = sum(level_at(lines, f"A{n}", ends - 40).astype(np.int64) << n for n in range(8, 16))
        assert np.array_equal(high, run.address[mine] & 0xFF00)


def test_a_multiplexed_bus_left_alone_keeps_the_low_address_byte():
    run = drawn("8085")
    assert np.array_equal(run.kept, run.address & 0xFF)


def test_z80_strobes_sample_what_the_cards_carried(tmp_path):
    run = drawn("z80")
    path = tmp_path / "capture.vcd"
    capture(run, path, seed=1, rate_hz=50e6)
    lines = read_vcd(path)
    for name, kinds in (("/RD", (0, 3)), ("/WR", (1,))):
        ends = edges(lines, name, 1)
        mine = np.isin(run.kind, kinds)
        assert len(ends) == np.count_nonzero(mine)
        assert np.array_equal(word_at(lines, "A", 16, ends - 40), run.address[mine])
        assert np.array_equal(word_at(lines, "D", 8, ends - 40), run.data[mine])
    # Every opcode is followed by one refresh, without a read strobe (Z80: RFSH with MREQ, RD high).
    refreshes = edges(lines, "/RFSH", 0)
    assert len(refreshes) == np.count_nonzero(run.kind == 3)
    strobed = edges(lines, "/MREQ", 0)
    assert len(strobed) == np.count_nonzero(run.kind != 2) + len(refreshes)


@pytest.mark.parametrize("bus", ["6502", "z80"])
def test_the_selects_follow_the_decoder(bus, tmp_path):
    run = drawn(bus)
    path = tmp_path / "capture.vcd"
    capture(run, path, seed=1, rate_hz=50e6)
    lines = read_vcd(path)
    busy = run.kind != 2
    for index, region in enumerate(run.machine.regions):
        if region.select:
            seen = level_at(lines, region.select, run.time_ns[busy] - 40)
            assert np.array_equal(seen == 0, run.selects[busy, index] == 1)


def test_the_same_seed_writes_the_same_bytes(tmp_path):
    run = drawn("6502", cycles=800)
    for name in ("one", "two"):
        capture(run, tmp_path / name, seed=7)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    capture(run, tmp_path / "three", seed=8)
    assert (tmp_path / "one").read_bytes() != (tmp_path / "three").read_bytes()


def square(period=1000, count=200):
    waves = Waves()
    waves.put("X", np.array([0]), 0)
    waves.pulse("X", np.arange(count) * period + 500, np.arange(count) * period + 900, 1)
    return waves, count * period + 2000


def test_a_channel_is_late_by_at_most_one_sample_and_one_of_skew():
    waves, end = square()
    times, levels = waves.line("X")
    for seed in range(20):
        kept = record(waves, ["X"], Analyser(24e6, jitter_ns=0.0), seed, end)
        assert kept.level.tolist() == levels.tolist()
        late = kept.sample[1:] * 1e9 / 24e6 - times[1:]
        # The sample clock's own phase shifts all of them alike.
        assert late.max() - late.min() <= 1e9 / 24e6
        assert late.min() >= -1e9 / 24e6
        assert late.max() <= 2e9 / 24e6


def test_a_pulse_shorter_than_a_sample_may_be_missed():
    waves = Waves()
    waves.put("X", np.array([0]), 0)
    waves.pulse("X", np.arange(1, 400) * 1013, np.arange(1, 400) * 1013 + 20, 1)
    kept = record(waves, ["X"], Analyser(24e6, jitter_ns=0.0), 3, 500_000)
    pulses = np.count_nonzero(kept.level == 1)
    assert 100 < pulses < 299  # about 20 of every 41.7 ns are seen


def test_glitches_are_one_sample_long():
    waves, end = square(period=10_000, count=100)
    clean = record(waves, ["X"], Analyser(24e6), 2, end)
    noisy = record(waves, ["X"], Analyser(24e6, glitches=1e-3), 2, end)
    extra = np.setdiff1d(noisy.sample, clean.sample)
    assert len(extra) > 20 and np.isin(clean.sample, noisy.sample).all()
    assert (extra[1::2] - extra[::2] == 1).all()


def test_a_drop_out_keeps_nothing_and_ends_with_the_levels_of_then():
    waves, end = square(count=500)
    kept = record(waves, ["X"], Analyser(24e6, dropouts=((1e-4, 2e-4),)), 2, end)
    full = record(waves, ["X"], Analyser(24e6), 2, end)
    inside = (kept.sample > round(1e-4 * 24e6)) & (kept.sample < round(2e-4 * 24e6))
    assert not inside.any()
    after = kept.sample > round(2e-4 * 24e6)
    later = full.sample > round(2e-4 * 24e6)
    assert np.array_equal(kept.sample[after], full.sample[later])


def test_a_change_right_after_a_drop_out_is_not_undone():
    waves = Waves()
    waves.put("X", np.array([0, 60_000, 100_000]), np.array([0, 1, 0], np.uint8))
    full = record(waves, ["X"], Analyser(24e6, jitter_ns=0.0), 2, 200_000)
    start, end = full.sample[1] - 5, full.sample[2]
    gap = ((start / 24e6, end / 24e6),)
    kept = record(waves, ["X"], Analyser(24e6, jitter_ns=0.0, dropouts=gap), 2, 200_000)
    assert kept.sample.tolist() == [full.sample[0], end, end] and kept.level.tolist() == [0, 1, 0]


def test_only_the_clipped_lines_are_there(tmp_path):
    run = drawn("z80", cycles=300)
    capture(run, tmp_path / "c.vcd", seed=1, clips=["RD", "D0", "A3"])
    assert set(read_vcd(tmp_path / "c.vcd")) == {"/RD", "D0", "A3"}


@pytest.mark.parametrize(
    ("style", "expected"),
    [
        ("slash", ["/RD", "A3", "D7", "R/W"]),
        ("suffix", ["RD_n", "addr[3]", "data[7]", "RW"]),
        ("prefix", ["nRD", "a3", "d7", "r/w"]),
        ("sharp", ["RD#", "A[3]", "D[7]", "R/W#"]),
    ],
)
def test_spellings(style, expected):
    assert [spell(line, style) for line in ("RD", "A3", "D7", "RW")] == expected


def test_card_side_data_show_a_lane_that_is_stuck_on_the_way(tmp_path):
    case = draw_driver_case("lane-stuck", 3, cycles=2000)
    path, _ = write_driver_case(case, tmp_path)
    lines = read_vcd(path)
    lane = int(case.where[1:])
    reads = np.flatnonzero((case.run.kind == 0) & (case.run.wrong != 0))
    assert reads.size
    near = level_at(lines, f"D{lane}", case.run.time_ns[reads] - 40)
    assert np.array_equal(near, case.run.data[reads] >> lane & 1)


@pytest.mark.parametrize("name", dict.fromkeys((*SELECT_CASES, *BUFFER_CASES)))
def test_every_driver_case_can_be_written(name, tmp_path):
    case = draw_driver_case(name, 1, cycles=600)
    path, board = write_driver_case(case, tmp_path)
    assert path.stat().st_size > 10_000 and "far_side" in board.read_text()
    assert (case.component == "") == (name == "healthy")


def test_a_glitching_select_pulses_inside_cycles():
    case = draw_driver_case("glitching", 2, cycles=1500)
    rng = np.random.default_rng(0)
    select = case.machine.regions[case.machine.region(case.where)].select
    calm = waveforms(case.run, rng).line(select)[0]
    wild = waveforms(case.run, rng, troubles=case.troubles).line(select)[0]
    assert len(wild) > len(calm) + 20


def test_late_turn_round_puts_both_drivers_on_the_bus():
    case = draw_driver_case("turn-round-overlap", 2, cycles=1500)
    clean = waveforms(case.run, np.random.default_rng(0))
    fight = waveforms(case.run, np.random.default_rng(0), troubles=case.troubles)
    edges_more = sum(len(fight.line(f"D{n}")[0]) - len(clean.line(f"D{n}")[0]) for n in range(8))
    assert edges_more > 20
    assert case.run.mismatches == 0  # settled by the time that counts


def test_slow_parts_drive_late():
    run = draw_case(3, "intermittent", kind=("slow", "region"), cycles=2500).run
    assert isinstance(run.faults[0], Fault)
    waves = waveforms(run, np.random.default_rng(0))
    index = run.machine.region(run.faults[0].region)
    reads = np.flatnonzero((run.selects[:, index] == 1) & (run.kind == 0))
    changes = np.concatenate([waves.line(f"D{n}")[0] for n in range(8)])
    changes.sort()
    last = changes[np.searchsorted(changes, run.time_ns[reads]) - 1]
    assert np.median(run.time_ns[reads] - last) < 180


def test_standard_clips_name_every_line_once():
    machine = random_machine(np.random.default_rng(9), bus="z80", cards=3)
    clips = standard_clips(machine, far_side=True)
    assert len(clips) == len(set(clips))
