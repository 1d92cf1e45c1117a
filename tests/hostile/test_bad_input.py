"""Bad input through the command line: one clear message that says where, exit status 2, no traceback."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.hostile.small import BOARD, LINES, WORDS, Bench, dump, said

PNG = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01"


def test_the_good_capture_is_good(bench: Bench) -> None:
    status, out, err = bench.check()
    assert (status, err) == (0, "")
    assert f"{WORDS} reads compared" in out
    bench.vcd.write_text(dump(wrong_lane=2))
    status, out, err = bench.check()
    assert (status, err) == (1, "")
    assert out.startswith("U1") and "D2" in out.splitlines()[0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "run.vcd: the file is empty"),
        (b" \r\n\t\n", "run.vcd: the file is empty"),
        (PNG, "run.vcd: this is not a capture: it holds binary data"),
        (dump().encode()[:200], "run.vcd, byte 200, line 9: the file ends in the header, inside $var"),
        (dump().encode() + b"#200000 1~~\n#300000\n", "a change for the identifier '~~'"),
        (dump().encode() + b"#5 1!\n#300000\n", "time runs backwards here: '#5' after #128000"),
        (dump().encode() + b"#9223372036854775808 1!\n#9999999999999999999\n", "is too large; expected at most"),
        (dump().encode() + b"#300000 wobble\n#400000\n", "'wobble' is not a value change"),
        (dump().encode() + b"#300000 1!\n\x00\x00#400000\n", "a control byte 0x00; expected text"),
    ],
    ids=["empty", "blank", "png", "cut-header", "undeclared", "backwards", "beyond-2-63", "word", "nul"],
)  # fmt: skip
def test_a_capture_that_is_none(bench: Bench, content: bytes, words: str) -> None:
    bench.vcd.write_bytes(content)
    for command in ("check", "cycles", "timing"):
        err = bench.refused(command, bench.vcd, "--board", bench.board)
        assert words in err.replace(f"{bench.folder}/", "")
        if b"#200000" in content or b"#300000 w" in content:
            line = content[: content.rindex(b"1~~" if b"~~" in content else b"wobble")].count(b"\n") + 1
            assert f"line {line}:" in err


def test_a_dump_cut_in_its_body_is_decoded_to_where_it_ends(bench: Bench) -> None:
    text = dump(wrong_lane=5)
    bench.vcd.write_text(text[: text.index("#100650") + 9])
    status, out, err = bench.check()
    assert (status, err) == (1, "")
    assert "truncated" in out and "U2" in out.splitlines()[0]


def test_no_edge_on_the_clock(bench: Bench) -> None:
    bench.vcd.write_text(re.sub(r"(?m)^(#\d+ )[01]!\n", r"\1\n", dump()))
    err = bench.refused("check", bench.vcd, "--board", bench.board)
    assert "not one bus cycle" in err and "PHI2" in err and "Check the clip" in err


def test_a_required_line_that_is_not_there(bench: Bench) -> None:
    bench.vcd.write_text(dump({"RW": "humming"}))
    err = bench.refused("check", bench.vcd, "--board", bench.board)
    assert "RW" in err and "humming" in err


def test_five_thousand_channels_are_read(bench: Bench) -> None:
    extra = "".join(f"$var wire 1 ~{k:x} spare{k} $end\n" for k in range(5000))
    bench.vcd.write_text(dump().replace("$upscope", extra + "$upscope", 1))
    status, out, err = bench.check()
    assert (status, err) == (0, "")
    assert f"{5000 + len(LINES)}channels" in re.sub(r"\s", "", out)


def test_paths_that_cannot_be_read(bench: Bench) -> None:
    assert "cannot be read: No such file" in bench.refused("check", "absent.vcd", "--board", bench.board)
    assert "cannot be read" in bench.refused("check", bench.vcd, "--board", "absent.toml")
    assert "this is a folder" in bench.refused("check", bench.vcd, "--board", bench.folder)
    loop = bench.folder / "loop.vcd"
    loop.symlink_to(loop)
    assert "cannot be read" in bench.refused("check", loop, "--board", bench.board)
    assert "cannot be read" in bench.refused("check", "x" * 5000, "--board", bench.board)
    assert "not a path" in bench.refused("check", "a\0b", "--board", bench.board)


def test_a_profile_that_does_not_exist_names_the_nearest(bench: Bench) -> None:
    err = bench.refused("check", bench.vcd, "--profile", "6503")
    assert "there is no bus profile '6503'" in err and "Did you mean 6502" in err and "expected one of " in err
    bench.board.write_text(BOARD.replace('"6502"', '"z8O"'))
    err = bench.refused("check", bench.vcd, "--board", bench.board)
    assert "Did you mean z80" in err and f"{bench.board}, [board], bus: there is no bus profile 'z8O'" in err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("end = 0x43FF", "end = 0x3FFF", "end"),
        ('lanes = "D4-D7"', 'lanes = "D4-D6"', "D7"),
        ('lanes = "D4-D7"', 'lanes = "D3-D7"', "D3"),
        ("end = 0x43FF", "end = 0x47FF", "2048 addresses"),
        ('part = "2114", lanes = "D4', 'part = "21147", lanes = "D4', "21147"),
        ('kind = "ram"', 'kind = "tape"', "tape"),
        ("[[region]]", "[[regoin]]", "regoin"),
        ("start = 0x4000", "start = -1", "start"),
        ("[board]", "[board", "TOML"),
        ('bus = "6502"\n', "", "bus"),
    ],
)
def test_a_mistake_in_the_board_file(bench: Bench, old: str, new: str, words: str) -> None:
    assert old in BOARD
    bench.board.write_text(BOARD.replace(old, new, 1))
    err = bench.refused("check", bench.vcd, "--board", bench.board)
    assert "card.toml" in err and words in err


def test_overlapping_regions_and_unused_outputs(bench: Bench) -> None:
    region = BOARD[BOARD.index("[[region]]") :].replace("bank0", "bank1").replace("0x4000", "0x4200")
    decoder = '[[decoder]]\ndesignator = "U9"\npart = "74LS138"\ninputs = { A = "A10" }\noutputs = { Y0 = "NOWHERE" }\n'
    bench.board.write_text(BOARD + region + decoder)
    err = bench.refused("check", bench.vcd, "--board", bench.board)
    assert "overlap" in err and "NOWHERE" in err  # every mistake at once


def test_wiring_files(bench: Bench) -> None:
    wiring = bench.folder / "wiring.toml"
    for text, words in (
        ("", "no [wiring] table"),
        ("[wiring]\nA0 = 3\n", "the channel of A0 is 3"),
        ('[wiring]\nA0 = "absent"\n', "absent"),
        ("[wiring", "not TOML"),
        ("x = " + "9" * 5000, "not TOML"),
        ("x = " + "[" * 5000, "not TOML"),
    ):
        wiring.write_text(text)
        err = bench.refused("check", bench.vcd, "--board", bench.board, "--wiring", wiring)
        assert words in err
    wiring.write_bytes(b"\xff\xfe\x00")
    assert "cannot be read" in bench.refused("check", bench.vcd, "--board", bench.board, "--wiring", wiring)


def test_files_without_an_end_are_not_read_to_it(bench: Bench) -> None:
    for option in ("--board", "--wiring"):
        arguments = [
            "check",
            bench.vcd,
            *(["--board", bench.board] if option == "--wiring" else []),
            option,
            "/dev/zero",
        ]
        assert "too large" in bench.refused(*arguments)
    (bench.folder / "endless.toml").symlink_to("/dev/zero")
    assert "too large" in bench.refused("check", bench.vcd, "--profile", bench.folder / "endless.toml")
    assert "binary data" in bench.refused("check", "/dev/zero", "--board", bench.board)


def test_outputs_that_cannot_be_written(bench: Bench) -> None:
    (bench.folder / "out.csv").write_text("old\n")
    for option, target in (
        ("--csv", "nowhere/out.csv"),
        ("--csv", "."),
        ("--jsonl", "/dev/full"),
        ("--csv", "/dev/full"),
    ):
        err = bench.refused("cycles", bench.vcd, "--board", bench.board, option, target)
        assert target in err or str(Path(target).resolve()) in err
    assert "over the input" in bench.refused("cycles", bench.vcd, "--board", bench.board, "--csv", bench.vcd)
    assert "over the input" in bench.refused("check", bench.vcd, "--board", bench.board, "--html", bench.board)
    link = bench.folder / "link.csv"
    link.symlink_to(bench.vcd)
    assert "over the input" in bench.refused("cycles", bench.vcd, "--board", bench.board, "--csv", link)
    assert bench.vcd.read_text() == dump()
    assert (bench.folder / "out.csv").read_text() == "old\n"


def test_a_message_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(AssertionError):
        said("Traceback (most recent call last):\n")


def test_an_interruption_is_quiet_however_it_comes_out(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def plainly(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    def wrapped(*_: object, **__: object) -> None:
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as interruption:
            raise SystemError("a call returned with an exception set") from interruption

    for interrupted in (plainly, wrapped):
        monkeypatch.setattr("busledger.decoder.pipeline.request.load_board", interrupted)
        assert bench.check() == (130, "", "")


def test_an_error_of_the_system_is_no_fault_of_ours(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("busledger.decoder.pipeline.request.load_board", broken)
    assert "Input/output error" in bench.refused("check", bench.vcd, "--board", bench.board)


@pytest.mark.parametrize("before", ["", "\n# the card on the bench\n", "\ufeff"])
def test_a_board_file_given_as_the_capture(bench: Bench, before: str) -> None:
    for text in (BOARD, '[wiring]\nA0 = "ch0"\n', 'name = "6502"\n'):
        bench.vcd.write_text(before + text)
        err = bench.refused("check", bench.vcd, "--board", bench.board)
        assert "looks like a board file" in err and "expected a value change dump" in err


def test_a_table_whose_first_line_only_resembles_a_key_is_a_table(bench: Bench) -> None:
    bench.vcd.write_text("time_us,PHI2=clock,RW\n0,0,1\n1,1,1\n")
    assert bench.call("probes", bench.vcd)[0] == 0


def test_joined_passes_keep_what_no_board_names(bench: Bench) -> None:
    """A select that the board file does not have yet, and a spare clip: both are in the joined capture."""
    low, high, whole = (bench.folder / name for name in ("low.vcd", "high.vcd", "whole.vcd"))
    low.write_text(dump({f"D{k}": f"spare {k}" for k in range(4, 8)} | {"A15": "/cs0"}))
    high.write_text(dump({f"D{k}": f"other{k}" for k in range(4)} | {"A14": "/CS0"}))
    status, out, err = bench.call("join", low, high, "--out", whole, "--board", bench.board)
    assert (status, err) == (0, "")
    names = re.findall(r"\$var wire 1 \S+ (\S+) \$end", whole.read_text())
    assert sorted(names) == sorted(
        [*LINES, "CS0", *(f"SPARE{k}" for k in range(4, 8)), *(f"OTHER{k}" for k in range(4))]
    )
    assert "CS0" in out and "SPARE4" in out
    assert bench.check(capture=whole)[0] == 0


def test_a_joined_capture_fits_the_wiring_table_of_its_passes(bench: Bench) -> None:
    first, whole = bench.folder / "first.vcd", bench.folder / "whole.vcd"
    first.write_text(dump({"A0": "ch0", "D3": "probe 7"}))
    bench.board.write_text(BOARD + '[wiring]\nA0 = "ch0"\nD3 = "probe 7"\n')
    assert bench.call("join", first, first, "--out", whole, "--board", bench.board)[0] == 0
    status, out, err = bench.check(capture=whole)
    assert (status, err) == (0, "") and f"{WORDS} reads compared" in out
