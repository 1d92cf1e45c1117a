"""What ``check`` costs as a capture grows: longer, wider, of more regions, with more wrong reads.

    python -m tests.benchmarks.growth [--quick] [--huge]

--quick   two sizes of each (a minute of processor time)
--huge    10 GB as well

The bus of ``long_capture`` is piped in, never on a disk. Of each process its own processor time counts, without that of
the same command on the shortest such capture, which is the start. What is linear has the same ms a MB all the way down
its part of the table; *beside* is that figure beside the first one of the part.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.benchmarks.long_capture import Traffic, board_text, chunks

__all__ = ["FULL", "QUICK", "Case", "table"]

ROOT = Path(__file__).parents[2]
PLAIN = Traffic()
_TWO_PIECES = 10**7  # a dump of one piece is read by another kernel
_CODE = "import sys\nfrom busledger.tui.start import main\nsys.exit(main())"


@dataclass(frozen=True)
class Case:
    """One row: what grows, to what, in how many MB of which traffic."""

    what: str
    to: str
    size: int
    traffic: Traffic = PLAIN


_LENGTHS = [Case("length", f"{size} MB", size) for size in (10, 30, 100, 300, 1000)]
_REGIONS = [Case("regions", str(n), 40, Traffic(banks=n, words=512)) for n in (1, 2, 4, 8, 16, 32, 64)]
_CHANNELS = [Case("channels", str(28 + n), 40, Traffic(extra=n)) for n in (0, 36, 66, 67, 100, 172)]
_WRONG = [Case("wrong reads a period", str(n), 40, Traffic(wrong=n)) for n in (0, 1, 10, 100, 400)]
_MANY = [Case("wrong reads a period", "400", size, Traffic(wrong=400)) for size in (80, 160, 260)]

FULL = (*_LENGTHS, *_REGIONS, *_CHANNELS, *_WRONG, *_MANY)
QUICK = (*_LENGTHS[:2], *_REGIONS[1::5], *_CHANNELS[::5], *_WRONG[::3])
HUGE = (Case("length", "10000 MB", 10_000),)


@dataclass(frozen=True)
class _Cost:
    sent: int
    seconds: float
    peak: int  # KB


def _checked(size: int, traffic: Traffic, board: Path) -> _Cost:
    """A ``check`` of so many bytes, in a process of its own."""
    readable, writable = os.pipe()
    child = os.posix_spawn(
        sys.executable,
        [sys.executable, "-c", _CODE, "check", "-", "--board", str(board), "--quiet"],
        {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / ".types"), str(ROOT)])},
        file_actions=[
            (os.POSIX_SPAWN_DUP2, readable, 0),
            (os.POSIX_SPAWN_CLOSE, writable),
            (os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0),
        ],
    )
    os.close(readable)
    sent = 0
    with os.fdopen(writable, "wb") as pipe:
        for chunk in chunks(traffic, size):
            sent += pipe.write(chunk)
    _, status, used = os.wait4(child, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit(f"check ended with {os.waitstatus_to_exitcode(status)}")
    return _Cost(sent, used.ru_utime + used.ru_stime, used.ru_maxrss)


def table(cases: Sequence[Case], rounds: int = 1) -> Table:
    """One row a case; each run ``rounds`` times, the cheapest counts: other work on the machine only adds."""
    found = Table(title="check: how its cost grows (processor time, without the start)")
    for head in ("what grows", "to", "MB", "wrong reads", "s", "ms a MB", "beside", "peak MB"):
        found.add_column(head, justify="left" if head == "what grows" else "right")
    first: dict[str, float] = {}
    with tempfile.TemporaryDirectory(prefix="busledger-growth-") as folder:
        board = Path(folder) / "card.toml"
        for case in cases:
            board.write_text(board_text(case.traffic), encoding="utf-8")
            _checked(_TWO_PIECES, case.traffic, board)  # compiles what is not yet kept
            tries = [
                (_checked(1, case.traffic, board), _checked(case.size * 10**6, case.traffic, board))
                for _ in range(rounds)
            ]
            start = min((short for short, _ in tries), key=lambda cost: cost.seconds)
            whole = min((long for _, long in tries), key=lambda cost: cost.seconds)
            megabytes = (whole.sent - start.sent) / 1e6
            seconds = whole.seconds - start.seconds
            each = 1000 * seconds / megabytes
            periods = round(whole.sent / start.sent)
            found.add_row(
                case.what,
                case.to,
                f"{whole.sent / 1e6:.0f}",
                f"{periods * case.traffic.wrong}",
                f"{seconds:.2f}",
                f"{each:.1f}",
                f"{each / first.setdefault(case.what, each):.2f}",
                f"{whole.peak / 1000:.0f}",
            )
    return found


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--huge", action="store_true")
    parser.add_argument("--rounds", type=int, default=1)
    asked = parser.parse_args()
    cases = QUICK if asked.quick else FULL
    Console(width=110).print(table((*cases, *(HUGE if asked.huge else ())), asked.rounds))


if __name__ == "__main__":
    main()
