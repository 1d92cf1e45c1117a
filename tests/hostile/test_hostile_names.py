"""Names out of files are shown, never obeyed: escapes, markup and HTML in every output."""

from __future__ import annotations

import csv
import io
import json

import html5lib
import pytest

from tests.hostile.small import BOARD, LINES, Bench, dump, said

NAMES = {
    "D0": "[red]D0",
    "D1": "<script>alert(1)</script>",
    "D2": "\x1b[2J\x1b]0;owned\x07D2",
    "D3": "D3\u202eevil",
    "D4": "'\"><img/src=x>",
    "A0": "$PATH`id`;A0",
    "A1": "{{7*191}}",
    "A2": "=cmd|A2",
}


def _toml(text: str) -> str:
    return (
        '"'
        + "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in text)
        + '"'
    )


@pytest.fixture
def hostile(bench: Bench) -> Bench:
    """The bench with hostile channels, and a hostile board that is clipped to them; D2 of U1 reads high."""
    channels = {line: name.replace(" ", "_") for line, name in NAMES.items()}
    bench.vcd.write_bytes(dump(channels, wrong_lane=2).encode("utf-8"))
    board = BOARD.replace('"Bell-tower memory card"', _toml("[bold]card\x1b[31m</title><script>alert(2)</script>"))
    board = board.replace('"bank0"', _toml("<b>bank0</b>[/]\x1b[5m")).replace(
        '"U1"', _toml("[u]U1<script>alert(3)</script>")
    )
    wiring = "[wiring]\n" + "".join(f"{line} = {_toml(name)}\n" for line, name in channels.items())
    bench.board.write_text(wiring + board, encoding="utf-8")
    return bench


def _harmless(text: str) -> None:
    assert all(char in "\n\t" or char.isprintable() for char in text), text


def test_text(hostile: Bench) -> None:
    for arguments in ([], ["--quiet"]):
        status, out, err = hostile.check(*arguments)
        assert (status, err) == (1, "")
        _harmless(out)
        assert "[u]U1" in out  # shown as it is, not taken for markup
    for command in ("cycles", "timing", "probes"):
        status, out, err = hostile.call(command, hostile.vcd, "--board", hostile.board)
        assert status in (0, 1) and err == ""
        _harmless(out)


def test_json(hostile: Bench) -> None:
    status, out, err = hostile.check("--json")
    assert (status, err) == (1, "")
    _harmless(out)
    assert json.loads(out)["suspects"][0]["component"] == "[u]U1<script>alert(3)</script>"


def test_pages_and_markdown(hostile: Bench) -> None:
    page = hostile.folder / "page.html"
    status, _, _ = hostile.check("--html", page, "--markdown", "report.md")
    assert status == 1
    text = page.read_text(encoding="utf-8")
    tree = html5lib.parse(text, namespaceHTMLElements=False)
    assert not any("alert" in (script.text or "") for script in tree.iter("script"))
    assert all(image.get("src") != "x" for image in tree.iter("img"))
    assert "\x1b" not in text and "1337" not in (tree.findtext(".//title") or "")
    _harmless((hostile.folder / "report.md").read_text(encoding="utf-8"))


def test_tables_of_cycles(hostile: Bench) -> None:
    status, out, _ = hostile.call("cycles", hostile.vcd, "--board", hostile.board, "--csv", "-")
    assert status == 1
    _harmless(out)
    rows = list(csv.DictReader(io.StringIO(out)))
    assert len(rows) == 128 and all(row["region"].startswith("<b>bank0</b>[/]") for row in rows)
    _, out, _ = hostile.call("cycles", hostile.vcd, "--board", hostile.board, "--jsonl", "-")
    _harmless(out)
    assert all(json.loads(line)["kind"] for line in out.splitlines())


def test_messages(bench: Bench) -> None:
    bench.vcd.write_text(dump({"RW": "\x1b[2J[red]<b>hm"}), encoding="utf-8")
    err = bench.refused("check", bench.vcd, "--board", bench.board)
    assert "[red]<b>hm" in err
    bench.vcd.write_text(dump() + "#200000 1\x1b[31m~\n#300000\n")
    bench.refused("check", bench.vcd, "--board", bench.board)
    bench.refused("check", "\x1b[2Jabsent.vcd", "--board", bench.board)
    bench.refused("check", bench.vcd, "--profile", "\x1b[2J")
    bench.refused("check", bench.vcd, "--profile", "6502", "--region", "\x1b[2J")
    bench.refused("\x1b[2J")
    bench.refused("check", bench.vcd, "--\x1b[2J")
    status, _, err = bench.call("parts", "\x1b[2J")
    assert status == 2
    said(err)


def test_all_lines_have_a_name() -> None:
    assert set(NAMES) <= set(LINES)
