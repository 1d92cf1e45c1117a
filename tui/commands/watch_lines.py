"""What ``watch`` prints while it watches: a picture on a terminal, JSON lines elsewhere; bell and command at first."""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
import textwrap
import time
from types import TracebackType
from typing import TYPE_CHECKING, Any

from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain
from busledger.tui.commands import screen

if TYPE_CHECKING:
    from rich.live import Live

    from busledger.decoder.watching import Status

__all__ = ["Teller", "wrapped"]

_STATUS_S = 60.0  # between JSON lines of how things stand
_INDENT = 10  # of a sentence's further lines: its time of day and two blanks
_ALWAYS = ("failure", "failures", "ended")


class Teller:
    """A context that tells: ``tell`` takes the lines of a watch, ``show`` its state.

    Attributes
    ----------
    lines : JSON lines are printed, not a picture

    Raises
    ------
    UsageError
        ``run`` is no command line.
    """

    def __init__(self, *, as_json: bool, quiet: bool, run: str | None) -> None:
        self._command = _command(run)
        self._quiet = quiet
        terminal = sys.stdout is not None and sys.stdout.isatty()
        self.lines = as_json or not terminal
        self._live: Live | None = None
        self._last_status = time.monotonic()
        self._started: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Teller:
        if not self.lines and not self._quiet:
            from rich.console import Console
            from rich.live import Live

            self._live = Live(console=Console(), auto_refresh=False, transient=True)
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def tell(self, line: dict[str, Any]) -> None:
        """One line, at once; at the first failure the bell, and the command."""
        first = line.pop("first", False)
        if first:
            self._alarm(line)
        if self._quiet and line["event"] not in _ALWAYS:
            return
        if self.lines:
            screen.show_data(json.dumps(line, ensure_ascii=False).encode() + b"\n")
        elif self._live is None:
            screen.show(_words(line) + "\n")
        else:
            text = wrapped(line, self._live.console.width)
            self._live.console.print(text, markup=False, highlight=False, soft_wrap=True)

    def show(self, status: Status) -> None:
        """How things stand."""
        if self._live is not None:
            from busledger.tui.commands.watch_picture import picture

            self._live.update(picture(status, self._live.console.width), refresh=True)
        elif self.lines and not self._quiet and time.monotonic() - self._last_status >= _STATUS_S:
            self._last_status = time.monotonic()
            screen.show_data(json.dumps(status.line()).encode() + b"\n")

    def _alarm(self, line: dict[str, Any]) -> None:
        if not self.lines:
            sys.stdout.write("\a")
            sys.stdout.flush()
        if self._command is None:
            return
        try:
            self._started = subprocess.Popen(
                [*self._command, json.dumps(line)],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            screen.complain(f"{plain(self._command[0])} could not be started ({error.strerror}); the watch goes on")


def _words(line: dict[str, Any]) -> str:
    from datetime import datetime

    from busledger.decoder.watching import day_text, line_text

    if line["event"] in ("failure", "failures"):
        return plain(line_text(line), 400)
    day = day_text(datetime.fromisoformat(line["day"]).timestamp(), places=0)
    where = f"{line['capture']}: " if line.get("capture") else ""
    return plain(f"{day}  {where}{line['text']}", 600)


def wrapped(line: dict[str, Any], width: int) -> str:
    """The line's words above the picture: a failure on one line, a sentence from word to word under its beginning."""
    words = _words(line)
    if line["event"] in ("failure", "failures"):
        return words
    return textwrap.fill(words, width, subsequent_indent=" " * _INDENT, break_long_words=False, break_on_hyphens=False)


def _command(run: str | None) -> list[str] | None:
    if run is None:
        return None
    try:
        words = shlex.split(run)
    except ValueError as error:
        raise UsageError(f"--run cannot be read: {error}", expected="a program and its arguments") from error
    if not words:
        raise UsageError("--run names no program", expected="a program and its arguments")
    if shutil.which(words[0]) is None:  # said now, not at three in the morning
        what = f"--run: there is no program {plain(words[0], 200)!r}"
        raise UsageError(what, expected="a program that can be started")
    return words
