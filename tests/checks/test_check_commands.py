"""The commands ``selects``, ``buffers``, ``timing`` and ``probes`` as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busledger.tui.commands.main import main
from tests.benchmarks.checks_table import drawn
from tests.checks.driver_cases import write_driver_case

CUT = str(Path(__file__).parents[1] / "external" / "data" / "carillon_events_cut.vcd.xz")
LAMP = str(Path(__file__).parents[1] / "external" / "data" / "signal_lamp_events_cut.vcd.xz")


@pytest.fixture(scope="module")
def cases(tmp_path_factory):
    """name → (capture, board file) of a healthy card and two broken ones."""
    found = {}
    for name in ("healthy", "output-missing", "lane-stuck"):
        folder = tmp_path_factory.mktemp(name)
        found[name] = [str(p) for p in write_driver_case(drawn(name, 60), folder, seed=60)]
    return found


def typed(capsys, *words) -> tuple[int, str, str]:
    status = main([*words, "--no-progress"])
    said = capsys.readouterr()
    return status, said.out, said.err


@pytest.mark.parametrize("command", ["selects", "buffers"])
def test_healthy_card_is_good_and_the_status_0(capsys, cases, command):
    capture, board = cases["healthy"]
    status, out, err = typed(capsys, command, capture, "--board", board)
    assert (status, err) == (0, "")
    assert out.startswith("Every ")


def test_missing_output_comes_first_and_the_status_is_1(capsys, cases):
    capture, board = cases["output-missing"]
    status, out, _ = typed(capsys, "selects", capture, "--board", board)
    assert status == 1
    assert out.startswith("wrong: ")
    assert "does not come" in out.splitlines()[0] + out.splitlines()[1]


def test_stuck_lane_comes_first(capsys, cases):
    capture, board = cases["lane-stuck"]
    status, out, _ = typed(capsys, "buffers", capture, "--board", board, "--quiet")
    assert status == 1
    assert out.startswith("wrong: ")
    assert "whatever goes in" in " ".join(out.split())


@pytest.mark.parametrize(
    ("command", "schema"),
    [("selects", "busledger.selects/1"), ("buffers", "busledger.buffers/1"), ("timing", "busledger.timing/1")],
)
def test_json_is_one_document_with_its_schema(capsys, cases, command, schema):
    capture, board = cases["healthy"]
    _, out, _ = typed(capsys, command, capture, "--board", board, "--json")
    assert json.loads(out)["schema"] == schema


def test_timing_against_a_grade(capsys):
    status, out, _ = typed(capsys, "timing", CUT, "--profile", "6502")
    assert status == 0
    assert out.startswith("Nothing violates the limits of grade 1 MHz")
    assert "TACC" in out
    # A core with 110 ns of address delay and 425 ns of access is too slow for a 2 MHz part's 300 ns.
    status, out, _ = typed(capsys, "timing", CUT, "--profile", "6502", "--grade", "2 MHz", "--json")
    assert status == 1
    limits = {limit["name"]: limit for limit in json.loads(out)["limits"]}
    assert limits["TACC"]["violated"] > 0
    assert limits["TACC"]["margin_ns"] == 300 - limits["TACC"]["max_ns"]
    assert sum(limits["TACC"]["histogram"]["counts"]) == limits["TACC"]["count"]


def test_unknown_grade_is_one_message_with_the_grades(capsys):
    status, out, err = typed(capsys, "timing", CUT, "--profile", "6502", "--grade", "9 MHz")
    assert (status, out) == (2, "")
    assert "2 MHz" in err
    assert "Traceback" not in err


def test_probes_need_no_bus(capsys):
    status, out, _ = typed(capsys, "probes", LAMP)
    assert status == 0
    assert out.startswith("Every channel looks sound")
    assert "clk is the clock: period 400.0 ns" in " ".join(out.split())


def test_probes_name_the_lines_of_a_bus(capsys):
    _, out, _ = typed(capsys, "probes", LAMP, "--profile", "z80", "--json")
    found = json.loads(out)
    assert found["schema"] == "busledger.probes/1"
    assert {c["channel"]: c["line"] for c in found["channels"]}["mreq_n"] == "MREQ"
    assert found["clock"]["period_ns"] == 400


@pytest.mark.parametrize("command", ["selects", "buffers"])
def test_without_a_board_file_they_say_what_is_needed(capsys, command):
    status, out, err = typed(capsys, command, CUT)
    assert (status, out) == (2, "")
    assert "--board" in err


def test_a_board_without_drivers_is_said(capsys, tmp_path):
    board = tmp_path / "board.toml"
    board.write_text('[board]\nname = "Carillon"\nbus = "6502"\n[[region]]\nname = "r"\nstart = 0\nend = 255\n'
                     'kind = "ram"\n')  # fmt: skip
    for command, word in (("selects", "decoder"), ("buffers", "driver")):
        status, out, err = typed(capsys, command, CUT, "--board", str(board))
        assert (status, out) == (2, "")
        assert word in err


def test_hostile_names_reach_the_terminal_harmless(capsys, tmp_path):
    capture = tmp_path / "evil.vcd"
    capture.write_text(
        '$timescale 1 ns $end\n$scope module x $end\n$var wire 1 ! \x1b[31mred $end\n$var wire 1 " b[bold]c $end\n'
        '$upscope $end\n$enddefinitions $end\n#0\n0!\n0"\n#10\n1!\n#20\n0!\n1"\n#30\n'
    )
    status, out, _ = typed(capsys, "probes", str(capture))
    assert status in (0, 1)
    assert "\x1b" not in out
    assert "b[bold]c" in out


@pytest.mark.parametrize("width", [40, 80, 110])
def test_no_line_is_wider_than_the_terminal(capsys, cases, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    capture, board = cases["output-missing"]
    for command in ("selects", "buffers", "timing", "probes"):
        _, out, _ = typed(capsys, command, capture, "--board", board)
        assert max(len(line) for line in out.splitlines()) <= width


def test_nameless_channels_get_a_wiring_proposed(capsys, cases, tmp_path):
    """A healthy card's capture with its channels called ch0, ch1, …; how good proposals are is tested elsewhere."""
    import tomllib

    capture, board = cases["healthy"]
    bus = tomllib.loads(Path(board).read_text())["board"]["bus"]
    head, body = Path(capture).read_text().split("$enddefinitions $end", 1)
    lines, real = [], {}
    for line in head.splitlines():
        words = line.split()
        if words[:1] == ["$var"]:
            real[f"ch{len(real)}"], words[4] = words[4], f"ch{len(real)}"
        lines.append(" ".join(words))
    nameless = tmp_path / "nameless.vcd"
    nameless.write_text("\n".join(lines) + "\n$enddefinitions $end" + body)
    _, out, _ = typed(capsys, "probes", str(nameless), "--profile", bus, "--json")
    wiring = tomllib.loads(json.loads(out)["proposed_wiring"])["wiring"]
    right = sum(real[channel].strip("/").replace("R/W", "RW") == line for line, channel in wiring.items())
    assert right == len(wiring) > 2
    _, out, _ = typed(capsys, "probes", str(nameless), "--profile", bus)
    assert "this wiring is proposed" in " ".join(out.split())
    # With names that tell there is nothing to propose.
    _, out, _ = typed(capsys, "probes", capture)
    assert "proposed" not in out


def test_a_bus_nothing_is_known_of_says_why_no_wiring_is_proposed(capsys, tmp_path):
    capture = tmp_path / "nameless.csv"
    capture.write_text("time,ch0,ch1\n" + "".join(f"{n * 1e-6},{n & 1},{n >> 1 & 1}\n" for n in range(50)))
    status, out, _ = typed(capsys, "probes", str(capture), "--profile", "dram")
    assert status == 0
    assert "no wiring can be proposed for it: the profile does not say what its lines do" in " ".join(out.split())
