"""Ctrl-C and kill -9 in every phase: quiet, exit status 130, old files whole, nothing left by an interruption."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from busledger.decoder.pipeline import Request, open_session
from busledger.decoder.store.cache import StoreCache
from tests.hostile.small import Bench, dump, said
from tests.hostile.test_faults import ROOT, RUN, spawn, until

# The function of each phase that sends the signal, as if it had come from outside just then.
TRAP = """
import importlib, os, signal
def trap(module, name, sign):
    owner, attribute = importlib.import_module(module), name
    if "." in name:
        holder, attribute = name.split(".")
        owner = getattr(owner, holder)
    old = getattr(owner, attribute)
    def sending(*a, **k):
        os.kill(os.getpid(), sign)
        return old(*a, **k)
    setattr(owner, attribute, sending)
"""
REPORT = ("check", "run.vcd", "--board", "card.toml", "--html", "out.html")
PHASES = {
    "opening": ("busledger.decoder.capture.file", "open_source", REPORT),
    "reading": ("busledger.decoder.capture.vcd_reader", "cut_pieces", REPORT),
    "reading, in a thread": ("busledger.decoder.capture.vcd_body", "lex_piece", REPORT),
    "decoding": ("busledger.decoder.pipeline.run", "Run._account", REPORT),
    "checking, in a thread": ("busledger.decoder.checks.check_set", "CheckSet.feed", REPORT),
    "keeping accesses": ("busledger.decoder.ledger.log", "AccessLog._spool", REPORT),
    "weighing": ("busledger.decoder.pipeline.check", "conclude", REPORT),
    "drawing": ("busledger.decoder.report", "html_page", REPORT),
    "writing a report": ("os", "fsync", REPORT),
    "writing a list": ("os", "fsync", ("cycles", "run.vcd", "--board", "card.toml", "--csv", "out.html")),
    "joining": ("os", "fsync", ("join", "run.vcd", "run.vcd", "--board", "card.toml", "--out", "out.html")),
    "printing": ("busledger.tui.commands.screen", "show_data", ("check", "run.vcd", "--board", "card.toml", "--json")),
}


def _stopped(bench: Bench, before: str, *words: str) -> tuple[int, bytes, bytes]:
    scratch = bench.folder / "scratch"
    scratch.mkdir(exist_ok=True)
    run = subprocess.run(
        [sys.executable, "-c", before + RUN, *words],
        cwd=bench.folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(scratch)},
        capture_output=True,
        timeout=120,
    )
    return run.returncode, run.stdout, run.stderr


@pytest.mark.parametrize("phase", PHASES)
def test_an_interruption_in_each_phase(bench: Bench, phase: str) -> None:
    module, name, words = PHASES[phase]
    bench.vcd.write_text(dump(wrong_lane=2))
    (bench.folder / "out.html").write_text("old\n")
    spooling = "from busledger.decoder.ledger.log import AccessLog as log\nlog.__init__.__defaults__ = (10,)\n"
    before = TRAP + (spooling if phase == "keeping accesses" else "")
    status, out, err = _stopped(bench, f"{before}trap({module!r}, {name!r}, signal.SIGINT)\n", *words)
    assert (status, err) == (130, b"")
    assert bool(out) == (phase in ("drawing", "writing a report"))  # the answer was printed before
    assert (bench.folder / "out.html").read_text() == "old\n"
    left = sorted(str(path.relative_to(bench.folder)) for path in bench.folder.rglob("*"))
    assert left == ["card.toml", "out.html", "run.vcd", "scratch"]


@pytest.mark.parametrize("phase", ["reading", "writing a report", "writing a list", "joining"])
def test_a_kill_in_each_phase_leaves_the_old_file_and_nothing_in_the_way(bench: Bench, phase: str) -> None:
    module, name, words = PHASES[phase]
    (bench.folder / "out.html").write_text("old\n")
    status, _, err = _stopped(bench, f"{TRAP}trap({module!r}, {name!r}, signal.SIGKILL)\n", *words)
    assert (status, err) == (-signal.SIGKILL, b"")
    assert (bench.folder / "out.html").read_text() == "old\n"
    assert bench.call(*words)[0] == 0
    assert (bench.folder / "out.html").read_text() != "old\n"


CACHE_PHASES = {
    "beginning": ("busledger.decoder.store.writer", "_Column.append"),
    "in the middle": ("busledger.decoder.store.writer", "StoreWriter.add_compared"),
    "columns on the disk": ("busledger.decoder.store.writer", "_sync_directory"),
    "before the name": ("busledger.decoder.store.writer", "StoreWriter._take_name"),
    "remembering": ("busledger.decoder.store.cache", "StoreCache._remember"),
    "trimming": ("busledger.decoder.store.cache", "StoreCache.trim"),
}


@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGINT], ids=["kill", "interruption"])
@pytest.mark.parametrize("phase", CACHE_PHASES)
def test_the_cache_is_whole_whenever_its_writer_is_stopped(bench: Bench, phase: str, sign: signal.Signals) -> None:
    module, name = CACHE_PHASES[phase]
    cache = bench.folder / "cache"
    session = (
        "import sys\nfrom pathlib import Path\nfrom busledger.decoder.pipeline import Request, open_session\n"
        "import busledger.decoder.store.cache\nfrom busledger.decoder.store.cache import StoreCache\n"
        "busledger.decoder.store.cache._SETTLED_NS = -1\n"  # remember the digest of a file however young
        "try:\n    open_session(Request(capture='run.vcd', board='card.toml'), cache=StoreCache(Path('cache')))\n"
        "except KeyboardInterrupt:\n    sys.exit(130)\n"
    )
    status, out, err = _stopped(bench, f"{TRAP}trap({module!r}, {name!r}, {int(sign)})\n{session}raise SystemExit\n")
    assert (status, out, err) == (130 if sign == signal.SIGINT else -sign, b"", b"")
    unfinished = [path.name for path in cache.iterdir() if path.name.endswith(".unfinished")]
    assert not unfinished or sign == signal.SIGKILL  # an interruption cleans up; what a kill leaves goes after a day
    again = open_session(Request(capture=bench.vcd, board=bench.board), cache=StoreCache(cache))
    assert again.result.cycles.total == len(again.store) == 128


def _several(bench: Bench) -> tuple[subprocess.Popen[bytes], Path]:
    """Six captures being checked, two at a time; the folder of temporary files."""
    names = [f"run{number}.vcd" for number in range(6)]
    for number, name in enumerate(names):
        (bench.folder / name).write_text(dump(wrong_lane=number))
    scratch = bench.folder / "scratch"
    scratch.mkdir()
    group = "import os\nos.setpgid(0, 0)\n"
    words = ("check", *names, "--board", "card.toml")
    return spawn(bench.folder, *words, before=group, TMPDIR=str(scratch)), scratch


@pytest.mark.parametrize("wait", ["start", "rows"])
def test_an_interruption_of_several_captures_at_once(bench: Bench, wait: str) -> None:
    """A terminal sends Ctrl-C to every process of the program: none of them may talk about it, none may stay."""
    process, scratch = _several(bench)
    until(lambda: any(scratch.rglob("*.rows")) if wait == "rows" else len(children(process.pid)) >= 3)
    time.sleep(0.1)  # while it starts the others it does not listen
    os.killpg(process.pid, signal.SIGINT)
    assert (*process.communicate(timeout=60), process.returncode) == (b"", b"", 130)
    until(lambda: not children(process.pid))
    assert not list(scratch.iterdir())


def test_a_process_of_several_that_is_killed(bench: Bench) -> None:
    """As the system does when memory runs out."""
    process, scratch = _several(bench)
    until(lambda: any(scratch.rglob("*.rows")))
    os.kill(max(children(process.pid)), signal.SIGKILL)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (2, b"")
    assert said(err.decode()).startswith("busledger: a process that decodes was ended from outside")
    assert not list(scratch.iterdir())


def children(group: int) -> list[int]:
    """The process numbers in a group besides its first, from /proc (field 5 of stat: the group)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            number, rest = stat.read_text().split(" ", 1)
            fields = rest.rpartition(")")[2].split()
            if int(fields[2]) == group and int(number) != group and fields[0] != "Z":
                found.append(int(number))
    return found
