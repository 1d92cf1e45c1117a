"""Every command of the guide pages runs as it stands, ends as the page says, and still shows what the page shows."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.tui.guide import DEMO, PAGES, Example, bench, examples, key_lines, masked, run, still_bus

PASTE = "paste the screens anew: python -m tests.tui.guide"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_page_runs_as_it_stands(page: Path, tmp_path: Path) -> None:
    place = bench(page, tmp_path)
    for example in examples(page):
        screen = ""
        for typed in example.typed:
            if typed.words[0] == "browse":
                continue  # has its own test: it needs a terminal
            status, screen = run(typed.words, place)
            assert status == typed.status, f"{typed.line}\n{screen}"
        _compare(example, screen)


def _compare(example: Example, screen: str) -> None:
    command = example.typed[-1].line
    if example.whole and "Wrong reads by region" in screen:
        assert key_lines(example.shown) == key_lines(screen), f"{command}: {PASTE}"
    elif example.whole:
        assert masked(example.shown) == masked(screen), f"{command}: {PASTE}"
    else:
        said = masked(screen)
        for line in example.shown.splitlines():
            assert masked(line) in said, f"{command} no longer shows: {line}"


FIGURES = re.compile(r"\b1 in \d[\d ]*|\b\d[\d ]* of \d[\d ]*|\b\d+ %")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_sentences_quote_what_the_screens_print(page: Path) -> None:
    """What stands in italics with a figure, and every rate, count and per cent, is on a screen of the same page."""
    text = page.read_text(encoding="utf-8")
    prose = " ".join(re.sub(r"```.*?```", "", text, flags=re.DOTALL).split())
    screens = " ".join(" ".join(example.shown for example in examples(page) if example.whole).split())
    quoted = [words for words in re.findall(r"(?<!\*)\*([^*]+)\*(?!\*)", prose) if re.search(r"\d", words)]
    for said in [*quoted, *(found.strip() for found in FIGURES.findall(prose))]:
        assert said in screens, f"{page.name} says {said!r}, no screen of it does: {PASTE}"


def test_the_guide_quotes_a_rate() -> None:
    prose = re.sub(r"```.*?```", "", (DEMO / "guide.md").read_text(encoding="utf-8"), flags=re.DOTALL)
    assert FIGURES.search(prose), "else the test above looks at nothing"


def test_whole_screens_were_pasted() -> None:
    shown = [example.shown for page in PAGES for example in examples(page) if example.whole]
    assert len(shown) >= 5
    assert all("\n" in text for text in shown)


def test_every_walk_is_there_and_linked() -> None:
    guide = (DEMO / "guide.md").read_text(encoding="utf-8")
    linked = re.findall(r"\]\(([a-z_/]+\.md)\)", guide)
    assert len(linked) == 5
    assert {DEMO / name for name in linked} == set(PAGES) - {DEMO / "guide.md"}


def test_pages_hold_no_command_outside_of_a_tested_block() -> None:
    for page in PAGES:
        typed = [line.line for example in examples(page) for line in example.typed]
        assert typed
        assert all(line.startswith("busledger ") for line in typed)
        assert len(re.findall(r"^busledger ", page.read_text(encoding="utf-8"), re.MULTILINE)) >= len(typed)


def test_the_still_bus_is_what_it_is_said_to_be() -> None:
    assert (DEMO / "tide_gauge" / "waiting.vcd").read_text(encoding="utf-8") == still_bus()


def test_browser_of_the_guide_opens_in_a_terminal_and_leaves_on_q(tmp_path: Path) -> None:
    page = DEMO / "guide.md"
    (browse,) = [t for e in examples(page) for t in e.typed if t.words[0] == "browse"]
    place = bench(page, tmp_path)
    words = [word if word != "my_card.toml" else "tide_gauge/board.toml" for word in browse.words]
    near, far = pty.openpty()
    program = [sys.executable, "-c", "from busledger.tui.commands.main import main; raise SystemExit(main())", *words]
    environ = {**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(DEMO.parent), "XDG_CACHE_HOME": str(tmp_path)}
    process = subprocess.Popen(program, cwd=place, stdin=far, stdout=far, stderr=far, env=environ)
    os.close(far)
    seen = _read_until(near, b"bank1", seconds=50)
    os.write(near, b"q")
    _read_until(near, b"nothing more is expected", seconds=20)
    assert process.wait(20) == 0
    assert b"bank1" in seen


def _read_until(source: int, word: bytes, *, seconds: float) -> bytes:
    """What comes from a terminal until ``word``, its closing, or the time is over."""
    seen, end = b"", time.monotonic() + seconds
    while word not in seen and time.monotonic() < end:
        ready, _, _ = select.select([source], [], [], 0.2)
        if not ready:
            continue
        try:
            more = os.read(source, 65536)
        except OSError:  # the other side has closed
            break
        if not more:
            break
        seen += more
    return seen
