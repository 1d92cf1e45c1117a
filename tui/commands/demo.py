"""``busledger demo``: the main job on a capture that comes with the program."""

from __future__ import annotations

import difflib
import shlex
from pathlib import Path
from typing import Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain
from busledger.tui.commands import options as opt
from busledger.tui.commands import screen
from busledger.tui.commands.completing import CAPTURE, demo_folders, demo_names

__all__ = ["demo"]


def demo(
    name: Annotated[
        str | None,
        typer.Argument(
            autocompletion=demo_names, metavar="NAME", help="Which capture; the first if left out.", show_default=False
        ),
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="Only list the captures that are there.")] = False,
    html: opt.HtmlOption = None,
    markdown: opt.MarkdownOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """Find the fault in a capture that comes with the program.

    \b
    busledger demo
    busledger demo --list
    busledger demo loom
    """
    folders = demo_folders()
    if listed:
        screen.show_table(("name", "what it is"), [(key, _title(folder)) for key, folder in folders.items()])
        return 0
    from busledger.tui.commands.outcome import Outputs, checked, report_check
    from busledger.tui.commands.progress_bar import progress_bar

    folder = _chosen(folders, name)
    capture, board = folder / CAPTURE, folder / "board.toml"
    outputs, asked = Outputs(html, markdown), opt.request(str(capture), board=[board])
    outputs.refuse_overwriting(capture, board, as_json=as_json)
    material = outputs.material()
    with progress_bar(not (quiet or no_progress)) as progress:
        result = checked(asked, progress, material)
    status = report_check(result, outputs, asked, material, as_json=as_json, quiet=quiet)
    if not (as_json or quiet or outputs.on_screen):
        others = [key for key, other in folders.items() if other != folder]
        screen.show("\n")
        screen.show_paragraphs(
            [
                f"This was the bundled capture of: {_title(folder)}",
                f"Others: busledger demo {' | '.join(others)}" if others else "",
                "The same by hand:",
            ]
        )
        # Not wrapped: a path that is broken over lines cannot be copied.
        screen.show(f"busledger check {_typed(capture)} --board {_typed(board)}\n")
    return status


def _typed(path: Path) -> str:
    """A path as it can be typed here: short where it lies below this folder."""
    here = Path.cwd()
    return plain(shlex.quote(str(path.relative_to(here) if path.is_relative_to(here) else path)), 4096)


def _chosen(folders: dict[str, Path], name: str | None) -> Path:
    if not folders:
        raise UsageError(
            "no capture is bundled with this installation", hint="Install the program again from its source."
        )
    if name is None:
        return next(iter(folders.values()))
    if name not in folders:
        near = difflib.get_close_matches(name, folders, n=1, cutoff=0.4)
        raise UsageError(
            f"there is no bundled capture '{plain(name)}'",
            expected=f"one of {', '.join(folders)}",
            hint=f"Did you mean {near[0]}?" if near else "",
        )
    return folders[name]


def _title(folder: Path) -> str:
    """The first heading of the scenario's story."""
    story = folder / "story.md"
    lines = story.read_text(encoding="utf-8").splitlines() if story.is_file() else []
    return next((line.lstrip("# ") for line in lines if line.startswith("#")), folder.name)
