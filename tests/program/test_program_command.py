"""``cycles --program`` on the bundled cut of an independent Z80 core: lists, files, several options together."""

from __future__ import annotations

import csv
import io
import json
import lzma
from pathlib import Path

import pytest

from busledger.tui.commands.main import main

CUT = str(Path(__file__).parents[1] / "external" / "data" / "signal_lamp_cut.vcd.xz")
COMMAND = ["cycles", CUT, "--profile", "z80", "--no-progress"]


def shown(capsys, *options):
    assert main([*COMMAND, *options]) == 0
    return capsys.readouterr().out


def test_the_first_columns_are_those_of_the_plain_list(capsys):
    plain = list(csv.reader(io.StringIO(shown(capsys, "--csv", "-", "--all"))))
    with_program = list(csv.reader(io.StringIO(shown(capsys, "--csv", "-", "--all", "--program"))))
    assert [row[:9] for row in with_program] == plain
    assert with_program[0][9:] == ["of", "part", "instruction", "followed"]
    assert {row[10] for row in with_program[1:]} == {"opcode", "operand", "data"}


def test_the_numbers_in_of_are_those_of_the_list(capsys):
    rows = list(csv.DictReader(io.StringIO(shown(capsys, "--csv", "-", "--program"))))
    by_index = {row["index"]: row for row in rows}
    owned = [row for row in rows if row["of"]]
    assert len(owned) > 1000
    assert all(by_index[row["of"]]["part"] == "opcode" for row in owned if row["of"] in by_index)
    assert all((row["index"] == row["of"]) == (row["part"] == "opcode") for row in owned)


def test_jsonl_and_json_carry_it(capsys, tmp_path):
    lines = [json.loads(line) for line in shown(capsys, "--jsonl", "-", "--program").splitlines()]
    document = json.loads(shown(capsys, "--json", "--program"))
    assert document["cycles"] == lines
    assert sum(line["instruction"] is not None for line in lines) > 500


def test_a_page_folded_and_not(capsys):
    folded = shown(capsys, "--program", "--head", "5").splitlines()
    assert len(folded) == 6
    assert folded[0].split() == ["index", "time", "s", "addr", "bytes", "instruction", "reads", "and", "writes"]
    lines = shown(capsys, "--program", "--unfolded", "--head", "5").splitlines()
    assert len(lines) == 6
    assert "instruction" in lines[0]


def test_a_list_that_begins_later_has_the_numbers_of_the_whole_one(capsys):
    whole = {row["index"]: row for row in csv.DictReader(io.StringIO(shown(capsys, "--csv", "-", "--program")))}
    begin = f"{1e6 * float(whole['500']['time_s']):.3f}us"
    later = list(csv.DictReader(io.StringIO(shown(capsys, "--csv", "-", "--program", "--from", begin))))
    assert [row["index"] for row in later] == [index for index in whole if int(index) > 500]  # 500 began before
    followed = [row for row in later if row["of"] == whole[row["index"]]["of"]]
    assert len(followed) > 0.9 * len(later)
    assert all(row["instruction"] == whole[row["index"]]["instruction"] for row in followed)


def test_head_is_obeyed_by_json_with_the_program_too(capsys):
    document = json.loads(shown(capsys, "--json", "--program", "--head", "3"))
    assert [cycle["index"] for cycle in document["cycles"]] == [0, 1, 2]


def test_a_folded_line_by_hand(capsys):
    page = shown(capsys, "--program", "--head", "3")
    assert page.splitlines()[1].split() == ["0", "0.000000791", "0000", "31", "FF", "43", "LD", "SP,43FFH"]


@pytest.mark.parametrize("options", [["--unfolded"], ["--processor", "z80"]])
def test_its_options_without_it_are_refused(capsys, options):
    assert main([*COMMAND, *options]) == 2
    assert "without --program" in capsys.readouterr().err


def test_another_processor_or_none(capsys):
    assert main([*COMMAND, "--program", "--processor", "8086"]) == 2
    assert "no table of instructions for the processor '8086'" in capsys.readouterr().err
    assert "MOV" in shown(capsys, "--program", "--processor", "8080", "--head", "50")


def test_a_clip_that_is_missing_is_named(capsys, tmp_path):
    dump = lzma.decompress(Path(CUT).read_bytes()).replace(b" /M1 ", b" spare ")
    (tmp_path / "run.vcd").write_bytes(dump)
    command = ["--profile", "z80", "--no-progress"]
    assert main(["cycles", str(tmp_path / "run.vcd"), *command, "--program"]) == 2
    assert "expected M1 among the clips" in " ".join(capsys.readouterr().err.split())
    main(["check", str(tmp_path / "run.vcd"), *command, "--json"])
    assert json.loads(capsys.readouterr().out)["program"] is None


def test_high_address_lines_that_are_not_clipped(capsys, tmp_path):
    """A8 to A15 left out: instructions and operands are the same, only what is counted from the address is in part."""
    dump = lzma.decompress(Path(CUT).read_bytes())
    for line in range(8, 16):
        dump = dump.replace(f" A{line} ".encode(), f" spare{line} ".encode())
    (tmp_path / "run.vcd").write_bytes(dump)
    whole = list(csv.DictReader(io.StringIO(shown(capsys, "--program", "--csv", "-"))))
    main(["cycles", str(tmp_path / "run.vcd"), "--profile", "z80", "--no-progress", "--program", "--csv", "-"])
    part = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["part"] for row in part] == [row["part"] for row in whole]
    texts = {(a["instruction"], b["instruction"]) for a, b in zip(whole, part, strict=True) if a["instruction"]}
    assert ("JR NZ,0009H", "JR NZ,??09H") in texts
    assert ("LD SP,43FFH", "LD SP,43FFH") in texts
    assert all(b == (a if not a.startswith(("JR", "DJNZ")) else a[:-5] + "??" + a[-3:]) for a, b in texts)


def test_check_answers_with_the_program(capsys, tmp_path):
    (tmp_path / "names.sym").write_text("FILL 0009\n")
    command = ["check", CUT, "--profile", "z80", "--symbols", str(tmp_path / "names.sym"), "--json", "--no-progress"]
    main(command)
    program = json.loads(capsys.readouterr().out)["program"]
    assert (program["processor"], program["inferred"], program["derailed"]) == ("z80", False, None)
    assert program["witness"]["differs"] == 0
    assert program["witness"]["told"] > 300


def test_symbols_that_cannot_be_read_are_told(capsys, tmp_path):
    assert main(["check", CUT, "--profile", "z80", "--symbols", str(tmp_path / "none.sym")]) == 2
    assert "the symbols cannot be read" in capsys.readouterr().err
