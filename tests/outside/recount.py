"""Counts what each command says against sound cards: an accusation of 0.5 or more, or exit 1, is a false word.

python -m tests.outside.recount --seed 83000 --count 50 --out DIR --jobs 1
python -m tests.outside.recount --count 0 --also FOLDER… --out DIR

Healthy cards are drawn by ``cards``; ``--also`` takes folders that hold a sound card's capture and its ``board.toml``.
Folders of cards that got a false word are kept, with all that every command printed.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from .cards.case import make, write
from .rivals.run import call
from .rivals.score import accusations

COMMANDS = ("check", "timing", "buffers", "selects", "probes", "cycles")
TABLES = {"selects": "[[decoder]]", "buffers": "[[buffer]]"}
"""Commands that need a table of the board file."""
MISSING = {"gap", "dropout"}
PROGRAM = "busledger.tui.start:main"


@dataclass
class Card:
    """One sound card: every command's exit status, and what was said against it."""

    capture: str
    status: dict[str, int | None] = field(default_factory=dict)
    said: dict[str, list[str]] = field(default_factory=dict)
    """Command to its false words, empty where there are none."""

    @property
    def wrong(self) -> list[str]:
        """The commands that said a false word, or gave no answer."""
        return [c for c, status in self.status.items() if self.said[c] or status not in (0, 1, 2, 3)]


def words_of(command: str, capture: Path, board: Path) -> list[str] | None:
    """The command line for one card; None where the command does not apply."""
    needs = TABLES.get(command)
    if needs and needs not in board.read_text(encoding="utf-8"):
        return None
    return [command, str(capture), "--board", str(board), "--no-progress"]


def only_samples(shown: str) -> bool:
    """Whether all that ``probes`` doubts is that samples are missing: that is true, and no word about the card."""
    doubts = {finding["code"] for finding in json.loads(shown)["findings"] if finding["weight"] == "doubt"}
    return doubts <= MISSING


def ask(capture: Path, board: Path, commands: Iterable[str], out: Path, program: str = PROGRAM) -> Card:
    """Every command on one card. ``out``: a folder for what they print."""
    card = Card(str(capture))
    for command in commands:
        words = words_of(command, capture, board)
        if words is None:
            continue
        status, shown, complaint = call(program, [*words, "--json"] if command != "cycles" else words)
        (out / f"{command}.out").write_text(shown + complaint, encoding="utf-8")
        said = [f"exit {status}"] if status == 1 and not (command == "probes" and only_samples(shown)) else []
        if command == "check" and status in (0, 1, 3):
            said += accusations(json.loads(shown))
        if said:
            _, plain, _ = call(program, words)
            (out / f"{command}.txt").write_text(plain, encoding="utf-8")
        card.status[command], card.said[command] = status, said
    return card


def drawn(task: tuple[int, int | None, str, tuple[str, ...]]) -> Card:
    """A healthy card, drawn and asked about."""
    seed, cycles, out, commands = task
    folder = Path(out) / f"healthy-{seed}"
    capture = write(make(seed, "healthy", cycles=cycles), folder)
    card = ask(capture, folder / "board.toml", commands, folder)
    if not card.wrong:
        shutil.rmtree(folder, ignore_errors=True)
    return card


def given(task: tuple[str, str, tuple[str, ...]]) -> list[Card]:
    """Every capture of a folder with a board file."""
    place, out, commands = Path(task[0]), task[1], task[2]
    cards = []
    for capture in sorted(place.glob("*.vcd*")):
        folder = Path(out) / f"{place.name}-{capture.name.split('.')[0]}"
        folder.mkdir(parents=True, exist_ok=True)
        cards.append(ask(capture, place / "board.toml", commands, folder))
    return cards


def table(cards: list[Card]) -> str:
    """A row for each command: how often it was asked, accused with 0.5 or more, or said any false word (exit 1 or an
    accusation), could not judge (3), refused for want of clips (2)."""
    rows = [f"{'command':<10}{'asked':>7}{'accused':>9}{'false':>8}{'cannot judge':>14}{'refused':>9}{'broken':>8}"]
    for command in dict.fromkeys(c for card in cards for c in card.status):
        asked = [card for card in cards if command in card.status]
        status = Counter(card.status[command] for card in asked)
        accused = sum(any(not word.startswith("exit") for word in card.said[command]) for card in asked)
        false = sum(bool(card.said[command]) for card in asked)
        broken = sum(n for s, n in status.items() if s not in (0, 1, 2, 3))
        row = f"{command:<10}{len(asked):>7}{accused:>9}{false:>8}{status[3]:>14}{status[2]:>9}{broken:>8}"
        rows.append(row)
    return "\n".join(rows)


def main(argv: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="tests.outside.recount", description=__doc__)
    parser.add_argument("--seed", type=int, default=83000)
    parser.add_argument("--count", type=int, default=20, help="how many healthy cards are drawn")
    parser.add_argument("--cycles", type=int, default=None, help="this many cycles in every drawn card")
    parser.add_argument("--also", nargs="*", default=[], help="folders of sound cards")
    parser.add_argument("--commands", default=",".join(COMMANDS))
    parser.add_argument("--out", required=True)
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args(argv)
    commands = tuple(args.commands.split(","))
    Path(args.out).mkdir(parents=True, exist_ok=True)
    cards: list[Card] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        seeds = range(args.seed, args.seed + args.count)
        cards += pool.map(drawn, [(seed, args.cycles, args.out, commands) for seed in seeds])
        for some in pool.map(given, [(folder, args.out, commands) for folder in args.also]):
            cards += some
    print(table(cards))
    for card in cards:
        if card.wrong:
            words = (f"{c} {', '.join(card.said[c]) or card.status[c]}" for c in card.wrong)
            print(f"{card.capture}: {'; '.join(words)}")
    return 1 if any(card.wrong for card in cards) else 0


if __name__ == "__main__":
    sys.exit(main())
