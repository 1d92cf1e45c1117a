"""A memory test's list, from a simulated machine with one fault, names the part; what a list cannot part stays tied."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from busledger.decoder.errors import BoardError, UsageError
from busledger.decoder.findings import CheckResult, Suspect
from busledger.decoder.pipeline import ErrorsRequest, check_errors

BOARD = """
[board]
name = "Dome drive memory card"
bus = "6800"
[[region]]
name = "bank0"
start = 0x4000
end = 0x43FF
kind = "ram"
select = "CS0"
chips = [{ designator = "U1", part = "2114", lanes = "D0-D3" }, { designator = "U2", part = "2114", lanes = "D4-D7" }]
[[region]]
name = "bank1"
start = 0x4400
end = 0x47FF
kind = "ram"
select = "CS1"
chips = [{ designator = "U3", part = "2114", lanes = "D0-D3" }, { designator = "U4", part = "2114", lanes = "D4-D7" }]
[[buffer]]
designator = "U10"
part = "74LS245"
lanes = "D0-D7"
serves = ["bank0", "bank1"]
direction = { line = "RW", to_cpu = 1 }
far_side = { D0 = "MD0", D1 = "MD1", D2 = "MD2", D3 = "MD3", D4 = "MD4", D5 = "MD5", D6 = "MD6", D7 = "MD7" }
"""
TESTED = ((0x4000, 0x47FF),)
CELLS = range(0x4000, 0x4800)

Fault = Callable[[int, int], int]  # (address, what the cell holds) → what is read
Cell = Callable[[int], int]  # address → the cell that answers
Rule = Callable[[int], int]  # address → what the test writes


def checkerboard(value: int) -> Rule:
    return lambda _address: value


def halves_added(address: int) -> int:
    return (address + (address >> 8)) & 0xFF


CHECKERBOARDS = (checkerboard(0x55), checkerboard(0xAA))


def printed(
    fault: Fault = lambda _a, held: held,
    cell: Cell = lambda a: a,
    rules: Sequence[Rule] = CHECKERBOARDS,
    cells: Sequence[int] = CELLS,
) -> str:
    """What a test prints that fills the cells, in their order, and then reads them back."""
    lines = []
    for rule in rules:
        memory = {cell(a): rule(a) for a in cells}
        reads = ((a, fault(a, memory[cell(a)])) for a in cells)
        lines += [f"{a:04X} {rule(a):02X} {got:02X}" for a, got in reads if got != rule(a)]
    return "\n".join(lines)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    path = tmp_path / "card.toml"
    path.write_text(BOARD)
    return path


def answer(board: Path, text: str, **said: object) -> CheckResult:
    made: dict[str, object] = {"tested": TESTED, **said}
    return check_errors(ErrorsRequest("-", board, stdin=io.BytesIO(text.encode()), **made))  # type: ignore[arg-type]


def leading(result: CheckResult) -> Suspect:
    return result.suspects[0]


def with_its_ties(result: CheckResult) -> set[tuple[str | None, str]]:
    """(part or None, fault) of the leader and of all that the list cannot tell from it."""
    lead = leading(result)
    return {(s.component, s.fault) for s in result.suspects if s is lead or s.rank in lead.tied_with}


def warned(result: CheckResult) -> set[str]:
    return {warning.code for warning in result.capture.warnings}


def test_a_chip_with_a_stuck_lane(board: Path) -> None:
    result = answer(board, printed(lambda a, held: held & ~0x08 if a < 0x4400 else held))
    assert (leading(result).component, leading(result).lanes) == ("U1", ("D3",))
    assert result.unexplained == 0
    assert ("U1", "stuck-low") in with_its_ties(result)
    assert result.mismatch_total == 1024


def test_what_came_right_at_both_levels_is_cleared(board: Path) -> None:
    result = answer(board, printed(lambda a, held: held & ~0x08 if a < 0x4400 else held, rules=[halves_added]))
    assert (leading(result).component, leading(result).lanes) == ("U1", ("D3",))
    assert {"U3", "U4"} <= {one.component for one in result.cleared}
    assert "U1" not in {one.component for one in result.cleared}


def test_a_lane_of_all_banks_is_the_driver_or_the_bus_and_the_list_cannot_say_which(board: Path) -> None:
    result = answer(board, printed(lambda _a, held: held | 0x20))
    assert {s.scope for s in result.suspects if s.probability > 0.1} <= {"buffer", "bus"}
    assert {name for name, _ in with_its_ties(result)} >= {"U10", None}
    told = result.coverage["from_list"]["cannot_tell"]
    assert any("U10 or the bus" in sentence for sentence in told)
    assert "MD5" in result.next_steps[-1].clip


def test_an_address_line_of_one_bank(board: Path) -> None:
    text = printed(cell=lambda a: a & ~0x10 if a < 0x4400 else a, rules=[halves_added])
    result = answer(board, text)
    assert result.unexplained == 0
    assert {(s.region, s.address_lines) for s in result.suspects if s.address_lines} == {("bank0", ("A4",))}
    assert leading(result).address_lines == ("A4",)


def test_an_address_line_under_a_test_that_goes_downward(board: Path) -> None:
    text = printed(cell=lambda a: a & ~0x10, rules=[halves_added], cells=CELLS[::-1])
    result = answer(board, text)
    assert leading(result).address_lines == ("A4",)
    assert result.coverage["from_list"]["taken"][1].endswith("downward.")


@pytest.mark.parametrize("idle", [0xFF, 0x00, 0x40])
def test_a_whole_bank_that_does_not_answer(board: Path, idle: int) -> None:
    result = answer(board, printed(lambda a, held: idle if a >= 0x4400 else held))
    assert {s.region for s in result.suspects if s.probability > 0.05} == {"bank1"}
    assert result.unexplained == 0
    assert result.next_steps[-1].clip[-3:][0] in ("CS1", "MD0") or "CS1" in result.next_steps[-1].clip


def test_one_error_only(board: Path) -> None:
    result = answer(board, "4123 55 51")
    assert "one-error" in warned(result)
    assert (leading(result).region, leading(result).lanes) == ("bank0", ("D2",))
    assert result.mismatch_total == 1


def test_all_addresses_wrong_is_no_single_chip(board: Path) -> None:
    result = answer(board, printed(lambda _a, _held: 0xFF))
    assert result.mismatch_total == 2 * len(CELLS)
    assert {s.scope for s in result.suspects if s.probability > 0.05} & {"chip", "cell"} == set()
    assert all(not one.lanes and one.component is None for one in result.cleared)


def test_without_tested_the_doubt_is_said_and_bus_and_chip_stay_open(board: Path) -> None:
    result = answer(board, printed(lambda a, held: held & ~0x08 if a < 0x4400 else held), tested=())
    assert "tested-not-said" in warned(result)
    assert {s.component for s in result.suspects if s.probability > 0.03} >= {"U1", "U10"}
    assert sum(region.reads for region in result.regions) == 1024


def test_a_cut_list_takes_nothing_as_right_past_its_ends(board: Path) -> None:
    """The first 24 errors of the second bank: a screen's worth."""
    lines = printed(lambda a, held: held & ~0x08 if a >= 0x4400 else held).splitlines()[:24]
    whole, cut = answer(board, "\n".join(lines)), answer(board, "\n".join(lines), cut=True)
    assert "full-screen" in warned(whole)
    assert "list-cut" in warned(cut)
    assert sum(region.reads for region in cut.regions) == 24
    assert leading(cut).lanes == ("D3",)


def test_an_error_that_comes_and_goes_has_a_rate_from_the_passes(board: Path) -> None:
    """D3 of one cell in sixteen fails in one of ten passes."""
    text = "\n".join(f"{a:04X} AA A2" for a in range(0x4000, 0x4400, 16))
    result = answer(board, text, passes=10)
    assert leading(result).component == "U1"
    assert leading(result).rate is not None
    assert result.regions[0].reads == 10 * 1024
    assert result.regions[0].mismatches == 64


def test_an_address_listed_more_often_than_there_were_passes(board: Path) -> None:
    result = answer(board, "4123 55 51\n" * 3, passes=2)
    assert "passes" in warned(result)
    assert result.regions[0].mismatches == 3


def test_figures_by_chance_clear_no_lane_that_failed(board: Path) -> None:
    wrote = [(a, (a * 167 >> 3) & 0xFF) for a in CELLS if a < 0x4400]
    text = "\n".join(f"{a:04X} {w:02X} {w & ~0x08:02X}" for a, w in wrote if w & 0x08)
    result = answer(board, text)
    assert (leading(result).component, leading(result).lanes) == ("U1", ("D3",))
    assert "pattern-unknown" in warned(result)


def test_a_march_is_taken_as_one(board: Path) -> None:
    """Written 00; upward read 00, write FF; downward read FF, write 00; bank0 does not follow A4."""
    memory = dict.fromkeys(CELLS, 0)
    lines = []
    for due, then, cells in ((0x00, 0xFF, CELLS), (0xFF, 0x00, CELLS[::-1])):
        for a in cells:
            cell = a & ~0x10 if a < 0x4400 else a
            if memory[cell] != due:
                lines.append(f"{a:04X} {due:02X} {memory[cell]:02X}")
            memory[cell] = then
    result = answer(board, "\n".join(lines))
    assert leading(result).address_lines == ("A4",)
    assert "turned it over" in result.coverage["from_list"]["taken"][1]


def test_bytes_of_a_wide_bus_fall_on_their_lanes(tmp_path: Path) -> None:
    path = tmp_path / "wide.toml"
    path.write_text(
        '[board]\nname = "Wide"\nbus = "68000"\n[[region]]\nname = "ram"\nstart = 0x1000\nend = 0x1FFF\nkind = "ram"\n'
        'chips = [{ designator = "U1", part = "6116", lanes = "D8-D15" }, '
        '{ designator = "U2", part = "6116", lanes = "D0-D7" }]\n'
    )
    odd = "\n".join(f"{a:06X} AA A2" for a in range(0x1001, 0x2000, 2))
    assert leading(answer(path, odd, tested=((0x1000, 0x1FFF),))).component == "U2"
    even = "\n".join(f"{a:06X} AA A2" for a in range(0x1000, 0x2000, 2))
    assert leading(answer(path, even, tested=((0x1000, 0x1FFF),))).component == "U1"
    words = "\n".join(f"{a:06X} AAAA A2AA" for a in range(0x1000, 0x2000, 2))
    found = leading(answer(path, words, tested=((0x1000, 0x1FFF),)))
    assert (found.component, found.lanes) == ("U1", ("D11",))


def test_banks_that_share_addresses_are_left_out_and_named(tmp_path: Path) -> None:
    path = tmp_path / "banked.toml"
    bank = (
        '[[region]]\nname = "{0}"\nstart = 0x8000\nend = 0x83FF\nkind = "ram"\nwhen = {{ line = "BK", level = {1} }}\n'
    )
    path.write_text(BOARD + bank.format("low", 0) + bank.format("high", 1))
    result = answer(path, "4123 55 51")
    assert "banked" in warned(result)
    assert [region.name for region in result.regions] == ["bank0", "bank1"]


def test_tested_ranges_without_memory_and_boards_without_memory_have_a_message(board: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--tested names no address"):
        answer(board, "4123 55 51", tested=((0x8000, 0x8FFF),))
    rom = tmp_path / "rom.toml"
    rom.write_text('[board]\nname = "x"\nbus = "6800"\n[[region]]\nname = "m"\nstart = 0\nend = 0xFF\nkind = "rom"\n')
    with pytest.raises(BoardError, match="no memory that a test could write to"):
        answer(rom, "4123 55 51")
    bad = tmp_path / "bad.toml"
    bad.write_text("[board")
    with pytest.raises(BoardError):
        answer(bad, "4123 55 51")


def test_addresses_outside_the_memory_are_counted_not_weighed(board: Path) -> None:
    result = answer(board, "4123 55 51\n4124 55 51\n8000 55 00\n")
    assert "outside" in warned(result)
    assert result.mismatch_total == 2
