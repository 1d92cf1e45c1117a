"""What the extractor says beside the cycles: flags, drop-outs, notes, and captures without a bus."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.bus import (
    CycleExtractor,
    Cycles,
    Flag,
    Kind,
    Layout,
    find_eyes,
    line_needs,
    load_profile,
    profile_names,
)
from busledger.decoder.bus.windows import Windows
from busledger.decoder.capture import Capture, Gap, Signal
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.wiring import bind
from tests.external.waveform import Wave, told


def bus_6502(cycles, *, skip=range(0), data_at=700, release_at=1060, wired_data="D0-D7"):
    """Reads of consecutive addresses, one a microsecond; cycles in ``skip`` are silence."""
    wave = Wave().idle(PHI2=0, RW=1).put(0, "A0-A15", 0).put(0, wired_data, 0)
    for n in range(cycles):
        if n in skip:
            continue
        start = 1000 * n
        wave.put(start + 100, "A0-A15", 0x200 + n).put(start + 500, "PHI2", 1).put(start + 1000, "PHI2", 0)
        wave.put(start + data_at, wired_data, n & 0xFF).put(start + release_at, wired_data, 0xFF)
    return wave


def extract(wave, name="6502", gaps=()):
    profile = load_profile(name)
    layout = Layout(profile, bind([Signal(n) for n in wave.lines], line_needs(profile)))
    time, levels, unknown = wave.columns(layout.names)
    extractor = CycleExtractor(profile, layout, 1_000_000, None)
    first = extractor.feed(Capture(time, levels, unknown, 1_000_000, gaps))
    return Cycles.concat([first, extractor.finish()]), extractor


def test_a_quiet_capture_has_no_flags_and_no_notes():
    cycles, extractor = extract(bus_6502(100))
    assert told(cycles) == [("read", 0x200 + n, n) for n in range(100)]
    assert not cycles.flags.any()
    assert (extractor.notes, extractor.gaps, extractor.rejected) == ([], [], 0)
    assert (cycles.region == -1).all()
    assert (cycles.width == 1).all()
    assert (np.diff(cycles.time) > 0).all()


def test_kept_is_what_the_bus_showed_before_this_cycle():
    cycles, _ = extract(bus_6502(20, release_at=1005))
    assert cycles.kept[1:].tolist() == [0xFF] * 19
    held, _ = extract(bus_6502(20, release_at=1200))
    assert held.kept[1:].tolist() == list(range(19))


def test_data_inside_the_set_up_window_is_unknown_bit_by_bit():
    # W65C02S: 10 ns set-up is the least of all grades; a change 5 ns before the edge breaks them all.
    cycles, _ = extract(bus_6502(40, data_at=995))
    assert (cycles.flags[1:] & Flag.UNSETTLED).all()
    moved = cycles.data_unknown[1:] & 0xFF
    before = np.array([0xFF] * 39, np.uint32)
    after = np.arange(1, 40, dtype=np.uint32)
    assert (moved == (before ^ after)).all()
    assert (((cycles.data[1:] ^ after) & ~moved & 0xFF) == 0).all()


def test_data_that_leaves_before_the_hold_time_is_unsettled():
    cycles, _ = extract(bus_6502(40, release_at=1004))
    assert (cycles.flags & Flag.UNSETTLED).all()


def test_an_address_that_moves_inside_the_strobe():
    wave = bus_6502(40)
    wave.put(20_700, "A4", 1).put(20_720, "A4", 0)
    cycles, _ = extract(wave)
    assert cycles.flags[20] == Flag.UNSETTLED
    assert cycles.address_unknown[20] == 1 << 4
    assert not cycles.flags[[19, 21]].any()


def test_unknown_levels_are_unknown_and_not_zero():
    wave = bus_6502(40)
    wave.put(9_800, "D3", None).put(10_050, "D3", 0)
    wave.put(12_300, "A1", None).put(13_050, "A1", 0)
    cycles, _ = extract(wave)
    assert (cycles.flags[9], cycles.data_unknown[9] & 0xFF) == (Flag.UNKNOWN, 8)
    assert (cycles.flags[12], cycles.address_unknown[12]) == (Flag.UNKNOWN, 2)


def test_an_unknown_direction_is_taken_as_a_write_of_unknown_data():
    wave = bus_6502(40)
    wave.put(20_100, "RW", None).put(21_100, "RW", 1)
    cycles, _ = extract(wave)
    assert (cycles.kind[20], cycles.flags[20]) == (Kind.WRITE, Flag.UNKNOWN)
    assert cycles.data_unknown[20] == 0xFFFFFFFF


def test_lines_that_are_not_wired_make_partial_cycles():
    cycles, _ = extract(bus_6502(20, wired_data="D0-D5"))
    assert (cycles.flags == Flag.PARTIAL).all()
    assert (cycles.data_unknown & 0xFF == 0xC0).all()


def test_missing_clocks_are_a_drop_out_told_once():
    cycles, extractor = extract(bus_6502(300, skip=range(100, 200)))
    assert len(extractor.gaps) == 1
    start, end = extractor.gaps[0]
    assert 100_000 <= start <= 100_100
    assert 200_000 <= end <= 200_100
    assert [n.code for n in extractor.notes] == ["dropout"]
    assert "no edge on PHI2" in extractor.notes[0].text
    assert len(cycles) == 200
    assert np.flatnonzero(cycles.flags & Flag.AFTER_GAP).tolist() == [100]


def test_a_clock_stretched_within_its_limit_is_no_drop_out():
    _, extractor = extract(bus_6502(300, skip=range(100, 108)))
    assert extractor.gaps == []


def test_a_dumped_gap_cuts_the_span_that_is_open():
    wave = bus_6502(60)
    for line in wave.lines:
        wave.changes[line] = {t: v for t, v in wave.changes[line].items() if not 20_600 < t < 30_700}
        wave.put(20_650, line, None)
        wave.put(30_700, line, 0)
    cycles, extractor = extract(wave, gaps=(Gap(20_650, 30_700, "$dumpoff"),))
    assert extractor.gaps == [(20_650, 30_700)]
    assert extractor.rejected == 1
    assert np.flatnonzero(cycles.flags & Flag.AFTER_GAP).tolist() == [20]
    assert cycles.address[20] == 0x21F


def test_silence_on_a_strobed_bus():
    def reads(skip):
        wave = Wave().idle(MREQ=1, RD=1, WR=1, M1=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
        for n in range(200):
            if n in skip:
                continue
            at = 1200 * n
            wave.put(at, "A0-A15", n).pulse("MREQ", at + 200, at + 900).pulse("RD", at + 205, at + 905)
            wave.put(at + 500, "D0-D7", n)
        return wave

    assert extract(reads(range(0)), "z80")[1].gaps == []
    assert extract(reads(range(50, 90)), "z80")[1].gaps == []
    cycles, extractor = extract(reads(range(50, 150)), "z80")
    assert len(extractor.gaps) == 1
    assert "no line moved" in extractor.notes[0].text
    assert np.flatnonzero(cycles.flags & Flag.AFTER_GAP).tolist() == [50]


def test_a_strobe_too_short_for_every_grade():
    wave = Wave().idle(MREQ=1, RD=1, WR=1).put(0, "A0-A15", 0x1234).put(0, "D0-D7", 0x5A)
    wave.pulse("MREQ", 1000, 2000).pulse("WR", 1300, 1700).pulse("MREQ", 3000, 4000).pulse("WR", 3300, 3500)
    cycles, _ = extract(wave, "z80")
    assert told(cycles, flags=True) == [("write", 0x1234, 0x5A, Flag(0)), ("write", 0x1234, 0x5A, Flag.SHORT_STROBE)]


@pytest.mark.parametrize(("name", "line"), [("6502", "PHI2"), ("z80", "RD")])
def test_no_edges_is_an_error_that_names_the_lines(name, line):
    wave = Wave().idle(PHI2=0, RW=1, MREQ=1, RD=1, WR=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0).put(500, "D0", 1)
    with pytest.raises(CaptureError) as caught:
        extract(wave, name)
    assert f"no edges on {line}" in str(caught.value)


def test_a_sample_rate_too_low_is_said_up_front():
    profile = load_profile("6502")
    layout = Layout(profile, bind([Signal(n) for n in bus_6502(2).lines], line_needs(profile)))
    slow = CycleExtractor(profile, layout, 1_000_000, 125.0)
    assert [n.code for n in slow.notes] == ["sample-rate"]
    assert "9.09 MHz" in slow.notes[0].text  # 1 / (100 + 10) ns, MCS6500 data sheet, May 1976
    assert CycleExtractor(profile, layout, 1_000_000, 1000 / 24).notes == []
    assert CycleExtractor(profile, layout, 1_000_000, None).notes == []


def test_layout_keeps_runs_together_and_knows_its_bits():
    profile = load_profile("6502")
    names = ["D3", "A1", "CS0", "A0", "PHI2", "RW", "D2"]
    layout = Layout(profile, bind([Signal(n) for n in names], line_needs(profile, ["CS0"])), extra=["CS0", "CS1"])
    assert layout.names == ("PHI2", "RW", "A0", "A1", "D2", "D3", "CS0")
    assert [names[i] for i in layout.select] == list(layout.names)
    assert layout.bit("CS0") == 6
    assert layout.mask(["A0", "A1", "CS1"]).tolist() == [0b1100]
    with pytest.raises(UsageError):
        layout.bit("CS1")


def test_more_than_128_lines():
    profile = load_profile("6502")
    wave = bus_6502(30)
    extra = [f"X{n}" for n in range(150)]
    for n, name in enumerate(extra):
        wave.put(n, name, n & 1)
    layout = Layout(profile, bind([Signal(n) for n in wave.lines], line_needs(profile, extra)), extra)
    assert layout.words == 3
    time, levels, unknown = wave.columns(layout.names)
    extractor = CycleExtractor(profile, layout, 1_000_000, None)
    cycles = Cycles.concat([extractor.feed(Capture(time, levels, unknown, 1_000_000)), extractor.finish()])
    assert told(cycles) == [("read", 0x200 + n, n) for n in range(30)]


def falsified(wave, line, at_ns, level, sample_ns=40.0, name="6502"):
    """What an analyser (25 MHz) keeps of ``wave``, with one false sample of ``line`` at each of ``at_ns``."""
    profile = load_profile(name)
    layout = Layout(profile, bind([Signal(n) for n in wave.lines], line_needs(profile)))
    time, levels, unknown = wave.columns(layout.names, sample_ns, seed=2)
    ticks = np.arange(0, int(time[-1]) + 1, int(sample_ns))
    rows = np.searchsorted(time, ticks, side="right") - 1
    full, lost = levels[rows], unknown[rows]
    word, bit = divmod(layout.bit(line), 64)
    for at in at_ns:
        sample = int(at / sample_ns)
        mask = np.uint64(1 << bit)
        full[sample, word] = full[sample, word] | mask if level else full[sample, word] & ~mask
    keep = np.ones(len(ticks), bool)
    keep[1:] = (full[1:] != full[:-1]).any(axis=1) | (lost[1:] != lost[:-1]).any(axis=1)
    capture = Capture(ticks[keep], full[keep], lost[keep], 1_000_000)
    eyes = find_eyes(profile, layout, [capture], 1_000_000, sample_ns)
    extractor = CycleExtractor(profile, layout, 1_000_000, sample_ns, eyes=eyes)
    return Cycles.concat([extractor.feed(capture), extractor.finish()]), extractor


def test_one_false_sample_makes_no_cycle():
    clean, _ = falsified(bus_6502(100, release_at=1200), "PHI2", [], 1)
    cycles, extractor = falsified(bus_6502(100, release_at=1200), "PHI2", [40_260, 60_300, 60_420], 1)
    assert told(cycles) == told(clean)
    assert extractor.rejected == 3


def test_one_false_sample_cuts_no_cycle_in_two():
    clean, _ = falsified(bus_6502(100, release_at=1200), "PHI2", [], 1)
    cycles, extractor = falsified(bus_6502(100, release_at=1200), "PHI2", [40_600, 60_760, 60_880], 0)
    assert told(cycles) == told(clean)
    assert extractor.rejected == 0


# Address lines hold through PHI2 high: MCS6500 data sheet, May 1976, TADS and THA.
@pytest.mark.parametrize("at_ns", [40_500, 40_540, 40_580, 40_620])
def test_one_false_sample_after_the_edge_is_not_the_address(at_ns):
    """A2 shows 1 for one sample while it is 0 before, after, and to the strobe's end: the steady level is taken."""
    wave = bus_6502(100, release_at=1200)
    clean, _ = falsified(wave, "A2", [], 1)
    cycles, _ = falsified(wave, "A2", [at_ns], 1)
    sure = ~cycles.address_unknown
    assert ((cycles.address ^ clean.address) & sure == 0).all()
    assert told(cycles)[:40] == told(clean)[:40]
    assert told(cycles)[41:] == told(clean)[41:]


def test_an_address_that_changes_after_the_edge_and_stays_is_what_was_read():
    """Several samples are no false one: nothing is turned back."""
    wave = bus_6502(100, release_at=1200)
    cycles, _ = falsified(wave, "A2", [40_520, 40_560, 40_600, 40_640], 1)
    assert cycles.flags[40] & Flag.UNSETTLED or cycles.address[40] == (0x200 + 40) | 4


@pytest.mark.parametrize("start", [2**61 - 20_000, 2**62 - 20_000, 2**63 - 3_000_000])
def test_stamps_of_all_of_63_bits_are_decoded(start):
    """A stamp may count from an epoch: nothing in the scan may take a late one for the end of the world."""
    wave = bus_6502(48)
    profile = load_profile("6502")
    layout = Layout(profile, bind([Signal(n) for n in wave.lines], line_needs(profile)))
    time, levels, unknown = wave.columns(layout.names)
    extractor = CycleExtractor(profile, layout, 1_000_000, None)
    first = extractor.feed(Capture(time + start, levels, unknown, 1_000_000))
    cycles = Cycles.concat([first, extractor.finish()])
    assert told(cycles) == [("read", 0x200 + n, n) for n in range(48)]
    assert (extractor.notes, extractor.gaps, extractor.rejected) == ([], [], 0)


def eyes_of(wave, grid_ns, seed=1):
    profile = load_profile("65c816")
    layout = Layout(profile, bind([Signal(n) for n in wave.lines], line_needs(profile)))
    time, levels, unknown = wave.columns([wave.lines[i] for i in layout.select], grid_ns, seed)
    return find_eyes(profile, layout, [Capture(time, levels, unknown, 1_000_000)], 1_000_000, grid_ns)


def slow_65c816(answer_ns, cycles=150):
    """2 MHz: PHI2 rises at 250 and falls at 500; the bank is on D0-D7 before, read data from ``answer_ns`` on."""
    wave = Wave().idle(PHI2=0, RW=1, VDA=1, VPA=0).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n in range(cycles):
        start = 500 * n
        wave.put(start + 40, "A0-A15", 0x200 + n).put(start + 60, "D0-D7", 1).put(start + 250, "PHI2", 1)
        wave.put(start + 500, "PHI2", 0).put(start + answer_ns, "D0-D7", 0xA0 ^ n & 0xFF).put(
            start + 515, "D0-D7", 0xFF
        )
    return wave


def test_a_window_narrower_than_a_sample_follows_where_the_bus_stands_still():
    """W65C816S: 10 ns before and after PHI2 falls, half a 24 MHz sample; the memory of this board is 130 ns early."""
    (offsets,) = eyes_of(slow_65c816(370), 1000 / 24).values()
    assert offsets.value == -round(1.5 * 1000 / 24)
    assert eyes_of(slow_65c816(370), 5.0) == {}  # fast enough for the sheet's own figures


def test_no_eye_where_the_memory_answers_at_the_last_moment():
    assert eyes_of(slow_65c816(450), 1000 / 24) == {}  # settling and release leave no two quiet samples


def z80_reads(release_ns, cycles=150):
    """2.5 MHz, CLK not clipped: RD low for 600 ns, data from 350 ns on, gone ``release_ns`` after RD has risen."""
    wave = Wave().idle(MREQ=1, IORQ=1, RD=1, WR=1, M1=1, RFSH=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0xFF)
    for n in range(cycles):
        start = 1207 * n  # no multiple of a sample
        wave.put(start + 40, "A0-A15", 0x200 + n).put(start + 150, "MREQ", 0).put(start + 150, "RD", 0)
        wave.put(start + 500, "D0-D7", n & 0xFF).put(start + 750, "MREQ", 1).put(start + 750, "RD", 1)
        wave.put(start + 750 + release_ns, "D0-D7", 0xFF)
    return wave


def test_data_that_leaves_with_the_strobe_is_read_before_it():
    """Z80 CPU User Manual UM0080, AC characteristics: 50 ns before the end of RD, no hold; one sample is 40 ns, so that
    what pulls the bus up behind RD often falls into the sample of its edge. The bus stood still long before."""
    for release_ns in (2, 20, 38):
        cycles, _ = falsified(z80_reads(release_ns), "D0", [], 1, 40.0, "z80")
        assert told(cycles)[1:] == [("read", 0x200 + n, n & 0xFF) for n in range(1, 150)]
        assert not (cycles.flags[1:] & Flag.UNSETTLED).any()


@pytest.mark.parametrize("before_ns", [100, 50])
def test_a_false_sample_in_an_eye_is_doubted_not_believed_and_not_turned_back(before_ns):
    """An eye is two samples long: which of them is the false one, nothing tells. The rest is read as ever."""
    clean, seen = falsified(slow_65c816(300), "D0", [], 1, 50.0, "65c816")
    assert [note.code for note in seen.notes] == ["eye"] and not (clean.flags & Flag.UNSETTLED).any()
    cycles, _ = falsified(slow_65c816(300), "D0", [500 * 41 - before_ns], 1, 50.0, "65c816")
    assert cycles.data_unknown[40] & 0xFF == 1 and cycles.flags[40] & Flag.UNSETTLED
    assert told(cycles)[:40] == told(clean)[:40] and told(cycles)[41:] == told(clean)[41:]


def reads_6800(late_ns, cycles=200):
    """1 MHz: PHI2 falls at 1000, read data from 700 on; D0 of the 42nd read ``late_ns`` before PHI2 falls."""
    wave = Wave().idle(PHI2=0, RW=1, VMA=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0xFF)
    for n in range(cycles):
        start = 1007 * n  # no multiple of a sample
        wave.put(start + 100, "A0-A15", 0x200 + n).put(start + 500, "PHI2", 1).put(start + 1000, "PHI2", 0)
        if n == 41:
            wave.put(start + 700, "D0-D7", n ^ 1).put(start + 1000 - late_ns, "D0-D7", n)
        else:
            wave.put(start + 700, "D0-D7", n)
        wave.put(start + 1060, "D0-D7", 0xFF)
    return wave


@pytest.mark.parametrize("late_ns", [45, 55, 65, 75, 85])
def test_what_a_quicker_part_may_still_settle_is_in_doubt_where_no_grade_is_named(late_ns):
    """MC6800: 100 ns before PHI2 falls; MC68B00: 40 ns. At 24 MHz the sample read is sure for the first alone."""
    cycles, _ = falsified(reads_6800(late_ns), "A15", [], 0, 1000 / 24, "6800")
    at = np.flatnonzero(cycles.address == 0x200 + 41)
    assert ((cycles.data[at] ^ 41) & ~cycles.data_unknown[at] & 0xFF == 0).all()
    others = cycles.address != 0x200 + 41
    assert not (cycles.flags[others] & Flag.UNSETTLED).any()
    assert ((cycles.data[others] ^ (cycles.address[others] - 0x200)) & 0xFF)[1:].sum() == 0


def late_6800(loop, cycles=400):
    """68B00, 2 MHz: read data 55 to 65 ns before PHI2 falls, held for 100 ns; a program that runs through ``loop``."""
    wave = Wave().idle(PHI2=0, RW=1, VMA=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0xFF)
    for n in range(cycles):
        start = 503 * n  # no multiple of a sample
        wave.put(start + 30, "A0-A15", 0x200 + n % loop).put(start + 250, "PHI2", 1).put(start + 500, "PHI2", 0)
        wave.put(start + 435 + n % 11, "D0-D7", n % loop * 37 & 0xFF).put(start + 601, "D0-D7", 0xFF)
    return wave


@pytest.mark.parametrize("sample_ns", [40.0, 1000 / 24])
def test_where_data_settles_in_the_last_sample_that_is_read_or_doubted(sample_ns):
    """MC68B00: 40 ns before PHI2 falls are enough. The sample before the last shows what the bus carried before: a
    memory that hardly agrees with itself there is read a sample later, and what moves after that is unknown."""
    cycles, seen = falsified(late_6800(50), "A15", [], 0, sample_ns, "6800")
    sure = ~cycles.data_unknown & 0xFF
    assert (((cycles.data ^ ((cycles.address - 0x200) * 37)) & sure)[1:] == 0).all()
    assert np.bitwise_count(sure[1:]).mean() > 4
    assert [note.code for note in seen.notes] == ["eye"]


@pytest.mark.parametrize("grid_ns", [4.0, 10.0, 1000 / 24, 62.5, 125.0, 250.0])
def test_no_sample_is_turned_back_at_an_end_that_is_looked_at_for_an_eye(grid_ns):
    for name in profile_names():
        windows = Windows(load_profile(name), 1_000_000, grid_ns)
        strobes = {strobe.name: strobe for strobe in windows.profile.strobes}
        assert all(windows.room(strobes[found].end) == (0, 0) for found in windows.narrow_ends())
