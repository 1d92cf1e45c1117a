"""Killed at any moment, a watch goes on: every failure is told once, and the answer is that of one left alone."""

from __future__ import annotations

import gzip
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from busledger.decoder.capture import live
from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline import Request, run_check
from busledger.decoder.watching import Rules, watcher
from busledger.decoder.watching.weighing import Weigher
from tests.watching.streams import Pipe, Told, board_in, stream, watch
from tests.watching.test_watching import plain

BURSTS = {0: 1, 1: 5, 2: 3, 3: 6, 5: 4}
COUNT = 6
KILLS = 20
ROOT = Path(__file__).parents[2]


class Killed(BaseException):
    """As sudden as a signal: nothing of the watch hears of it."""


class Killer:
    """Kills at the ``after``-th moment of those at which something is told, saved or taken."""

    def __init__(self, after: int) -> None:
        self.left = after

    def __call__(self, *_: Any) -> None:
        self.left -= 1
        if self.left < 0:
            raise Killed


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("killed")
    board_in(folder)
    (folder / "run.vcd").write_bytes(stream(COUNT, BURSTS))
    return folder


def journal(out: Path) -> list[dict[str, Any]]:
    path = out / "failures.jsonl"
    lines = path.read_text(encoding="utf-8").split("\n")[:-1] if path.exists() else []
    return [line for line in map(json.loads, lines) if line["event"] == "failure"]


def test_killed_twenty_times_at_random(place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The pipe outlives its readers: what they had taken is in the spool, what they had not is still in it."""
    draw, out = random.Random(20), tmp_path / "out"
    monkeypatch.setattr(live, "piece_size", lambda reader: 1 << 17)
    monkeypatch.setattr(Weigher, "wants", False)  # no verdicts in between: they change nothing, and take a second each
    pipe = Pipe((place / "run.vcd").read_bytes(), step=300_000)
    save, kills, result = watcher.save, 0, None
    while result is None:
        killer = Killer(draw.randrange(1, 6) if kills < KILLS else 1 << 30)

        def saved(*given: Any, killer: Killer = killer) -> None:
            if draw.random() < 0.5:
                killer()
            save(*given)
            killer()

        monkeypatch.setattr(watcher, "save", saved)
        try:
            result = watch("-", place / "card.toml", out, killer, stdin=pipe.reader(), save_s=0.0, resume=kills > 0)
        except Killed:
            kills += 1
    pipe.close()
    assert kills == KILLS
    told = journal(out)
    assert [line["n"] for line in told] == list(range(1, sum(BURSTS.values()) + 1))
    checked = run_check(Request(place / "run.vcd", board=place / "card.toml"))
    assert plain(result) == plain(checked)
    assert result.watch.failures == checked.mismatch_total


def test_killed_in_the_middle_of_a_folder(place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A table, a packed dump and a plain one of a coarser tick: each goes on inside the capture where it was left."""
    monkeypatch.setattr(live, "piece_size", lambda reader: 1 << 17)
    monkeypatch.setattr(Weigher, "wants", False)
    folder, out = tmp_path / "night", tmp_path / "out"
    folder.mkdir()
    (folder / "a.csv").write_bytes(as_table(stream(2, {1: 2})))
    (folder / "b.vcd.gz").write_bytes(gzip.compress(stream(2, {1: 3}), 1))
    (folder / "c.vcd").write_bytes(stream(2, {1: 2}))
    for number, path in enumerate(sorted(folder.iterdir())):
        os.utime(path, (1000 + number, 1000 + number))
    kills = 0
    rules = Rules(silent=True)
    while True:
        killer = Killer(2 if kills < 6 else 1 << 30)

        def tell(line: dict[str, Any], killer: Killer = killer) -> None:
            if line["event"] == "failure":
                killer()

        try:
            result = watch(
                str(folder), place / "card.toml", out, tell, rules=rules, silence_s=1.0, save_s=0.0, resume=kills > 0
            )
            break
        except Killed:
            kills += 1
    assert kills >= 2
    assert [(one["n"], one["capture"][0]) for one in journal(out)] == list(enumerate("aabbbcc", 1))
    assert (result.mismatch_total, result.watch.captures, result.watch.refused) == (7, 3, 0)


def as_table(dump: bytes) -> bytes:
    """The same levels as a CSV with a line for each time stamp."""
    lines = dump.decode().split("$enddefinitions $end\n")
    words = [line.split() for line in lines[0].splitlines() if line.startswith("$var")]
    codes, level = [word[3] for word in words], dict.fromkeys((word[3] for word in words), "0")
    rows = ["time_ns," + ",".join(word[4] for word in words)]
    for line in lines[1].splitlines():
        stamp, *changes = line.split()
        level.update({change[1:]: change[0] for change in changes})
        rows.append(stamp[1:] + "," + ",".join(level[code] for code in codes))
    return ("\n".join(rows) + "\n").encode()


def test_a_signal_that_nothing_survives(place: Path, tmp_path: Path) -> None:
    """SIGKILL to the real program, on a named pipe that its writer holds open."""
    fifo, out = tmp_path / "bus", tmp_path / "out"
    os.mkfifo(fifo)
    held = os.open(fifo, os.O_RDWR)
    data = memoryview((place / "run.vcd").read_bytes())
    code = "import sys\nfrom busledger.tui.start import main\nsys.exit(main())"
    line = [sys.executable, "-c", code, "watch", str(fifo), "--board", str(place / "card.toml"), "--out", str(out)]
    line += ["--until", "silent", "--silence", "3s", "--keep", "0s"]
    environment = {**os.environ, "PYTHONPATH": os.environ.get("PYTHONPATH", "")}
    os.set_blocking(held, False)

    def run(share: float, *more: str) -> subprocess.Popen[bytes]:
        nonlocal data
        process = subprocess.Popen([*line, *more], cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
        left = int(len(data) * (1 - share))
        while len(data) > left:
            try:
                data = data[os.write(held, data[: 1 << 16]) :]
            except BlockingIOError:
                time.sleep(0.01)
        return process

    process = run(0.6)
    while not journal(out):
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    process = run(1.0, "--resume")
    assert process.wait(60) == 1
    os.close(held)
    assert [one["n"] for one in journal(out)] == list(range(1, sum(BURSTS.values()) + 1))
    saved = json.loads((out / "result.json").read_text(encoding="utf-8"))
    checked = json.loads(run_check(Request(place / "run.vcd", board=place / "card.toml")).to_json())
    for key in ("suspects", "parts", "regions", "mismatch_total", "cycles", "next_steps"):
        assert saved[key] == checked[key], key


def test_a_watch_is_not_begun_over_another(place: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with pytest.raises(UsageError, match="no watch to go on"):
        watch(str(place / "run.vcd"), place / "card.toml", out, Told(), resume=True)
    pipe = Pipe(stream(2, {1: 1}))
    watch("-", place / "card.toml", out, Told(), stdin=pipe.reader())
    with pytest.raises(UsageError, match="earlier watch"):
        watch("-", place / "card.toml", out, Told(), stdin=pipe.reader())
    with pytest.raises(UsageError, match="this is a file"):
        watch(str(place / "run.vcd"), place / "card.toml", out, Told(), resume=True)
    (place / "other.toml").write_text((place / "card.toml").read_text() + '[[tested]]\ndesignator = "U3"\n'
                                      'result = "good"\n', encoding="utf-8")  # fmt: skip
    with pytest.raises(UsageError, match="was changed"):
        watch("-", place / "other.toml", out, Told(), stdin=pipe.reader(), resume=True)
    pipe.close()


def test_a_state_that_is_none_runs_nothing(place: Path, tmp_path: Path) -> None:
    """A pickle may name any function; here it may name our columns, numpy's arrays and plain values only."""
    import pickle

    from busledger.decoder.watching.state import save_state

    class Bad:
        def __reduce__(self) -> tuple[Any, ...]:
            return os.mkdir, (str(tmp_path / "made"),)

    out = tmp_path / "out"
    out.mkdir()
    (out / "failures.jsonl").write_text("")
    for data in (pickle.dumps(Bad()), b"no pickle", pickle.dumps({"a": 1})):
        save_state(out / "state", data)
        with pytest.raises(UsageError, match="state of"):
            watch(str(place / "run.vcd"), place / "card.toml", out, Told(), resume=True)
    (out / "state").write_bytes((out / "state").read_bytes()[:-3])
    with pytest.raises(UsageError, match="damaged"):
        watch(str(place / "run.vcd"), place / "card.toml", out, Told(), resume=True)
    assert not (tmp_path / "made").exists()
