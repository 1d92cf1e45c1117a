"""What the system may do to a run: the old file stays, the exit status tells, and one message at most is printed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.tui.commands.main import main
from tests.hostile.small import BOARD, LOOM, Bench, dump, said

ROOT = Path(__file__).parents[2]
RUN = "import sys\nfrom busledger.tui.start import main\nsys.exit(main())\n"
FULL = (
    "import resource, signal\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
)


def spawn(folder: Path, *arguments: str, before: str = "", **environment: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", before + RUN, *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def until(there: Callable[[], bool]) -> None:
    for _ in range(6000):
        if there():
            return
        time.sleep(0.01)
    raise AssertionError("it never came to that")


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGKILL])
def test_stopped_while_it_writes(bench: Bench, sign: signal.Signals) -> None:
    out = bench.folder / "out.csv"
    out.write_text("old\n")
    process = spawn(bench.folder, "cycles", "-", "--board", "card.toml", "--csv", "out.csv")
    assert process.stdin is not None
    process.stdin.write(dump().encode())
    process.stdin.flush()  # and no end: it waits for more, its output half written
    until(lambda: any(path.name.endswith(".part") for path in bench.folder.iterdir()))
    process.send_signal(sign)
    said = process.communicate(timeout=60)
    assert (process.returncode, said) == (130 if sign == signal.SIGINT else -sign, (b"", b""))
    assert out.read_text() == "old\n"
    if sign == signal.SIGINT:
        assert not any(path.name.endswith(".part") for path in bench.folder.iterdir())


def test_stopped_while_it_loads(bench: Bench) -> None:
    process = spawn(bench.folder, "check", "-", "--board", "card.toml", before="print('up', flush=True)\n")
    assert process.stdout is not None
    assert process.stdout.readline() == b"up\n"
    time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode in (130, -signal.SIGINT)
    assert b"Traceback" not in err or b"busledger.tui.start" not in err


@pytest.mark.parametrize("option", ["--csv", "--jsonl"])
def test_a_full_disk(bench: Bench, option: str) -> None:
    out = bench.folder / "out.txt"
    out.write_text("old\n")
    process = spawn(bench.folder, "cycles", "run.vcd", "--board", "card.toml", option, "out.txt", before=FULL)
    stdout, err = process.communicate(timeout=120)
    assert (process.returncode, stdout) == (2, b"")
    assert err.startswith(b"busledger: out.txt: the file could not be written") and err.count(b"\n") == 1
    assert out.read_text() == "old\n"
    assert not any(path.name.endswith(".part") for path in bench.folder.iterdir())


def test_forty_columns_in_a_c_locale(bench: Bench) -> None:
    bench.vcd.write_text(dump(wrong_lane=2))
    process = spawn(bench.folder, "check", "run.vcd", "--board", "card.toml", LANG="C", LC_ALL="C", COLUMNS="40")
    stdout, err = process.communicate(timeout=120)
    assert (process.returncode, err) == (1, b"")
    assert stdout.isascii() and max(map(len, stdout.decode().splitlines())) <= 40


def test_windows_line_ends(bench: Bench) -> None:
    plain = bench.check("--quiet")
    bench.vcd.write_bytes(dump().replace("\n", "\r\n").encode())
    bench.board.write_bytes(BOARD.replace("\n", "\r\n").encode())
    assert bench.check("--quiet") == plain


def test_standard_streams_that_are_closed(bench: Bench) -> None:
    for closed, status in (("stdin", 0), ("stderr", 0), ("stdout", 2)):
        before = f"import os, sys\nos.close({('stdin', 'stdout', 'stderr').index(closed)})\nsys.{closed} = None\n"
        process = spawn(bench.folder, "check", "run.vcd", "--board", "card.toml", "--quiet", before=before)
        _, err = process.communicate(timeout=120)
        assert process.returncode == status, (closed, err)
        assert b"Traceback" not in err


@pytest.mark.parametrize("closed", [(), ("stdin",), ("stdout",)], ids=lambda names: "-".join(names) or "redirected")
@pytest.mark.parametrize("words", [("browse", "run.vcd", "--board", "card.toml"), ("board", "new", "other.toml")])
def test_what_needs_a_terminal_says_so_without_one(
    bench: Bench,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    closed: tuple[str, ...],
) -> None:
    with monkeypatch.context() as streams:
        for name in closed:
            streams.setattr(sys, name, None)
        assert main(list(words)) == 2
    assert "terminal" in said(capsys.readouterr().err)


@pytest.mark.parametrize(
    "words",
    [
        ("check", *LOOM), ("cycles", *LOOM), ("selects", *LOOM), ("buffers", *LOOM), ("probes", *LOOM),
        ("join", LOOM[0], *LOOM, "--out", "joined.vcd"), ("match", LOOM[0], *LOOM),
        ("plan", *LOOM[1:], "--channels", "8", "--rate", "24M"), ("board", "draw", LOOM[2]),
        ("parts",), ("parts", "2114"), ("profiles",), ("profiles", "6502"), ("demo", "--list"),
    ],
    ids=lambda words: " ".join(words[:2]).replace(LOOM[0], "").replace(LOOM[2], ""),
)  # fmt: skip
def test_every_table_fits_forty_columns_of_ascii(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("LC_ALL", "C")
    status, out, err = bench.call(*words)
    assert status in (0, 1) and err == ""
    assert out.isascii() and "\\u" not in out and "\\x" not in out
    assert max(map(len, out.splitlines())) <= 40


def test_no_folder_to_keep_anything_in(bench: Bench) -> None:
    """No home, no cache, no settings folder: a report is written all the same, and nothing is said of it."""
    bench.vcd.write_text(dump(wrong_lane=2))
    scratch = bench.folder / "scratch"
    scratch.mkdir()
    nowhere = dict.fromkeys(("HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "MPLCONFIGDIR"), "/dev/null/none")
    process = spawn(
        bench.folder, "check", "run.vcd", "--board", "card.toml", "--html", "out.html", TMPDIR=str(scratch), **nowhere
    )
    _, err = process.communicate(timeout=300)
    assert (process.returncode, err) == (1, b"")
    assert (bench.folder / "out.html").read_text().endswith("</html>") and not list(scratch.iterdir())
