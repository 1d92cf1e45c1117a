"""Bus drivers on hand-made bus cycles: inverting ones, address drivers, latches, and what the near side alone shows."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.board import Board, Buffer, Chip, LineLevel, Region, parts
from busledger.decoder.bus import CycleExtractor, load_profile
from busledger.decoder.checks import BuffersCheck, BuffersResult
from busledger.decoder.ledger import RegionMap, SelectedRegions
from tests.checks.bench import NS, capture, layout

RAM = Region("bank", 0x0000, 0x00FF)
OTHER = Region("other", 0x0100, 0x01FF)
LANES = tuple(range(8))


def word(prefix, value, bits=8):
    return {f"{prefix}{n}": value >> n & 1 for n in range(bits)}


def run(cycles, buffers, extra=(), far=None, near=None, lines=16, regions=(RAM, OTHER)):
    """6502 cycles of 1 µs: (address, data, write). ``far``/``near`` turn (index, cycle) into the lines of each side;
    ``lines``: address lines that are clipped, from A0 on."""
    profile = load_profile("6502")
    clipped = [f"A{n}" for n in range(lines)]
    where = layout(profile, ["PHI2", "RW", *clipped, *(f"D{n}" for n in range(8)), *extra])
    near = near or (lambda k, cycle: word("D", cycle[1]))
    rows = []
    for k, cycle in enumerate(cycles):
        t, write = 1000 * k, cycle[2]
        rows += [
            (t, {"PHI2": 0}),
            (t + 100, {**word("A", cycle[0], lines), "RW": int(not write)}),
            (t + 500, {"PHI2": 1}),
        ]
        sides = [near(k, cycle), far(k, cycle) if far is not None else {}]
        first, second = sides if write else sides[::-1]
        rows += [(t + 650, first), (t + 665, second)]
    rows.append((1000 * len(cycles), {"PHI2": 0}))
    block = capture(where, rows)
    board = Board(path="", name="card", bus="6502", regions=tuple(regions), buffers=tuple(buffers))
    extractor = CycleExtractor(profile, where, NS, None)
    region_map = RegionMap(board.regions, tuple(profile.space(i) for i in range(len(profile.rules))), 8)
    selected = SelectedRegions(board, region_map, where, 0xFFFF >> lines << lines)
    check = BuffersCheck(board, profile, where, NS, None)
    for part in (extractor.feed(block), extractor.finish()):
        selected.fill(part, {})
        region_map.locate(part, region_map.spaces(part))
        check.feed(block, part)
        block = capture(where, [])
    return check.finish()


def traffic(count=120, seed=1):
    rng = np.random.default_rng(seed)
    return [(int(rng.integers(0, 256)), int(rng.integers(0, 256)), bool(k % 2)) for k in range(count)]


def data_buffer(part, **more) -> Buffer:
    far = {f"D{n}": f"MD{n}" for n in LANES}
    return Buffer("U10", parts().get(part), lanes=LANES, serves=("bank",), far_side=far, **more)


FAR = tuple(f"MD{n}" for n in LANES)


def faults(result: BuffersResult):
    return [(f.code, f.lanes) for f in result.findings if f.weight == "fault"]


@pytest.mark.parametrize("part", ["74LS245", "8T28", "8216", "8286"])
def test_a_straight_driver_is_right_when_both_sides_agree(part):
    result = run(traffic(), [data_buffer(part)], FAR, lambda k, c: word("MD", c[1]))
    assert faults(result) == []
    assert {lane.verdict for lane in result.buffers[0].lanes} == {"good"}
    # Far to near and near to far, 15 ns each, in bins of 5 ns.
    lane = result.buffers[0].lanes[0]
    assert lane.delay_to_cpu.quantile_ns(0.5) == lane.delay_to_card.quantile_ns(0.5) == 15


# Inverting by the sheets: Signetics 8T26A, National DP8226, TI SN74LS640, Intel 8287 (from memory but DP8226).
@pytest.mark.parametrize("part", ["8T26", "8226", "74LS640", "8287"])
def test_an_inverting_driver_is_right_when_the_sides_are_opposite(part):
    opposite = run(traffic(), [data_buffer(part)], FAR, lambda k, c: word("MD", c[1] ^ 0xFF))
    assert faults(opposite) == []
    straight = run(traffic(), [data_buffer(part)], FAR, lambda k, c: word("MD", c[1]))
    assert {code for code, _ in faults(straight)} == {"lane-inverted"}


def test_one_lane_that_is_turned_over_is_named():
    result = run(traffic(), [data_buffer("74LS245")], FAR, lambda k, c: word("MD", c[1] ^ 0x20))
    assert faults(result) == [("lane-inverted", ("D5",))]


def test_one_lane_that_differs_now_and_then_is_named():
    result = run(traffic(), [data_buffer("74LS245")], FAR, lambda k, c: word("MD", c[1] ^ (4 if k % 7 == 0 else 0)))
    assert faults(result) == [("lane-differs", ("D2",))]


@pytest.mark.parametrize("part, turned", [("74LS245", 0), ("74LS640", 0xFF)])
def test_two_lanes_in_each_other_s_place_are_two_clips_and_no_fault(part, turned):
    """By the wiring alone: no part that fails puts two lanes right across each other."""

    def crossed(value):
        return value & 0b11011110 | (value >> 5 & 1) | (value & 1) << 5

    result = run(traffic(), [data_buffer(part)], FAR, lambda k, c: word("MD", crossed(c[1]) ^ turned))
    assert faults(result) == []
    assert [(f.code, f.weight, f.lanes) for f in result.findings] == [("lanes-exchanged", "doubt", ("D0", "D5"))]
    assert [lane.lane for lane in result.buffers[0].lanes if lane.verdict == "exchanged"] == ["D0", "D5"]


def test_lanes_that_are_stuck_at_different_levels_are_not_exchanged():
    result = run(traffic(), [data_buffer("74LS245")], FAR, lambda k, c: word("MD", c[1] & 0xFE | 0x20))
    assert {lanes for _, lanes in faults(result)} == {("D0",), ("D5",)}


def test_reads_that_repeat_the_last_level_were_driven_by_nobody():
    """Without the card side: in reads the bus keeps what the write before left on it."""
    cycles = [(k & 255, value, bool(k % 2)) for k, value in enumerate(np.random.default_rng(3).integers(0, 256, 160))]
    kept = [cycles[k - 1][1] if k and not c[2] else c[1] for k, c in enumerate(cycles)]
    buffer = Buffer("U10", parts().get("74LS245"), lanes=LANES, serves=("bank",), direction=LineLevel("RW", 1))
    result = run(cycles, [buffer], near=lambda k, c: word("D", int(kept[k])))
    assert faults(result) == [("undriven-reads", tuple(f"D{n}" for n in LANES))]
    healthy = run(traffic(), [buffer])
    assert faults(healthy) == []
    assert healthy.buffers[0].known_reads == 60


def address_buffer(part, lines, far) -> Buffer:
    pairs = dict(zip(lines, far, strict=True))
    return Buffer("U11", parts().get(part), lines=tuple(lines), serves=("bank",), far_side=pairs)


@pytest.mark.parametrize(("part", "flip"), [("74LS244", 0), ("74LS240", 15), ("74LS367", 0), ("74LS368", 15)])
def test_address_driver_line_by_line(part, flip):
    lines, far = ["A0", "A1", "A2", "A3"], ["BA0", "BA1", "BA2", "BA3"]
    right = run(traffic(), [address_buffer(part, lines, far)], far, lambda k, c: word("BA", (c[0] ^ flip) & 15, 4))
    assert faults(right) == []
    buffer = address_buffer(part, lines, far)
    stuck = run(traffic(), [buffer], far, lambda k, c: word("BA", ((c[0] ^ flip) & 15) | 4, 4))
    assert faults(stuck) == [("lane-stuck-high", ("A2",))]


def test_a_latch_is_judged_by_the_address_of_the_cycle():
    """74LS373 on a multiplexed bus: its output is the address, whatever its input has become since."""
    lines, far = ["A0", "A1"], ["BA0", "BA1"]
    result = run(traffic(), [address_buffer("74LS373", lines, far)], far, lambda k, c: word("BA", c[0] & 3, 2))
    assert faults(result) == []
    wrong = run(traffic(), [address_buffer("74LS373", lines, far)], far, lambda k, c: word("BA", c[0] & 1, 2))
    assert faults(wrong) == [("lane-stuck-low", ("A1",))]


def test_an_enable_that_never_comes():
    buffer = data_buffer("74LS245", enable=LineLevel("BEN", 0), direction=LineLevel("RW", 1))
    result = run(traffic(), [buffer], (*FAR, "BEN"), lambda k, c: {**word("MD", c[1]), "BEN": 1})
    assert "enable-missing" in {code for code, _ in faults(result)}


def test_what_is_not_clipped_is_said():
    result = run(traffic(), [data_buffer("74LS245")])
    assert result.skipped
    assert faults(result) == []


def two_drivers(enables):
    """One driver a region; both point to the CPU in every read on the bus."""
    right = LineLevel("RW", 1)
    one = Buffer(
        "U10", parts().get("74LS245"), lanes=LANES, serves=("bank",), direction=right, **enables.get("U10", {})
    )
    other = Buffer("U11", parts().get("74LS245"), lanes=LANES, serves=("other",), direction=right,
                   **enables.get("U11", {}))  # fmt: skip
    return [one, other]


def test_direction_lines_of_the_bus_do_not_say_who_drives():
    """RW turns both drivers in every read; which of them is enabled the board file does not say."""
    result = run(traffic(), two_drivers({}))
    assert faults(result) == []
    assert sum("cannot be told" in said for said in result.skipped) == 2
    assert [b.control.two_drivers_of for b in result.buffers] == [0, 0]


def test_two_drivers_that_are_enabled_at_once_fight():
    enables = {"U10": {"enable": LineLevel("EN", 0)}, "U11": {"enable": LineLevel("EN2", 0)}}
    result = run(traffic(), two_drivers(enables), ("EN", "EN2"), lambda k, c: {"EN": 0, "EN2": 0})
    assert {"two-drivers"} <= {code for code, _ in faults(result)}
    assert all(f.count <= f.of for f in result.findings if f.code == "two-drivers")


def test_one_background_after_another_reads_like_an_idle_bus_and_is_no_fault():
    """A march without fetches: write 00 everywhere, read it, write FF, read it: each read repeats the one before."""
    cycles = []
    for value in (0x00, 0xFF, 0x55, 0xAA):
        cycles += [(a, value, True) for a in range(40)] + [(a, value, False) for a in range(40)]
    buffer = Buffer("U10", parts().get("74LS245"), lanes=LANES, serves=("bank",), direction=LineLevel("RW", 1))
    result = run(cycles, [buffer])
    assert faults(result) == []
    assert result.buffers[0].undriven_reads == result.buffers[0].known_reads


def test_repeats_no_more_than_chance_stand_out_for_nobody():
    buffer = Buffer("U10", parts().get("74LS245"), lanes=LANES, serves=("bank",), direction=LineLevel("RW", 1))
    result = run(traffic(400), [buffer]).buffers[0]
    assert result.undriven_by_chance == pytest.approx(result.known_reads / 256, abs=2)
    assert not result.undriven_stands_out


def test_where_high_address_lines_are_not_clipped_reads_that_differ_may_be_of_other_memory():
    """A14 and A15 are not clipped: the program's ROM at C000 reads like the card's memory at 0000."""
    rng = np.random.default_rng(5)
    away = {k: int(rng.integers(0, 256)) for k in range(0, 240, 2) if k % 3}  # reads of the ROM
    near = lambda k, c: word("D", away.get(k, c[1]))  # noqa: E731
    through = lambda k, c: word("MD", c[1])  # noqa: E731
    buffer = data_buffer("74LS245", direction=LineLevel("RW", 1))
    result = run(traffic(240), [buffer], FAR, through, near, lines=14)
    assert faults(result) == []
    assert [(f.code, f.weight) for f in result.findings] == [("never-toward-cpu", "doubt")]
    assert faults(run(traffic(240), [buffer], FAR, through, near)) == [
        ("never-toward-cpu", tuple(f"D{n}" for n in LANES))
    ]


def test_a_driver_that_never_turns_is_one_with_or_without_the_high_address_lines():
    held = {}
    for k, cycle in enumerate(cycles := traffic(240)):
        held[k] = cycle[1] if cycle[2] else held.get(k - 1, 0)
    buffer = data_buffer("74LS245", direction=LineLevel("RW", 1))
    result = run(
        cycles, [buffer], FAR, lambda k, c: word("MD", c[1]), lambda k, c: word("D", held[k]), lines=14
    )
    assert faults(result) == [("never-toward-cpu", tuple(f"D{n}" for n in LANES))]


def test_lanes_that_nobody_drives_may_be_those_that_the_memory_lacks():
    """Four lanes repeat the bus's last level: memory of four bits, or a fault, if chips are stated for them."""
    values = np.random.default_rng(3).integers(0, 256, 160)
    cycles = [(k & 255, int(value), bool(k % 2)) for k, value in enumerate(values)]
    kept = [c[1] & 15 | cycles[k - 1][1] & 240 if k and not c[2] else c[1] for k, c in enumerate(cycles)]
    buffer = Buffer("U10", parts().get("74LS245"), lanes=LANES, serves=("bank",), direction=LineLevel("RW", 1))
    bare = run(cycles, [buffer], near=lambda k, c: word("D", kept[k]))
    assert [(f.code, f.weight) for f in bare.findings] == [("undriven-reads", "doubt")]
    chips = tuple(Chip(f"U{n}", "2114", lanes) for n, lanes in ((1, (0, 1, 2, 3)), (2, (4, 5, 6, 7))))
    stated = Region("bank", 0x0000, 0x00FF, chips=chips)
    told = run(cycles, [buffer], near=lambda k, c: word("D", kept[k]), regions=(stated, OTHER))
    assert faults(told) == [("undriven-reads", ("D4", "D5", "D6", "D7"))]
