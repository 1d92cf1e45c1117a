"""``busledger board``: make, draw and describe board files."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import screen
from busledger.tui.commands.completing import bus_names, part_names

if TYPE_CHECKING:
    from busledger.tui.commands import board_form

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
    capture: Annotated[
        str | None,
        typer.Option("--from", metavar="CAPTURE", help="Begin with what a recording shows.", show_default=False),
    ] = None,
    wiring: Annotated[
        Path | None, typer.Option("--wiring", metavar="FILE", help="With --from: its wiring.", show_default=False)
    ] = None,
    rate: Annotated[
        str | None, typer.Option("--rate", metavar="HZ", help="With --from: its sample rate.", show_default=False)
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it is there.")] = False,
) -> int:
    """Write a board file with comments: asks for what the options do not say.

    With --name, --bus and a region on the command line nothing is asked. With --from CAPTURE and --bus the file begins
    with what the recording shows: regions, their kinds, mirrors, selects and the wiring.

    \b
    busledger board new card.toml
    busledger board new card.toml --name "Gauge card" --bus z80 --ram bank0=4000-43FF --part 2114 --designators U1,U2
    busledger board new card.toml --from run.vcd --bus z80
    """
    from busledger.tui.commands import board_form

    if file.exists() and not force:
        raise UsageError("the file is there already", where=str(file), hint="Choose another name, or add --force.")
    if capture is not None:
        form = _form_of_capture(capture, name, bus, wiring, rate, bool(ram or rom or part or designators))
    elif wiring is not None or rate is not None:
        raise UsageError("--wiring and --rate belong to --from", expected="--from CAPTURE as well")
    elif name is not None and bus is not None and (ram or rom):
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


def _form_of_capture(
    capture: str, name: str | None, bus: str | None, wiring: Path | None, rate: str | None, more: bool
) -> board_form.Form:
    """The form that a recording fills in.

    Raises
    ------
    UsageError
        No bus, or options that say the same as the recording.
    """
    from busledger.decoder.pipeline import seen_card
    from busledger.tui.commands import options
    from busledger.tui.commands.board_form import form_from_card

    if more:
        raise UsageError(
            "--from and a region or part were both given",
            expected="one of them",
            hint="Add chips to the file by hand: the recording does not show them.",
        )
    if bus is None:
        raise UsageError("--from was given without --bus", expected="--bus NAME",
                         hint="'busledger probes CAPTURE' names the bus that fits best.")  # fmt: skip
    asked = options.request(capture, profile=[bus], wiring=None if wiring is None else [wiring], rate=rate)
    card = seen_card(asked)
    return form_from_card(card, name if name is not None else f"Card seen in {Path(capture).name}")


@board_commands.command("draw", short_help="Draw the card and its memory map.")
def draw(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A board file.", show_default=False)],
    svg: Annotated[
        str | None,
        typer.Option("--svg", metavar="FILE", help="Write an SVG to keep or print; '-' prints it.", show_default=False),
    ] = None,
) -> int:
    """Draw the card's parts in their places, and the memory map.

    \b
    busledger board draw card.toml
    busledger board draw card.toml --svg card.svg
    """
    from busledger.decoder.report import board_svg, board_text, refuse_overwriting, whole_file
    from busledger.tui.commands.board_form import load_with_bus

    board, profile = load_with_bus(file)
    if svg is not None:
        drawing = board_svg(board, address_bits=profile.address_bits).encode()
        if svg == "-":
            screen.show_data(drawing)
            return 0
        refuse_overwriting(svg, file)
        with whole_file(svg) as out:
            out.write(drawing)
        screen.show_paragraphs([f"Written: {svg}"])
        return 0
    text = board_text(board, address_bits=profile.address_bits, width=screen.width(), colour=screen.colour_wanted())
    screen.show(text)
    return 0


@board_commands.command("power", short_help="Add up what the card draws, and the heat in its regulators.")
def power(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A board file.", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON, and nothing else.")] = False,
) -> int:
    """Add up the data sheets' supply currents, typical and most, rail by rail, and the heat in each [[regulator]].

    \b
    busledger board power card.toml
    """
    from busledger.decoder.board import card_power
    from busledger.decoder.report import power_json, power_text
    from busledger.tui.commands.board_form import load_with_bus

    board, _ = load_with_bus(file)
    found = card_power(board)
    if as_json:
        screen.show_data(json.dumps(power_json(board.name, found), indent=2).encode() + b"\n")
        return 0
    screen.show(power_text(board.name, found, width=screen.width(), colour=screen.colour_wanted()))
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
            expected="new FILE, draw FILE, power FILE or schema",
            hint="See 'busledger board --help'.",
        )
    return 0
