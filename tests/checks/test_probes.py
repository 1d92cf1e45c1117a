"""Channel health on captures with one thing wrong with the clips."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.captures_demo.world.analyser import Analyser, record, write_vcd
from busledger.captures_demo.world.bench import spell, standard_clips
from busledger.captures_demo.world.pins import waveforms
from busledger.decoder.capture import Capture
from busledger.decoder.checks import ProbesCheck, ProbesResult
from busledger.decoder.checks.probes.clip_findings import Seen, clip_findings
from busledger.decoder.pipeline import Request, run_probes
from busledger.decoder.pipeline.probing import probe_channels
from busledger.decoder.progress import silent
from tests.checks.driver_cases import draw_driver_case


@pytest.fixture(scope="module")
def recording():
    case = draw_driver_case("healthy", 46)
    waves = waveforms(case.run, np.random.default_rng(46))
    clips = standard_clips(case.machine)
    return case, waves, clips


def looked(folder, case, waves, clips, *, profile=True, change=None, alone=False, **analyser) -> ProbesResult:
    """What ``probes`` says; ``alone``: of the channels by themselves, without the word of the main job."""
    made = record(waves, clips, Analyser(**{"rate_hz": 24e6, **analyser}), 46, int(case.run.time_ns[-1]))
    if change is not None:
        change(made)
    path = folder / "run.vcd"
    write_vcd(made, path, {line: spell(line, "slash") for line in clips})
    request = Request(str(path), profile=case.machine.bus if profile else None)
    return probe_channels(request, silent) if alone else run_probes(request)


def doubts(result) -> set[str]:
    return {f.code for f in result.findings if f.weight == "doubt"}


def channel_of(made, name):
    return made.names.index(name)


def test_sound_clips_give_no_doubt_and_the_clock(recording, tmp_path):
    case, waves, clips = recording
    result = looked(tmp_path, case, waves, clips)
    assert doubts(result) == set()
    assert not result.warnings
    assert result.clock is not None
    assert result.clock.period_ns == pytest.approx(1e9 / case.machine.clock_hz, rel=0.01)
    assert result.sample_ns == pytest.approx(1e9 / 24e6, rel=0.01)
    assert result.clock.dropouts == 0


def test_the_clock_is_found_without_a_bus(recording, tmp_path):
    case, waves, clips = recording
    result = looked(tmp_path, case, waves, clips, profile=False)
    assert result.clock is not None
    assert result.clock.period_ns == pytest.approx(1e9 / case.machine.clock_hz, rel=0.01)


def test_slow_sampling_is_said_with_the_rate_that_would_do(recording, tmp_path):
    case, waves, clips = recording
    result = looked(tmp_path, case, waves, clips, rate_hz=4 * case.machine.clock_hz)
    assert "slow-sampling" in doubts(result)
    assert result.rate_enough is False


def test_dropouts_are_counted_and_placed(recording, tmp_path):
    case, waves, clips = recording
    result = looked(tmp_path, case, waves, clips, dropouts=((0.002, 0.0025),))
    assert "dropout" in doubts(result)
    assert result.clock.dropouts == 1
    assert result.clock.first_dropout_s == pytest.approx(0.002, abs=2e-5)
    assert result.clock.longest_dropout_s == pytest.approx(0.0005, abs=2e-5)


def test_shorted_clips_move_together(recording, tmp_path):
    case, waves, clips = recording

    def short(made):
        # D1's clip touches D0's: both show D0.
        one, other = channel_of(made, "D0"), channel_of(made, "D1")
        kept = made.channel != other
        copies = made.channel == one
        made.sample, made.level = (np.concatenate([a[kept], a[copies]]) for a in (made.sample, made.level))
        made.channel = np.concatenate([made.channel[kept], np.full(int(copies.sum()), other, np.int32)])
        order = np.argsort(made.sample, kind="stable")
        made.sample, made.channel, made.level = made.sample[order], made.channel[order], made.level[order]

    result = looked(tmp_path, case, waves, clips, change=short)
    (finding,) = [f for f in result.findings if f.code == "moves-together" and "D0" in f.lines]
    assert set(finding.lines) == {"D0", "D1"}
    assert finding.weight == "doubt"


def test_a_still_clock_clip_is_a_doubt(recording, tmp_path):
    case, waves, clips = recording
    clock = "CLK" if case.machine.bus == "z80" else "PHI2"

    def dead(made):
        kept = (made.channel != channel_of(made, clock)) | (made.sample == 0)
        made.sample, made.channel, made.level = made.sample[kept], made.channel[kept], made.level[kept]

    result = looked(tmp_path, case, waves, clips, change=dead)
    (health,) = [c for c in result.channels if c.channel == clock]
    assert health.verdict.startswith("never moved")
    assert ("never-moved" in doubts(result)) == (case.machine.bus != "z80")


def test_a_loose_ground_glitches_everywhere_at_once(recording, tmp_path):
    case, waves, clips = recording

    def glitch(made):
        rng = np.random.default_rng(1)
        spots = rng.choice(np.arange(1000, made.samples - 1000), 40, replace=False)
        times, channels, levels = [], [], []
        for spot in spots:
            for channel in range(len(made.names)):
                mine = made.channel == channel
                place = int(np.searchsorted(made.sample[mine], spot, side="right")) - 1
                if place < 0:
                    continue
                held = int(made.level[mine][place])
                near = made.sample[mine][max(place, 0) : place + 2]
                if np.abs(near - spot).min() > 3:
                    times += [spot, spot + 1]
                    channels += [channel, channel]
                    levels += [1 - held, held]
        made.sample = np.concatenate([made.sample, np.array(times, made.sample.dtype)])
        made.channel = np.concatenate([made.channel, np.array(channels, made.channel.dtype)])
        made.level = np.concatenate([made.level, np.array(levels, made.level.dtype)])
        order = np.argsort(made.sample, kind="stable")
        made.sample, made.channel, made.level = made.sample[order], made.channel[order], made.level[order]

    result = looked(tmp_path, case, waves, clips, change=glitch)
    assert "loose-ground" in doubts(result)
    assert result.glitch_bursts >= 10
    assert any(w.code == "probe-loose-ground" for w in result.warnings)


def test_a_wire_of_something_else_fits_no_bus(recording, tmp_path):
    case, waves, clips = recording

    def stranger(made):
        rng = np.random.default_rng(2)
        other = channel_of(made, "A7")
        kept = made.channel != other
        spots = np.sort(rng.choice(np.arange(10, made.samples - 10), 5000, replace=False))
        made.sample = np.concatenate([made.sample[kept], spots.astype(made.sample.dtype)])
        made.channel = np.concatenate([made.channel[kept], np.full(len(spots), other, np.int32)])
        made.level = np.concatenate([made.level[kept], (np.arange(len(spots)) & 1).astype(np.uint8)])
        order = np.argsort(made.sample, kind="stable")
        made.sample, made.channel, made.level = made.sample[order], made.channel[order], made.level[order]

    result = looked(tmp_path, case, waves, clips, change=stranger)
    found = [f for f in result.findings if f.code == "fits-no-bus"]
    assert [f.lines for f in found] == [("A7",)]


def with_pulses(made, name, spots):
    """Pulses of one sample on a channel at these samples, where it is at rest."""
    mine = made.channel == channel_of(made, name)
    at, level = made.sample[mine], made.level[mine]
    place = np.searchsorted(at, spots, side="right") - 1
    quiet = (place >= 0) & (spots - at[place] > 2) & (at[np.minimum(place + 1, len(at) - 1)] - spots > 3)
    spots, held = spots[quiet], level[place[quiet]]
    made.sample = np.concatenate([made.sample, spots, spots + 1]).astype(np.int64)
    made.channel = np.concatenate([made.channel, np.full(2 * len(spots), channel_of(made, name), np.int32)])
    made.level = np.concatenate([made.level, 1 - held, held]).astype(np.uint8)
    order = np.argsort(made.sample, kind="stable")
    made.sample, made.channel, made.level = made.sample[order], made.channel[order], made.level[order]


def noisy(result) -> list[str]:
    return [f.weight for f in result.findings if f.code == "clip-noisy"]


def test_pulses_at_any_moment_are_a_loose_clip_and_pulses_where_the_bus_turns_round_are_not(recording, tmp_path):
    """A skewed channel shows one sample of a pull-up wherever one driver hands over to another."""
    case, waves, clips = recording
    clock = "CLK" if case.machine.bus == "z80" else "PHI2"

    def loose(made):
        spots = np.random.default_rng(3).choice(np.arange(100, made.samples - 100), 4000, replace=False)
        with_pulses(made, "D3", np.sort(spots))

    def turning(made):
        edges = (made.channel == channel_of(made, clock)) & (made.level == 1)
        with_pulses(made, "D3", made.sample[edges] + 2)

    assert noisy(looked(tmp_path, case, waves, clips, change=loose)) == ["doubt"]
    assert noisy(looked(tmp_path, case, waves, clips, change=turning)) == ["note"]


@pytest.mark.parametrize(("lines", "weight"), [(["D3"], "doubt"), (["D3", "D6"], "note")])
def test_several_lines_that_stop_together_are_a_loop_rather_than_clips(recording, tmp_path, lines, weight):
    case, waves, clips = recording

    def stop(made):
        lost = np.isin(made.channel, [channel_of(made, line) for line in lines]) & (made.sample > made.samples // 2)
        made.sample, made.channel, made.level = made.sample[~lost], made.channel[~lost], made.level[~lost]

    found = [f for f in looked(tmp_path, case, waves, clips, change=stop, alone=True).findings if f.code == "clip-off"]
    assert {(f.lines, f.weight) for f in found} == {((line,), weight) for line in lines}
    # What was read in that time tells the clips from a loop.
    found = [f for f in looked(tmp_path, case, waves, clips, change=stop).findings if f.code == "clip-off"]
    assert {(f.lines, f.weight) for f in found} == {((line,), "doubt") for line in lines}


@pytest.mark.parametrize("line", ["A0", "A1", "A2"])
def test_an_address_line_that_the_addresses_went_past_may_have_lost_its_clip(recording, tmp_path, line):
    case, waves, clips = recording

    def stop(made):
        lost = (made.channel == channel_of(made, line)) & (made.sample > made.samples // 2)
        made.sample, made.channel, made.level = made.sample[~lost], made.channel[~lost], made.level[~lost]

    result = looked(tmp_path, case, waves, clips, change=stop, alone=True)
    (found,) = [f for f in result.findings if f.code == "clip-off"]
    assert (found.lines, found.weight) == ((line,), "doubt")
    assert "its clip may be off, for the addresses went past it" in found.text
    # What was read in that time leaves no doubt.
    (found,) = [f for f in looked(tmp_path, case, waves, clips, change=stop).findings if f.code == "clip-off"]
    assert (found.lines, found.weight) == ((line,), "doubt")
    assert f"the clip on {line} has come off" in found.text


def silences(read_too: bool):
    """WR in a steady loop of a thousand turns with two rests; RD stops with it or goes on."""
    write = [2000 * turn + 100_000 * (turn // 400) for turn in range(1000)]
    changes = {t + dt: 1 << 1 for t in write for dt in (0, 500)}
    stop = write[-1] if read_too else 0
    read = list(range(250, write[-1], 700)) if stop else [t + 1000 + t % 300 for t in write]
    for t in read:
        for at in (t, t + 90):
            changes[at] = changes.get(at, 0) ^ 1
    time = np.array(sorted(changes), np.int64)
    flips = np.array([changes[t] for t in time.tolist()], np.uint64)
    levels = np.bitwise_xor.accumulate(flips).reshape(-1, 1)
    check = ProbesCheck(["RD", "WR"], 1_000_000, None)
    for at in np.array_split(np.arange(len(time)), 3):
        check.feed(Capture(time[at], levels[at], np.zeros_like(levels[at]), 1_000_000))
    return [f for f in check.finish().findings if f.code == "dropout"]


def test_a_strobe_that_a_program_leaves_alone_is_no_dropout_and_silence_of_all_channels_is():
    """Where no clock is clipped the steadiest channel stands in for it: WR, in a test of memory that fills it first."""
    assert silences(read_too=True) == []
    (found,) = silences(read_too=False)
    assert found.count == 2
    assert found.text.startswith("all channels are silent 2 times")


def test_lines_that_pulse_alike_are_no_clips_doing():
    """The status of an 8080 moves D1, D5 and D7 alone at the beginning of each cycle; one such line may be its clip."""
    for lines, found in (("157", []), ("5", ["note"])):
        channels = [Seen(f"D{n}", f"D{n}", "data", 12_000, 1000 * (str(n) in lines), 900, 50) for n in range(8)]
        assert [finding[1] for finding in clip_findings(channels, (0, 1000), str)] == found


@pytest.mark.parametrize(("others", "found"), [(0, ["note"]), (1000, [])])
def test_a_channel_out_of_step_sees_the_shorter_pulses_of_a_bus_that_turns_round(others, found):
    """D0's channel is half a sample off: where drivers take turns it sees one sample of what the others see two of."""
    pulses = [(1000, 0), *[(0, others)] * 7]
    channels = [Seen(f"D{n}", f"D{n}", "data", 12_000, one, 900, 50, None, two) for n, (one, two) in enumerate(pulses)]
    assert [finding[1] for finding in clip_findings(channels, (0, 1000), str)] == found
