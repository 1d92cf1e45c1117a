"""``busledger exercise`` on the command line: what it prints, writes and refuses."""

from __future__ import annotations

import json
from pathlib import Path

import bincopy
import pytest

from busledger.tui.commands.main import main

BOARDS = Path(__file__).parents[2] / "captures_demo"
CARD = str(BOARDS / "tide_gauge" / "board.toml")
LOOM = str(BOARDS / "loom" / "board.toml")
ASKED = ["exercise", "--board", CARD, "--origin", "4400", "--regions", "bank0"]


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_what_is_said_beforehand(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(ASKED) == 0
    out = said(capsys)
    assert out.startswith(
        "March C- over bank0 (4000-43FF), for a Z80: 85 bytes at 4400-4454. How long A pass takes about 120 ms"
    )
    assert "at 2.5 MHz (the fastest of grade Z80; --clock says another)" in out
    assert "million samples at 80 MS/s" in out
    assert "It finds a cell or a lane that is always 0 or always 1;" in out
    assert "It cannot find a cell that a read turns over" in out
    assert "(van de Goor 1991; after Marinescu, ITC 1982)" in out
    assert "It overwrites all of bank0 (4000-43FF)." in out
    assert "All right: it ends at 4443. A failure: it ends at 444F." in out
    assert "the address at 4451 (low byte first), what was written at 4453, what was read at 4454" in out
    assert "4400 F3 START DI" in out
    assert "4400 F3 11 FF 00 21 00 40 72 = D6" in out


def test_rows_to_type_carry_the_last_two_digits_of_their_sum(capsys: pytest.CaptureFixture[str]) -> None:
    main(ASKED)
    rows = [line.split() for line in capsys.readouterr().out.splitlines() if "  = " in line]
    assert len(rows) == 11
    for _, *data, _, total in rows:
        assert sum(int(byte, 16) for byte in data) % 256 == int(total, 16)
    typed = bytes(int(byte, 16) for _, *data, _, _ in rows for byte in data)
    assert len(typed) == 85


def test_every_form_holds_the_same_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / f"test.{ending}" for ending in ("s19", "hex", "bin", "lst")]
    assert main([*ASKED, *(word for file in files for word in ("--out", str(file)))]) == 0
    assert "Written: " in said(capsys)
    records, intel = bincopy.BinFile(), bincopy.BinFile()
    records.add_srec(files[0].read_text())
    intel.add_ihex(files[1].read_text())
    raw = files[2].read_bytes()
    assert bytes(records.as_binary()) == bytes(intel.as_binary()) == raw
    assert (records.minimum_address, intel.minimum_address, len(raw)) == (0x4400, 0x4400, 85)
    assert records.execution_start_address == 0x4400
    listing = files[3].read_text()
    assert listing.startswith("; March C- over bank0")
    code = [line for line in listing.splitlines() if line[:4] != ";" and line[4:6] == "  " and "  = " not in line]
    assert bytes.fromhex("".join(line[6:17] for line in code)) == raw
    assert listing.isascii()
    assert max(len(line) for line in listing.splitlines()) <= 84


def test_an_eprom_comes_with_cautions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "test.bin"
    assert main(["exercise", "--board", LOOM, "--reset-rom", "2K", "--forever", "--out", str(out)]) == 0
    text = said(capsys)
    assert "Power off" in text and "wrist strap" in text and "Pin 1" in text
    assert "It needs no RAM" in text
    assert "Before that, give monitor this image in the board file (or none)" in text
    image = out.read_bytes()
    assert len(image) == 2048
    assert image[-4:-2] == b"\x00\xf8"


def test_the_command_for_errors_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*ASKED, "--on-failure", "go-on", "--output", "F803", "--passes", "3"]) == 0
    assert f"'busledger errors - --board {CARD} --tested 4000-43FF --passes 3'" in said(capsys)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([], "no board file was given"),
        (["--board", CARD, "--origin", "40zz"], "cannot read '40zz' after --origin"),
        (["--board", CARD, "--origin", "4010", "--regions", "bank0"], "lies inside the tested range 4000-43FF"),
        (["--board", CARD, "--origin", "4400", "--processor", "6502"], "which a 6502 does not drive"),
        (["--board", CARD, "--origin", "4400", "--regions", "9000-90FF"], "no RAM of the board file answers at 9000"),
        (["--board", CARD, "--origin", "4400", "--passes", "2", "--forever"], "--passes and --forever were both given"),
        (["--board", CARD, "--origin", "4400", "--on-failure", "weep"], "expected --on-failure stop, go-on or loop"),
        (["--board", CARD, "--origin", "4400", "--out", "test.doc"], "does not say in which form to write"),
        (["--board", CARD, "--reset-rom", "many"], "'many' is not a size"),
        (["--board", CARD, "--origin", "4400", "--clock", "fast"], "'fast' is not a clock"),
        (["--board", CARD, "--origin", "4400", "--pause", "long"], "long"),
        (["--board", CARD, "--origin", "4400", "--after", "nowhere.json"], "the earlier result cannot be read"),
    ],
)
def test_bad_use_is_one_message_and_nothing_is_written(
    options: list[str],
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["exercise", *options, "--out", "test.s19"]) == 2
    out, err = capsys.readouterr()
    assert message in err
    assert out == ""
    assert err.count("busledger:") == 1
    assert list(tmp_path.iterdir()) == []


def test_it_is_not_written_over_its_own_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    card = tmp_path / "card.bin"
    card.write_text(Path(CARD).read_text().replace('image = "monitor.bin"', ""))
    assert main(["exercise", "--board", str(card), "--origin", "4400", "--out", str(card)]) == 2
    assert "written over the input" in capsys.readouterr().err


def test_after_a_result_it_parts_the_suspects(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A driver or the one chip behind it that was exercised: the other chip tells."""
    suspects = [
        {"fault": "stuck-high", "scope": "buffer", "component": "U12", "lanes": ["D3"], "probability": 0.5},
        {"fault": "stuck-high", "scope": "chip", "component": "U7", "region": "patterns", "lanes": ["D3"],
         "probability": 0.45},
    ]  # fmt: skip
    result = tmp_path / "result.json"
    result.write_text(json.dumps({"schema": "busledger.check/1", "suspects": suspects}))
    assert main(["exercise", "--board", LOOM, "--origin", "0200", "--after", str(result)]) == 0
    out = said(capsys)
    assert "over picks tells the suspects apart best" in out
    assert "If picks fails in many cells: U12 (now 50 %). If picks comes back right: U7 (now 45 %)." in out
    assert "over picks (0800-0FFF), for a 6502" in out


def test_json_holds_the_program_and_all_that_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*ASKED, "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["schema"] == "busledger.exercise/1"
    assert (result["processor"], result["test"], result["ranges"]) == ("z80", "march-c", [[0x4000, 0x43FF]])
    assert len(bytes.fromhex(result["bytes"])) == 85 == result["end"] - result["origin"] + 1
    assert result["labels"]["FADDR"] == 0x4451
    assert result["finds"] == ["SAF", "TF", "AF", "CFin", "CFid", "CFst"]
    assert list(result["said"]) == ["How long", "What it finds", "What it changes", "Running it", "What it tells"]


def test_with_output_it_goes_on_so_that_the_list_is_whole(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*ASKED, "--output", "F803", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["on_failure"] == "go-on"
