"""Options given once for each wired set: sections, files, JSON and exit status of every command that takes several."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import html5lib
import jsonschema
import pytest

from busledger.decoder.report import sets_schema
from busledger.tui.commands.main import main
from tests.pipeline.set_captures import CARD_SIDE, two_sides, wiring_file

Typed = Callable[..., tuple[int, str, str]]
BOARD = """[board]
name = "{name}"
bus = "z80"
[wiring]
{wiring}
[[region]]
name = "table"
start = 0x4000
end = 0x43FF
kind = "ram"
select = "CS0"
[[buffer]]
designator = "U10"
part = "74LS245"
lanes = "D0-D7"
serves = ["table"]
direction = {{ line = "DIR", to_cpu = 0 }}
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A healthy capture and one whose lane D5 does not cross the driver, a wiring file and a board for each side."""
    folder = tmp_path_factory.mktemp("bench")
    two_sides(folder / "good.vcd")
    two_sides(folder / "lane.vcd", lane=5)
    wiring_file(folder / "card.toml", CARD_SIDE)
    (folder / "near.toml").write_text(BOARD.format(name="Near side", wiring=""))
    far = "\n".join(f'D{n} = "MD{n}"' for n in range(8))
    (folder / "far.toml").write_text(BOARD.format(name="Far side", wiring=far))
    return folder


@pytest.fixture
def typed(bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Typed:
    """(status, standard output, standard error) of a command line, typed in the bench's folder."""
    monkeypatch.chdir(bench)

    def run(line: str) -> tuple[int, str, str]:
        status = main([*line.split(), "--no-progress"] if "browse" not in line and "plan" not in line else line.split())
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


SIDES = "--profile z80 --wiring none --profile sram --wiring card.toml"


def test_check_has_a_section_for_each_set_and_one_for_what_lies_between(typed: Typed) -> None:
    status, out, err = typed(f"check lane.vcd {SIDES}")
    assert (status, err) == (1, "")
    cpu, card, between = out.index("Set 1: z80\n"), out.index("Set 2: sram, wired by card.toml\n"), out.index("Between")
    assert cpu < card < between
    assert "the chip on D5 of 4000-43FF" in out[cpu:card]
    assert out[card:between].splitlines()[1].startswith("No fault seen")
    assert "z80 and sram: D5 differs in " in out[between:]
    assert "times low on sram where high on z80 (0 of " in out[between:]
    assert "which part makes them" in " ".join(out[between:].split())


def test_nothing_wrong_is_said_in_three_lines_with_quiet(typed: Typed) -> None:
    status, out, _ = typed(f"check good.vcd {SIDES} --quiet")
    assert status == 0
    told = [line for line in out.splitlines() if line]
    assert [line[:13] for line in told] == ["Set 1: z80", "No fault seen", "Set 2: sram, ", "No fault seen",
                                            "Between the s", "z80 and sram:"]  # fmt: skip
    assert "all 2868 data words agree (D0-D7)" in told[-1]


def test_the_json_is_one_object_that_fits_its_schema(typed: Typed) -> None:
    status, out, _ = typed(f"check lane.vcd {SIDES} --json")
    found = json.loads(out)
    jsonschema.Draft202012Validator(sets_schema()).validate(found)
    assert (status, found["schema"], found["command"]) == (1, "busledger.sets/1", "check")
    assert [(one["name"], one["wiring"]) for one in found["sets"]] == [("z80", None), ("sram", "card.toml")]
    assert [one["result"]["schema"] for one in found["sets"]] == ["busledger.check/1"] * 2
    assert [lane["lane"] for lane in found["between"][0]["lanes"] if lane["differ"]] == ["D5"]


def test_one_set_prints_what_it_always_printed(typed: Typed) -> None:
    _, out, _ = typed("check lane.vcd --profile z80 --json")
    assert json.loads(out)["schema"] == "busledger.check/1"
    assert "Set 1" not in typed("check lane.vcd --profile z80")[1]


@pytest.mark.parametrize("command", ["timing", "cycles"])
def test_the_other_commands_of_two_buses_have_a_schema_too(typed: Typed, command: str) -> None:
    status, out, err = typed(f"{command} good.vcd {SIDES} --json")
    found = json.loads(out)
    jsonschema.Draft202012Validator(sets_schema()).validate(found)
    assert err == ""
    assert status == int(command == "timing" and any(f["weight"] == "fault" for one in found["sets"]
                                                     for f in one["result"]["findings"]))  # fmt: skip
    assert [one["result"]["schema"] for one in found["sets"]] == [f"busledger.{command}/1"] * 2
    assert found["between"] == []


@pytest.mark.parametrize("command", ["selects", "buffers"])
def test_boards_bring_their_own_bus_and_wiring(typed: Typed, command: str) -> None:
    _, out, err = typed(f"{command} good.vcd --board near.toml --board far.toml --json")
    assert err == ""
    found = json.loads(out)
    jsonschema.Draft202012Validator(sets_schema()).validate(found)
    assert [(one["name"], one["profile"]) for one in found["sets"]] == [("Near side", "z80"), ("Far side", "z80")]
    assert len(found["between"]) == (command == "buffers")
    out = typed(f"{command} good.vcd --board near.toml --board far.toml")[1]
    assert "Set 2: Far side, z80 bus\n" in out


def test_buffers_compares_the_sides_inside_the_stated_regions(typed: Typed) -> None:
    status, out, _ = typed("buffers lane.vcd --board near.toml --board far.toml")
    assert status == 1
    assert "Near side and Far side: D5 differs in " in out
    assert "outside the stated regions: data not compared" in out


def test_cycles_are_listed_set_by_set(typed: Typed) -> None:
    status, out, _ = typed(f"cycles good.vcd {SIDES} --head 3")
    assert status == 0
    first, second = out.split("Set 2: sram, wired by card.toml\n")
    assert first.count("opcode-fetch") == 2
    assert second.count("write") == 3


def test_a_file_of_cycles_is_written_for_each_set(typed: Typed, bench: Path) -> None:
    status, out, _ = typed(f"cycles lane.vcd {SIDES} --csv list.csv --jsonl list.jsonl")
    assert status == 1
    assert not (bench / "list.csv").exists()
    for name, wrong in (("z80", True), ("sram", False)):
        rows = list(csv.DictReader(io.StringIO((bench / f"list.{name}.csv").read_text())))
        lines = (bench / f"list.{name}.jsonl").read_text().splitlines()
        alone = "--profile z80" if name == "z80" else "--profile sram --wiring card.toml"
        assert typed(f"cycles lane.vcd {alone} --csv alone.csv")[0] == int(wrong)
        assert (bench / "alone.csv").read_bytes() == (bench / f"list.{name}.csv").read_bytes()
        assert len(rows) == len(lines)
        assert f"in list.{name}.csv, list.{name}.jsonl" in out


def test_a_report_is_written_for_each_set_with_what_lies_between(typed: Typed, bench: Path) -> None:
    _, out, _ = typed(f"check lane.vcd {SIDES} --html page.html --markdown log.md")
    assert "Written: page.z80.html, log.z80.md, page.sram.html, log.sram.md, page.html" in " ".join(out.split())
    for name in ("z80", "sram"):
        page, text = (bench / f"page.{name}.html").read_text(), (bench / f"log.{name}.md").read_text()
        html5lib.HTMLParser(strict=True).parse(page)
        assert "<h2>Between the sets</h2>" in page
        assert "## Between the sets\n\n- z80 and sram: D5 differs in " in text.replace("\n\n\n", "\n\n")


def test_one_page_lists_the_sets_and_leads_to_their_own(typed: Typed, bench: Path) -> None:
    typed(f"check lane.vcd {SIDES} --html all.html")
    page = (bench / "all.html").read_text()
    html5lib.HTMLParser(strict=True).parse(page)
    assert 'href="all.z80.html"' in page and 'href="all.sram.html"' in page
    assert "Set 1: z80" in page and "z80 and sram: D5 differs in " in page


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (
            "check good.vcd --profile z80 --profile sram --wiring card.toml",
            "--wiring was given once and --profile 2 times; expected one --wiring for each wired set, in the same "
            "order, or none at all. Write '--wiring none' for a set that needs none.",
        ),
        ("cycles good.vcd --profile z80 --board near.toml --board far.toml", "--profile was given once and --board 2"),
        (
            "check {folder}/goood.vcd --profile z80 --profile sram",
            "goood.vcd: set 1: cannot be read: No such file or directory. Check the spelling of the path. Did you mean",
        ),
        ("timing good.vcd --profile z80 --profile z81", "set 2: there is no bus profile 'z81'"),
        ("check good.vcd --profile z80 --profile sram --region a=0-FF", "--region was given for 2 wired sets"),
        ("check good.vcd lane.vcd --profile z80 --profile sram", "2 captures were given for 2 wired sets"),
        ("cycles good.vcd --profile z80 --profile sram --csv -", "--csv - would print several wired sets as one"),
        ("check good.vcd --profile z80 --profile sram --html -", "--html - would print several wired sets as one"),
        ("check good.vcd --profile z80 --profile 6502 --wiring none --wiring card.toml", "[wiring]: set 2: "),
        ("browse good.vcd --profile z80 --profile sram", "--profile was given 2 times, but this command looks at one"),
        ("probes good.vcd --profile z80 --profile sram", "expected --profile once"),
        ("plan --board near.toml --board far.toml --channels 8 --rate 24M", "--board was given 2 times"),
        ("match good.vcd lane.vcd --board near.toml --board far.toml", "--board was given 2 times"),
    ],
)
def test_what_does_not_fit_is_said_in_one_message(typed: Typed, bench: Path, line: str, told: str) -> None:
    status, out, err = typed(line.format(folder=bench))
    assert (status, out) == (2, "")
    assert told in err
    assert err.startswith("busledger: ") and err.count("\n") == 1


def test_an_output_over_an_input_is_refused(typed: Typed, bench: Path) -> None:
    (bench / "wired.sram.csv").write_bytes((bench / "card.toml").read_bytes())
    line = "cycles good.vcd --profile z80 --wiring none --profile sram --wiring wired.sram.csv --csv wired.csv"
    status, _, err = typed(line)
    assert status == 2
    assert "the output would be written over the input" in err


@pytest.mark.parametrize("command", ["check", "cycles"])
def test_a_pipe_serves_every_set(bench: Path, command: str) -> None:
    line = [sys.executable, "-c", "import sys; from busledger.tui.start import main; sys.exit(main())", command]
    options = [*SIDES.split(), "--json", "--no-progress"]
    environ = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    told = []
    for capture in ("lane.vcd", "-"):
        with (bench / "lane.vcd").open("rb") as file:
            done = subprocess.run([*line, capture, *options], cwd=bench, stdin=file, capture_output=True, env=environ)
        assert (done.returncode, done.stderr) == (1, b"")
        told.append(done.stdout.replace(b'"path": "lane.vcd"', b'"path": "-"').replace(b'"capture": "lane.vcd"', b'"capture": "-"'))  # fmt: skip  # noqa: E501
    assert told[0] == told[1]


def test_the_schema_is_printed(typed: Typed, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "schema", "--sets"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(sets_schema()))
