"""The virtual card does what its parts would do: one small machine, one fault at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.captures_demo.world.faults import Fault, When, activity
from busledger.captures_demo.world.machine import Card, Chip, Machine, Region
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.stimulus import Accesses, address_in_data, block_copy, pause, weave

ROM = Region("monitor", 0xF800, 0xFFFF, (), kind="rom", image=bytes(range(256)) * 8)
BANKS = tuple(
    Region(
        f"bank{n}",
        0x400 * n,
        0x400 * n + 0x3FF,
        (Chip(f"U{2 * n + 1}", "2114", (0, 1, 2, 3)), Chip(f"U{2 * n + 2}", "2114", (4, 5, 6, 7))),
        card=1,
        select=f"CS{n}",
    )
    for n in range(2)
)
MACHINE = Machine("small", "6502", (Card(), Card(buffer="U10", decoder="U9")), (ROM, *BANKS))
ALL = np.arange(0x0000, 0x0800)


def run(*faults: Fault, machine: Machine = MACHINE, accesses: Accesses | None = None, seed: int = 1):
    stimulus = weave(accesses or address_in_data(ALL, salt=4), (0xF800, 0xFFFF), np.random.default_rng(3), fetches=2)
    return play(machine, faults, stimulus, seed)


def ram_reads(played):
    return (played.kind == 0) & (played.address < 0x800)


def test_a_healthy_card_gives_back_what_was_written():
    played = run()
    assert played.mismatches == 0
    assert np.count_nonzero(played.compared) == 2048 + 2 * 4096  # every cell once; two program bytes an access


def test_the_same_seed_gives_the_same_run_and_another_does_not():
    soft = Fault("dead", "chip", chip="U1", when=When("intermittent", 0.1))
    first, again, other = run(soft), run(soft), run(soft, seed=2)
    assert np.array_equal(first.data, again.data)
    assert not np.array_equal(first.data, other.data)


@pytest.mark.parametrize(("kind", "bit"), [("stuck-low", 0), ("stuck-high", 1)])
def test_a_stuck_chip_lane_reads_one_level_in_its_own_bank_only(kind, bit):
    played = run(Fault(kind, "chip", chip="U4", lanes=(6,)))
    reads = ram_reads(played)
    bank1 = reads & (played.address >= 0x400)
    assert set((played.data[bank1] >> 6 & 1).tolist()) == {bit}
    assert set(played.wrong[played.wrong != 0].tolist()) == {0x40}
    assert not played.wrong[reads & ~bank1].any()


def test_a_stuck_buffer_lane_spoils_every_bank_but_not_the_rom():
    played = run(Fault("stuck-high", "buffer", card=1, lanes=(3,)))
    reads = ram_reads(played)
    assert set((played.data[reads] >> 3 & 1).tolist()) == {1}
    assert not played.wrong[played.address >= 0xF800].any()
    # Writes reach the card with the lane stuck, too.
    writes = played.kind == 1
    assert set((played.card_lines[writes, 1] >> 3 & 1).tolist()) == {1}


def test_a_stuck_bus_lane_shows_in_the_rom_and_in_what_the_processor_writes():
    played = run(Fault("stuck-low", "bus", lanes=(0,)))
    assert not (played.data & 1).any()
    assert played.wrong[played.address >= 0xF800].any()
    # The capture sees the wrong level written, so the RAM gives back what was seen.
    assert not played.wrong[ram_reads(played)].any()


@pytest.mark.parametrize("kind", ["floating", "dead"])
def test_what_nobody_drives_keeps_the_level_of_the_cycle_before(kind):
    lanes = (4, 5, 6, 7)
    played = run(Fault(kind, "chip", chip="U2", lanes=lanes))
    bank0 = ram_reads(played) & (played.address < 0x400)
    assert ((played.data[bank0] ^ played.kept[bank0]) & 0xF0 == 0).all()
    assert ((played.data[bank0] ^ played.expected[bank0]) & 0x0F == 0).all()


def test_a_pulled_up_bus_reads_high_where_nobody_drives():
    machine = replace(MACHINE, floats="up", cards=(Card(), Card(decoder="U9")))
    played = run(Fault("select-missing", "decoder", region="bank1", card=1), machine=machine)
    bank1 = ram_reads(played) & (played.address >= 0x400)
    assert (played.data[bank1] == 0xFF).all()
    assert not played.selects[played.address >= 0x400, 2].any()


def test_lanes_bridged_on_a_buffer_read_alike():
    for level, joined in ((0, np.bitwise_and), (1, np.bitwise_or)):
        played = run(Fault("bridged", "buffer", card=1, lanes=(1, 6), level=level))
        reads = ram_reads(played)
        one, other = played.data[reads] >> 1 & 1, played.data[reads] >> 6 & 1
        expected = played.expected[reads]
        assert np.array_equal(one, other)
        assert np.array_equal(one, joined(expected >> 1 & 1, expected >> 6 & 1))


def test_an_address_line_open_at_a_region_makes_cells_alias():
    played = run(Fault("address-stuck", "region", region="bank0", address_lines=(5,), level=0))
    reads = np.flatnonzero(ram_reads(played) & (played.address < 0x400))
    by_address = {int(played.address[i]): int(played.data[i]) for i in reads}
    assert all(by_address[a] == by_address[a ^ 0x20] for a in by_address)
    written_last = {int(played.address[i]): int(played.data[i]) for i in np.flatnonzero(played.kind == 1)}
    assert all(by_address[a] == written_last[a | 0x20] for a in by_address)


def test_lost_writes_leave_the_old_value():
    twice = Accesses.join([address_in_data(ALL, salt=4), address_in_data(ALL, salt=9)])
    fault = Fault("write-lost", "region", region="bank1")
    played = run(fault, accesses=twice)
    reads = np.flatnonzero(ram_reads(played) & (played.address >= 0x400))
    first, second = played.data[reads[:1024]], played.data[reads[1024:]]
    assert np.array_equal(first, second)
    assert played.mismatches > 1900


def test_an_extra_select_lets_both_banks_answer_and_take_writes():
    played = run(Fault("select-extra", "decoder", region="bank1", other_region="bank0", card=1))
    rows = ram_reads(played) & (played.address < 0x400)
    assert (played.selects[rows, 1] == 1).all() and (played.selects[rows, 2] == 1).all()
    # bank1 is written after bank0, so bank0 reads the AND of both.
    last = {
        int(a): int(d) for a, d in zip(played.address[played.kind == 1], played.data[played.kind == 1], strict=True)
    }
    got = {int(a): int(d) for a, d in zip(played.address[rows], played.data[rows], strict=True)}
    assert all(got[a] == last[a] & last[a | 0x400] for a in got)


def test_a_buffer_that_never_turns_to_the_cpu_leaves_reads_floating():
    played = run(Fault("direction-stuck", "buffer", card=1, level=0))
    reads = ram_reads(played)
    assert np.array_equal(played.data[reads], played.kept[reads])


def test_a_buffer_that_never_turns_to_the_card_lets_no_write_through():
    played = run(Fault("direction-stuck", "buffer", card=1, level=1))
    writes = np.flatnonzero(played.kind == 1)
    before = played.card_lines[writes - 1, 1]
    assert np.array_equal(played.card_lines[writes, 1], before)


def test_coupling_changes_the_victim_when_the_aggressor_rises():
    cells = np.array([0x10, 0x11])
    up = Accesses.plain(np.array([True, True, True]), np.array([0x10, 0x11, 0x11]), np.array([0xFF, 0x00, 0x01]))
    read = Accesses.plain(np.array([False, False]), cells, np.array([0, 0]))
    fault = Fault("coupled", "cell", chip="U1", lanes=(2,), address=0x10, aggressor=0x11, trigger="rise", effect="low")
    played = run(fault, accesses=Accesses.join([up, read]))
    assert played.wrong[played.wrong != 0].tolist() == [0x04]


def test_charge_leaks_with_age_and_a_read_refreshes_where_it_does():
    ones = Accesses.plain(np.array([True]), np.array([0x20]), np.array([0xFF]))
    read = Accesses.plain(np.array([False]), np.array([0x20]), np.array([0]))
    fault = Fault("leaky", "chip", chip="U1", lanes=(0, 1, 2, 3), age_s=1e-3)
    soon = run(fault, accesses=Accesses.join([ones, pause(300), read]))
    late = run(fault, accesses=Accesses.join([ones, pause(3000), read]))
    assert soon.mismatches == 0
    assert late.wrong[late.wrong != 0].tolist() == [0x0F]
    often = [ones] + [pause(500), read] * 6
    assert run(fault, accesses=Accesses.join(often)).mismatches > 0
    refreshed = replace(fault, acts="refreshed-by-reads")
    assert run(refreshed, accesses=Accesses.join(often)).mismatches == 0


def test_copied_bytes_carry_a_wrong_read_along():
    copy = Accesses.join([address_in_data(ALL[:64]), block_copy(ALL[:32], ALL[0x400:0x420])])
    read = Accesses.plain(np.zeros(32, np.bool_), ALL[0x400:0x420], np.zeros(32, np.int64))
    played = run(Fault("stuck-low", "chip", chip="U1", lanes=(0,)), accesses=Accesses.join([copy, read]))
    # The copy stores what was read: the capture sees it written, so bank1 gives it back without a mismatch.
    assert not played.wrong[ram_reads(played) & (played.address >= 0x400)].any()


def test_times_of_failing():
    n = 200_000
    addresses = np.arange(n, dtype=np.int64) & 0xFF
    times = np.arange(n, dtype=np.int64) * 1000

    def acts(when: When):
        made = (Fault("dead", "chip", chip="U1", when=when),)
        return activity(made, addresses, times, np.random.default_rng(5))[:, 0].astype(bool)

    assert acts(When()).all()
    assert abs(acts(When("intermittent", 0.1)).mean() - 0.1) < 0.005
    warming = acts(When("warming", 0.2, warm_from=0.5))
    assert not warming[: n // 2].any() and warming[-n // 10 :].mean() > 0.15
    pattern = acts(When("pattern", 1.0, address_mask=0x10, address_value=0x10))
    assert np.array_equal(pattern, (addresses & 0x10) != 0)
    carries = acts(When("pattern", 1.0, switching=8))
    assert set(addresses[carries].tolist()) == {0x00, 0x80}
    burst = acts(When("bursty", 1.0, burst=50, calm=950))
    assert 0.03 < burst.mean() < 0.08
    # Failures come together: one is far more often followed by another than chance would have it.
    assert burst[1:][burst[:-1]].mean() > 0.9


def test_a_machine_with_overlapping_regions_is_refused():
    with pytest.raises(ValueError, match="overlap"):
        Machine("bad", "6502", (Card(),), (Region("a", 0, 0x3FF, ()), Region("b", 0x200, 0x3FF, ())))


def test_a_region_must_start_at_a_multiple_of_its_size():
    with pytest.raises(ValueError, match="multiple of its size"):
        Machine("bad", "6502", (Card(),), (Region("a", 0x100, 0x4FF, ()),))
