"""Several buses in one capture: each judged as if it were alone, and what they say of each other."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from busledger.decoder.errors import BusledgerError, CaptureError, ProfileError, WiringError
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, run_check, run_sets, run_timing, wired_sets
from tests.pipeline.set_captures import CARD_SIDE, device_capture, two_processors, two_sides, wiring_file

DEVICE_SIDE = (
    {"CE": "/CE", "OE": "/OE", "WE": "/WE"}
    | {f"A{n}": f"MA{n}" for n in range(16)}
    | {f"D{n}": f"MD{n}" for n in range(8)}
)


def checked(requests: list[Request], compare: bool = True):
    with wired_sets(requests) as sets:
        return run_sets("check", sets, run_check, compare=compare)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sets")


def sides(folder: Path, lane: int | None) -> list[Request]:
    """The processor's side, its lines known by name, and the RAM's side by a wiring file."""
    path = two_sides(folder / f"sides-{lane}.vcd", lane=lane)
    card = wiring_file(folder / "card.toml", CARD_SIDE)
    return [Request(path, profile="z80"), Request(path, profile="sram", wiring=card)]


def test_two_sides_of_a_driver_agree_where_all_lanes_cross(folder: Path) -> None:
    result = checked(sides(folder, None))
    assert [entry.name for entry in result.sets] == ["z80", "sram"]
    assert [entry.result.mismatch_total for entry in result.sets] == [0, 0]
    (between,) = result.between
    assert between.same_bus and between.data_differ == 0
    assert between.matched == between.second_cycles == between.data_compared
    # The ROM is beside the processor: its cycles do not cross to the card.
    rom = between.first_cycles - between.matched
    assert (sum(between.only_first.values()), between.only_second) == (rom, {})
    assert rom > 1000


def test_a_lane_that_does_not_cross_is_named_and_no_other(folder: Path) -> None:
    result = checked(sides(folder, 5))
    (between,) = result.between
    assert between.same_bus
    assert [lane.lane for lane in between.lanes if lane.differ] == ["D5"]
    lane = between.lanes[5]
    assert (lane.second_high, lane.reads) == (0, 0)  # the card gets D5 low; what it sends low comes through
    assert lane.second_low == lane.writes == between.data_differ > 300
    assert between.first_difference_s is not None
    # Each set's own verdict stands: the processor reads what it did not write, the RAM gives back what it got.
    cpu, ram = (entry.result for entry in result.sets)
    assert cpu.suspects[0].lanes == ("D5",)
    assert (cpu.mismatch_total > 300, ram.mismatch_total) == (True, 0)


def test_two_independent_buses_are_judged_as_if_each_were_captured_alone(folder: Path) -> None:
    made = two_processors(folder)
    both, _ = made["both"]
    requests = [Request(both, profile=bus, wiring=made[bus][1]) for bus in ("6502", "z80")]
    result = checked(requests)
    for entry, bus in zip(result.sets, ("6502", "z80"), strict=True):
        alone = run_check(Request(made[bus][0], profile=bus, wiring=made[bus][1]))
        assert without_capture(entry.result) == without_capture(alone)
    assert result.sets[0].result.suspects[0].lanes == ("D6",)
    assert result.sets[1].result.mismatch_total == 0
    (between,) = result.between
    assert not between.same_bus
    assert between.why_not == "most cycles that come together are at other addresses: two buses of their own"
    assert (between.data_compared, between.lanes) == (0, ())


def without_capture(result: CheckResult) -> dict:
    """Everything but the file's own facts: how many channels it has, how long it is."""
    return result.model_dump(exclude={"capture"})


def test_a_device_that_takes_the_bus_shows_on_one_side_only(folder: Path) -> None:
    path = device_capture(folder / "device.vcd", cpu_cycles=300, device_cycles=40)
    card = wiring_file(folder / "device.toml", DEVICE_SIDE)
    result = checked([Request(path, profile="z80"), Request(path, profile="sram", wiring=card)])
    (between,) = result.between
    assert (between.first_cycles, between.second_cycles, between.matched) == (300, 340, 300)
    assert (between.only_first, between.only_second) == ({}, {"write": 40})
    assert (between.data_compared, between.data_differ) == (300, 0)
    # What the device wrote is wrong for the processor's ledger, which never saw it, and right for the memory's.
    cpu, ram = (entry.result for entry in result.sets)
    assert (cpu.mismatch_total, ram.mismatch_total) == (40, 0)


def test_memory_before_the_driver_is_no_difference(folder: Path) -> None:
    """The strobes reach the card in every cycle, the data only in its own: elsewhere its lines keep their charge."""
    path = two_sides(folder / "off.vcd", lane=5, follows=False)
    far = wiring_file(folder / "far.toml", {f"D{n}": f"MD{n}" for n in range(8)})
    (between,) = checked([Request(path, profile="z80"), Request(path, profile="z80", wiring=far)]).between
    assert between.matched == between.first_cycles == between.second_cycles
    assert {(span.start >> 12, span.end >> 12) for span in between.apart} == {(0xF, 0xF)}
    assert between.data_apart > 1000
    assert [lane.lane for lane in between.lanes if lane.differ] == ["D5"]
    assert {(span.start >> 12, span.end >> 12) for span in between.spans} == {(0x4, 0x4)}


def test_an_inverting_driver_is_recognised(folder: Path) -> None:
    path = device_capture(folder / "inverted.vcd", inverted=True)
    card = wiring_file(folder / "device.toml", DEVICE_SIDE)
    (between,) = checked([Request(path, profile="z80"), Request(path, profile="sram", wiring=card)]).between
    assert (between.inverted, between.data_compared, between.data_differ) == (True, 300, 0)
    assert sum(lane.differ for lane in between.lanes) == 0


def test_lanes_on_one_clip_prove_nothing(folder: Path) -> None:
    """The RAM's pins with the processor's own data channels: levels cannot differ from themselves."""
    path = two_sides(folder / "sides-None.vcd")
    near = {line: channel for line, channel in CARD_SIDE.items() if line not in ("D0", "D1", "D2", "D3")}
    card = wiring_file(folder / "low.toml", near)
    (between,) = checked([Request(path, profile="z80"), Request(path, profile="sram", wiring=card)]).between
    assert between.same_channels == ("D0", "D1", "D2", "D3")
    assert [lane.lane for lane in between.lanes if lane.compared] == ["D4", "D5", "D6", "D7"]


def test_only_stated_regions_are_compared_where_a_board_states_them(folder: Path) -> None:
    path = device_capture(folder / "device.vcd")
    card = wiring_file(folder / "device.toml", DEVICE_SIDE)
    board = folder / "half.toml"
    board.write_text(
        '[board]\nname = "Half"\nbus = "z80"\n[[region]]\nname = "low"\nstart = 0x4000\nend = 0x403F\nkind = "ram"\n'
    )
    result = checked([Request(path, board=board), Request(path, profile="sram", wiring=card)])
    assert [entry.name for entry in result.sets] == ["Half", "sram"]
    (between,) = result.between
    assert (between.data_compared, between.data_outside) == (2 * 0x40, 300 - 2 * 0x40)


def test_other_widths_are_not_compared(folder: Path, tmp_path: Path) -> None:
    path = two_sides(folder / "sides-None.vcd")
    wide = tmp_path / "wide.toml"
    wide.write_text(
        'name = "wide"\ntitle = "t"\nfamily = "strobed"\nsource = "made up"\nchecked = "nothing"\n'
        "address_bits = 16\ndata_bits = 16\n"
        'line = [{ name = "WR", role = "strobe", active = "low", need = "required" }, '
        '{ name = "A0-A15", role = "address" }, { name = "D0-D15", role = "data" }]\n'
        'strobe = [{ name = "WRITE", when = "WR", begin = { setup = 0, hold = 0 }, end = { setup = 0, hold = 0 } }]\n'
        'address = [{ name = "bus", pieces = [{ bits = "0-15", lines = "A0-A15", at = "end" }] }]\n'
        'data = [{ name = "bus", pieces = [{ bits = "0-15", lines = "D0-D15", at = "end" }] }]\n'
        'rule = [{ kind = "write", strobe = "WRITE" }]\n[clock]\njudged = false\n'
    )
    (between,) = checked([Request(path, profile="z80"), Request(path, profile=str(wide))]).between
    assert between.why_not == "not compared: z80 has 8 data bits and wide 16"
    assert (between.same_bus, between.matched) == (False, 0)


def test_sets_of_one_name_are_told_apart(folder: Path) -> None:
    path = two_sides(folder / "sides-None.vcd")
    with wired_sets([Request(path, profile="z80")] * 3) as sets:
        assert [one.name for one in sets] == ["z80", "z80 (2)", "z80 (3)"]
        assert [one.slug for one in sets] == ["z80", "z80-2", "z80-3"]


def test_a_pipe_is_read_by_every_set(folder: Path) -> None:
    asked = sides(folder, 5)
    data = Path(asked[0].capture).read_bytes()
    piped = [Request("-", profile=one.profile, wiring=one.wiring, stdin=io.BytesIO(data)) for one in asked]
    whole, through = checked(asked), checked(piped)
    assert through.between == whole.between
    assert [without_capture(e.result) for e in through.sets] == [without_capture(e.result) for e in whole.sets]
    assert through.capture == "-"


@pytest.mark.parametrize(
    ("second", "error", "told"),
    [
        ({"profile": "z81"}, ProfileError, r"^set 2: .*z81"),
        ({"profile": "sram", "wiring": "gone.toml"}, WiringError, r"^gone\.toml: set 2: the wiring cannot be read"),
        ({"profile": "6502"}, WiringError, "^set 2: the line RW is not wired"),
        ({}, BusledgerError, "^set 2: neither a board file nor a bus was given"),
    ],
)
def test_a_mistake_says_which_set_it_is_in(folder: Path, second, error, told) -> None:
    path = two_sides(folder / "sides-None.vcd")
    with pytest.raises(error, match=told), wired_sets([Request(path, profile="z80"), Request(path, **second)]):
        pass


def test_a_set_that_never_moves_does_not_hide_the_others(folder: Path) -> None:
    """The controller was never switched on: the processor's result is there, with a sentence for the other."""
    path = two_sides(folder / "sides-None.vcd")
    still = wiring_file(folder / "still.toml", {**CARD_SIDE, "CE": "/IORQ"})
    requests = [Request(path, profile="z80"), Request(path, profile="sram", wiring=still)]
    result = checked(requests)
    assert result.sets[0].result is not None and result.sets[0].message is None
    assert result.sets[1].result is None
    assert "set 2 (sram)" in result.sets[1].message
    assert "there is not one bus cycle" in result.sets[1].message
    with pytest.raises(CaptureError, match=r"^set 1"):
        checked(requests[1:] * 2)


def test_other_checks_run_once_for_each_set_too(folder: Path) -> None:
    with wired_sets(sides(folder, None)) as sets:
        result = run_sets("timing", sets, run_timing)
    assert [entry.result.profile for entry in result.sets] == ["z80", "sram"]
    assert result.between == ()
