"""The examples of the guide pages: what is typed, what is shown, and the same run again.

``python -m tests.tui.guide`` pastes the program's screens anew into every block
marked ``text whole``; other blocks hold lines chosen by hand.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

from busledger.tui.commands.main import main

__all__ = ["DEMO", "PAGES", "Example", "Typed", "bench", "examples", "key_lines", "masked", "run", "still_bus"]

DEMO = Path(__file__).parents[2] / "captures_demo"
PAGES = sorted([*DEMO.glob("guide*.md"), *DEMO.glob("*/guide*.md")])

_BLOCKS = re.compile(r"```sh\n(?P<typed>.*?)```(?:\n\n```text(?P<whole> whole)?\n(?P<shown>.*?)```)?", re.DOTALL)
_STATUS = re.compile(r"# exit status (\d)")
_NUMBER = re.compile(r"(?<![A-Za-z0-9.])\d+(?:[  .]\d+)*")
_TABLE = "Wrong reads by region and lane"
_LABELS = ("Why", "When", "Cleared", "Proved", "Not seen", "Next")


@dataclass(frozen=True)
class Typed:
    """One command line and the exit status that the page gives it (0 where it says nothing)."""

    line: str
    status: int

    @property
    def words(self) -> list[str]:
        return shlex.split(self.line)[1:]


@dataclass(frozen=True)
class Example:
    """The commands of one block, and the screen of the last of them; ``whole`` if nothing was left out."""

    page: Path
    typed: tuple[Typed, ...]
    shown: str
    whole: bool


def examples(page: Path) -> list[Example]:
    """All blocks of a page that hold commands, in order."""
    found = []
    for block in _BLOCKS.finditer(page.read_text(encoding="utf-8")):
        typed: list[Typed] = []
        waiting: list[str] = []
        for line in block["typed"].splitlines():
            status = _STATUS.fullmatch(line)
            if status:
                typed += [Typed(command, int(status[1])) for command in waiting]
                waiting = []
            elif line:
                waiting.append(line)
        typed += [Typed(command, 0) for command in waiting]
        found.append(Example(page, tuple(typed), block["shown"] or "", bool(block["whole"])))
    return found


def bench(page: Path, folder: Path) -> Path:
    """A copy of the folder that the page stands in, to work in without leaving anything behind."""
    place = folder / page.parent.name
    shutil.copytree(page.parent, place, ignore=shutil.ignore_patterns("__pycache__", "world", "*.py"))
    return place


def run(words: list[str], place: Path) -> tuple[int, str]:
    """Exit status and what the screen shows, in the folder ``place``; ``> FILE`` is obeyed as a shell would."""
    target = None
    if ">" in words:
        at = words.index(">")
        words, target = words[:at], words[at + 1]
    raw = io.BytesIO()
    out, err = io.TextIOWrapper(raw, encoding="utf-8", write_through=True), io.StringIO()
    with contextlib.chdir(place), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main(words)
    text = raw.getvalue().decode()
    if target is not None:
        (place / target).write_text(text, encoding="utf-8")
        text = ""
    return status, text + err.getvalue()


def masked(text: str) -> str:
    """One line of words, every number a #: what must not change when a figure does."""
    text = " ".join(_NUMBER.sub("#", text.replace("\N{NO-BREAK SPACE}", " ")).split())
    return text.replace("over #", "#").replace("under #", "#")


def key_lines(screen: str) -> tuple[str, list[str], list[list[str]]]:
    """Of an answer: its first paragraph without the closing probability, its headings, its table's cells."""
    head = masked(screen.split("\n\n")[0]).removesuffix(", # %")
    labels = [label for label in _LABELS if re.search(rf"^{label} ", screen, re.MULTILINE)]
    table = screen.partition(_TABLE)[2].split("\n\n")[0]
    return head, labels, [line.split() for line in table.splitlines() if line]


def still_bus() -> str:
    """``waiting.vcd``: a Z80's clock runs, its first fetch begins, and WAIT is held low for ever.

    Made by hand: edges every 250 ns, the strobes 50 ns after their clock edge.
    """
    names = ["CLK", "/M1", "/MREQ", "/IORQ", "/RD", "/WR", "/RFSH", "/WAIT"]
    names += [*(f"A{n}" for n in range(16)), *(f"D{n}" for n in range(8))]
    mark = {name: chr(ord("!") + number) for number, name in enumerate(names)}
    high = {"/M1", "/MREQ", "/IORQ", "/RD", "/WR", "/RFSH", "D0", "D1", "D6", "D7"}
    lines = ["$timescale 1 ns $end", "$scope module clips $end"]
    lines += [f"$var wire 1 {mark[name]} {name} $end" for name in names]
    lines += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    lines += [f"{int(name in high)}{mark[name]}" for name in names] + ["$end"]
    falls = {5: ["/M1"], 6: ["/MREQ", "/RD"]}
    for half in range(1, 400):
        lines += [f"#{250 * half}", f"{half % 2}{mark['CLK']}"]
        if half in falls:
            lines += [f"#{250 * half + 50}", *(f"0{mark[name]}" for name in falls[half])]
    return "\n".join(lines) + "\n"


def _paste_anew(page: Path) -> None:
    """Run all of a page; put what the last command of each ``text whole`` block shows into it."""
    screens = []
    with tempfile.TemporaryDirectory() as folder:
        place = bench(page, Path(folder))
        for example in examples(page):
            screen = ""
            for typed in example.typed:
                if typed.words[0] != "browse":
                    status, screen = run(typed.words, place)
                    if status != typed.status:
                        print(f"{page.name}: {typed.line}: exit status {status}, not {typed.status}")
            screens.append(screen)
    waiting = iter(screens)

    def filled(block: re.Match[str]) -> str:
        screen = next(waiting)
        if not block["whole"]:
            return block[0]
        at = block.start("shown") - block.start()
        return f"{block[0][:at]}{screen}```"

    page.write_text(_BLOCKS.sub(filled, page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    os.environ.update(COLUMNS="80", LINES="24", LANG="C.UTF-8")
    (DEMO / "tide_gauge" / "waiting.vcd").write_text(still_bus(), encoding="utf-8")
    for one in PAGES:
        _paste_anew(one)
