"""``check`` on a folder writes its page too: the joint answer and a row for each capture."""

from __future__ import annotations

import lzma
from pathlib import Path

import html5lib
import pytest

from busledger.tui.commands.main import main
from tests.tui.guide import DEMO

WINCH = DEMO / "winch"


def test_a_folder_of_captures_gets_one_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    night = tmp_path / "night"
    night.mkdir()
    with lzma.open(WINCH / "capture.vcd.xz", "rt") as capture:
        lines = capture.read().splitlines(keepends=True)
    (night / "run1.vcd").write_text("".join(lines[:60_000]))
    (night / "run2.vcd").write_text("".join(lines))
    (night / "run3.vcd").write_text("not a capture")
    page, log = tmp_path / "night.html", tmp_path / "night.md"
    asked = ["check", str(night), "--board", str(WINCH / "board.toml"), "--html", str(page), "--markdown", str(log)]
    assert main([*asked, "--no-progress"]) == 1
    told = capsys.readouterr().out
    written, text = page.read_text(), log.read_text()
    html5lib.HTMLParser(strict=True).parse(written)
    assert "<h2>The captures</h2>" in written and "## The captures" in text
    for name in ("run1.vcd", "run2.vcd"):
        assert name in written and name in text and name in told
    assert "Not read: " in written and "run3.vcd" in written
    assert "U8 or its socket" in written.split("</h1>")[0]
