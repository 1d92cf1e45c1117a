"""What the main job says against a recording, held against the findings of the checks that stand by themselves."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busledger.decoder.board import Board, load_board
from busledger.decoder.bus import load_profile
from busledger.decoder.checks import BuffersResult, CheckFinding, Grounds, SelectsResult, TimingResult
from busledger.decoder.pipeline.doubts import Doubt, held_against
from busledger.tui.commands.main import main
from tests.outside.rivals.cases import make, write

PROFILE = load_profile("z80")
CARD = """
[board]
name = "loom controller"
bus = "z80"

[[region]]
name = "warp"
start = 0x4000
end = 0x47FF
kind = "ram"
select = "CS0"
chips = [{ designator = "U1", part = "6116", lanes = "D0-D7" }]

[[decoder]]
designator = "U9"
part = "74LS138"
inputs = { A = "A11", B = "A12", C = "A13", G1 = "A14", G2A = "A15", G2B = "MREQ" }
outputs = { Y0 = "CS0" }

[[buffer]]
designator = "U10"
part = "74LS245"
lanes = "D0-D7"
serves = ["warp"]
direction = { line = "RD", to_cpu = 0 }
far_side = { D0 = "MD0", D1 = "MD1" }
"""


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Board:
    path = tmp_path_factory.mktemp("card") / "board.toml"
    path.write_text(CARD)
    return load_board(path, lines=PROFILE.spellings)


def fault(code: str, component: str, *lines: str, lanes: tuple[str, ...] = ()) -> CheckFinding:
    return CheckFinding(code=code, weight="fault", text=code, component=component, lines=lines, lanes=lanes)


def off(*lines: str) -> Doubt:
    return Doubt("clip-off", lines, f"the clip on {', '.join(lines)} has come off", "Look at it.")


SELECT = fault("output-missing", "U9", "CS0")
LANE = fault("lane-stuck-low", "U10", "D1", "MD1", lanes=("D1",))
TURNED = fault("direction-away", "U10", "RD")


@pytest.mark.parametrize("line", ["CS0", "A11", "A15", "MREQ", "RD"])
def test_a_select_is_not_accused_by_a_clip_that_it_is_judged_by(card: Board, line: str) -> None:
    held = held_against("selects", SelectsResult(findings=(SELECT,)), [off(line)], Grounds(card, PROFILE))
    assert [f.weight for f in held.findings] == ["doubt", "doubt"]
    assert held.findings[0].text == f"the clip on {line} has come off; look at it"
    assert (held.judged, held.not_judged_because) == (False, f"the clip on {line} has come off")


@pytest.mark.parametrize("line", ["D3", "A3"])
def test_a_clip_that_selects_do_not_rest_on_leaves_them_as_they_are(card: Board, line: str) -> None:
    result = SelectsResult(findings=(SELECT,))
    assert held_against("selects", result, [off(line)], Grounds(card, PROFILE)) == result


def test_the_lane_of_a_doubted_line_is_let_go_and_another_fault_stands(card: Board) -> None:
    result = BuffersResult(findings=(TURNED, LANE))
    held = held_against("buffers", result, [off("D1")], Grounds(card, PROFILE))
    assert [(f.code, f.weight) for f in held.findings] == [
        ("clip-off", "doubt"), ("direction-away", "fault"), ("lane-stuck-low", "doubt"),
    ]  # fmt: skip
    assert held.judged and held.not_judged_because == ""


def test_a_capture_that_is_refused_as_a_whole_accuses_nobody(card: Board) -> None:
    slow = Doubt("too-slow", (), "sampled too slowly", "sample faster")
    result = TimingResult(profile="z80", grade=None, sample_ns=500.0)
    held = held_against("timing", result, [slow], Grounds(card, PROFILE))
    assert not held.judged and held.findings[0].code == "too-slow"


def test_where_nothing_is_in_doubt_nothing_changes(card: Board) -> None:
    result = BuffersResult(findings=(TURNED, LANE))
    assert held_against("buffers", result, [], Grounds(card, PROFILE)) is result


# -- as they are typed, on captures of the outside world: each was found at its seed
def typed(capsys: pytest.CaptureFixture[str], command: str, folder: Path) -> tuple[int, str]:
    board = folder / "board.toml"
    status = main([command, str(folder / "capture.vcd"), "--board", str(board), "--no-progress", "--json"])
    return status, capsys.readouterr().out


@pytest.fixture(scope="module")
def spoiled(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A read strobe off for a while, and a data and an address clip exchanged; both cards are sound."""
    cases = {"RD": (520000, "clip-strobe"), "exchanged": (520000, "exchanged-mixed")}
    return {name: write(make(seed, kind), tmp_path_factory.mktemp(name)) for name, (seed, kind) in cases.items()}


@pytest.mark.parametrize("name", ["RD", "exchanged"])
def test_drivers_are_not_accused_where_check_refuses_and_all_three_agree(capsys, spoiled, name: str) -> None:
    said = {command: typed(capsys, command, spoiled[name]) for command in ("check", "buffers")}
    check, buffers = (json.loads(text) for _, text in said.values())
    assert [status for status, _ in said.values()] == [3, 3]
    assert not check["judged"] and not buffers["judged"]
    assert buffers["not_judged_because"] == check["not_judged_because"]
    assert all(f["weight"] != "fault" for f in [*buffers["findings"], *check["checks"]["buffers"]])


def test_probes_tells_the_strobe_that_was_off_and_when(capsys, spoiled) -> None:
    status, text = typed(capsys, "probes", spoiled["RD"])
    found = [f for f in json.loads(text)["findings"] if f["code"] == "clip-off"]
    assert status == 1 and ["RD" in line for f in found for line in f["lines"]] == [True]
    assert "was off from 4.39 ms to 10.9 ms" in found[0]["text"]


# Sound cards, at the seeds they were found at: two exchanged address clips that only the selects tell, a select's clip
# that rests at its active level, strobes that ring in a third of their edges.
@pytest.mark.parametrize(
    ("seed", "kind", "command", "status", "said"),
    [
        (620002, "exchanged-address", "selects", 3, "A6 and A8 look swapped at the clips"),
        (710003, "clip-select", "selects", 3, "the clip on /CS0 has come off: it never rested"),
        (710003, "clip-select", "check", 3, "the clip on /CS0 has come off: it never rested"),
        (710004, "ringing", "buffers", 0, ""),
        # Writes to a Z80's IO, which the profile of another bus takes for memory: no select, and none asked for.
        (520508, "wrong-profile", "selects", 0, ""),
        (520508, "wrong-profile", "buffers", 0, ""),
    ],
)
def test_a_spoiled_capture_accuses_no_decoder_and_no_driver(
    capsys, tmp_path: Path, seed: int, kind: str, command: str, status: int, said: str
) -> None:
    found, text = typed(capsys, command, write(make(seed, kind), tmp_path))
    result = json.loads(text)
    assert found == status and result["not_judged_because"].startswith(said)
    assert [f for f in result.get("findings", ()) if f["weight"] == "fault"] == []
