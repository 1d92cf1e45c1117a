"""What the commands do with several wired sets: run each, print a section or write a file for each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busledger.decoder.errors import UsageError
from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.checks import SetsResult
    from busledger.decoder.pipeline import Request, WiredSet

__all__ = ["file_of_set", "refuse_one_output", "run_sets_of", "show_sets", "status_of"]


def run_sets_of(
    command: str, run: Callable[..., Any], asked: Sequence[Request], *, compare: bool, show_progress: bool
) -> SetsResult[Any]:
    """Run every set, and with ``compare`` hold each two together."""
    from busledger.decoder.pipeline import run_sets, wired_sets
    from busledger.tui.commands.progress_bar import progress_bar

    with progress_bar(show_progress) as progress, wired_sets(asked) as sets:
        return run_sets(command, sets, run, progress, compare=compare)


def show_sets(result: SetsResult[Any], text: Callable[..., str], *, as_json: bool, quiet: bool) -> None:
    """Print the joint result; ``text`` is what prints one set's."""
    from busledger.decoder.report import sets_text

    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    else:
        screen.show(sets_text(result, text, width=screen.width(), colour=screen.colour_wanted(), answer_only=quiet))


def status_of(
    result: SetsResult[Any], wrong: Callable[[Any], bool], set_aside: Callable[[Any], bool] = lambda _: False
) -> int:
    """1 if a set is ``wrong`` or two sides of one bus differ, else 2 if a set could not be decoded, else 3 if one is
    ``set_aside`` (it cannot be judged), else 0."""
    if any(entry.result is not None and wrong(entry.result) for entry in result.sets):
        return 1
    if any(one.data_differ for one in result.between):
        return 1
    if any(entry.result is None for entry in result.sets):
        return 2
    return 3 if any(set_aside(entry.result) for entry in result.sets) else 0


def file_of_set(name: str | None, one: WiredSet) -> str | None:
    """The file that a set's part of an output goes to: ``cycles.csv`` becomes ``cycles.z80.csv``; None for none."""
    if name is None or not Path(name).name:
        return name  # what no file can be called, whoever opens it says
    path = Path(name)
    return str(path.with_name(f"{path.stem}.{one.slug}{path.suffix}"))


def refuse_one_output(option: str, name: str | None) -> None:
    """Raise UsageError where several sets would all go to standard output."""
    if name == "-":
        raise UsageError(
            f"{option} - would print several wired sets as one",
            expected=f"{option} FILE",
            hint="A file is written for each set, with its name before the ending.",
        )
