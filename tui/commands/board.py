"""``busledger board``: make, draw and describe board files."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import screen
from busledger.tui.commands.completing import bus_names, part_names

__all__ = ["board_commands"]

board_commands = typer.Typer(rich_markup_mode=None, help="Make, draw and describe board files.", no_args_is_help=False)

NameOption = Annotated[
    str | None, typer.Option("--name", help="What the card is called.", metavar="TEXT", show_default=False)
]
BusOption = Annotated[
    str | None,
    typer.Option(
        "--bus",
        autocompletion=bus_names,
        metavar="NAME",
        help="Its bus: see 'busledger profiles'.",
        show_default=False,
    ),
]
RamOption = Annotated[
    list[str] | None,
    typer.Option("--ram", metavar="NAME=4000-43FF", help="A RAM region; repeatable.", show_default=False),
]
RomOption = Annotated[
    list[str] | None,
    typer.Option("--rom", metavar="NAME=F800-FFFF", help="A ROM region; repeatable.", show_default=False),
]
PartOption = Annotated[
    str | None,
    typer.Option("--part", autocompletion=part_names, metavar="NAME", help="The RAM chips' type.", show_default=False),
]
DesignatorsOption = Annotated[
    str | None,
    typer.Option(
        "--designators", metavar="U1,U2,...", help="The RAM chips, region by region, D0 first.", show_default=False
    ),
]


@board_commands.command("new", short_help="Ask what is on the card and write its board file.")
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The board file to write.", show_default=False)],
    name: NameOption = None,
    bus: BusOption = None,
    ram: RamOption = None,
    rom: RomOption = None,
    part: PartOption = None,
    designators: DesignatorsOption = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")] = False,
) -> int:
    """Write a board file with comments: asks for what the options do not say.

    With --name, --bus and a region on the command line nothing is asked.

    \b
    busledger board new card.toml
    busledger board new card.toml --name "Gauge card" --bus z80 --ram bank0=4000-43FF --part 2114 --designators U1,U2
    """
    from busledger.tui.commands import board_form

    if file.exists() and not force:
        raise UsageError("the file is there already", where=str(file), hint="Choose another name, or add --force.")
    if name is not None and bus is not None and (ram or rom):
        form = board_form.form_from_options(name, bus, ram or [], rom or [], part, designators)
    elif sys.stdin is not None and sys.stdin.isatty():
        from busledger.tui.commands.board_questions import ask_form

        form = ask_form(name=name, bus=bus, part=part)
    else:
        raise UsageError(
            "there is no terminal to ask questions on",
            expected="--name, --bus and at least one --ram or --rom",
        )
    board_form.write_form(form, file)
    screen.show_paragraphs(
        [
            f"Written: {file}",
            f"Look at it with: busledger board draw {file}",
            "Decoders and bus drivers can be suspected only if they are in it: the comments in the file show how.",
        ]
    )
    return 0


@board_commands.command("draw", short_help="Draw the card and its memory map.")
def draw(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A board file.", show_default=False)],
) -> int:
    """Draw the card's parts in their places, and the memory map.

    \b
    busledger board draw card.toml
    """
    from busledger.decoder.report import board_text
    from busledger.tui.commands.board_form import load_with_bus

    board, profile = load_with_bus(file)
    text = board_text(board, address_bits=profile.address_bits, width=screen.width(), colour=screen.colour_wanted())
    screen.show(text)
    return 0


@board_commands.command("schema", short_help="Print the JSON schema of board files, for your editor.")
def schema(
    profile: Annotated[bool, typer.Option("--profile", help="That of bus profiles instead.")] = False,
    result: Annotated[bool, typer.Option("--result", help="That of check --json instead.")] = False,
    sets: Annotated[bool, typer.Option("--sets", help="That of --json with several wired sets instead.")] = False,
) -> int:
    """Print the JSON schema of board files; editors use it to check and complete TOML.

    \b
    busledger board schema > board.schema.json
    busledger board schema --profile > profile.schema.json
    busledger board schema --result > check.schema.json
    busledger board schema --sets > sets.schema.json
    """
    from busledger.decoder.report import board_schema, profile_schema, result_schema, sets_schema

    asked = {"--profile": profile, "--result": result, "--sets": sets}
    given = [option for option in asked if asked[option]]
    if len(given) > 1:
        raise UsageError(f"{given[0]} and {given[1]} were both given", expected="one of them")
    makers = {"--profile": profile_schema, "--result": result_schema, "--sets": sets_schema}
    made = makers[given[0]]() if given else board_schema()
    screen.show_data(json.dumps(made, indent=2).encode() + b"\n")
    return 0


@board_commands.callback(invoke_without_command=True)
def _board(context: typer.Context) -> int:
    if context.invoked_subcommand is None:
        raise UsageError(
            "'board' needs to know what to do",
            expected="new FILE, draw FILE or schema",
            hint="See 'busledger board --help'.",
        )
    return 0
