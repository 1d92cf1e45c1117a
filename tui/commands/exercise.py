"""``busledger exercise``: a memory test for the machine's own processor."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Exercise

__all__ = ["exercise"]

_SIZE_UNITS = {"k": 1024, "kb": 1024, "kib": 1024, "": 1}


def exercise(
    board: opt.BoardOption = None,
    origin: Annotated[
        str | None,
        typer.Option(
            "--origin", metavar="ADDRESS", help="Where the program lies, in RAM that is not tested.", show_default=False
        ),
    ] = None,
    regions: Annotated[
        list[str] | None,
        typer.Option(
            "--regions",
            metavar="bank0,4400-44FF",
            help="What to test: regions of the board file or ranges; all RAM but the program's own if left out.",
            show_default=False,
        ),
    ] = None,
    test: Annotated[
        str | None,
        typer.Option(
            "--test",
            metavar="NAME",
            help="march-c, march-y, checkerboard, address, walking or retention; march-c if left out.",
            show_default=False,
        ),
    ] = None,
    processor: Annotated[
        str | None,
        typer.Option(
            "--processor", metavar="NAME", help="Where the bus has several, such as z80 or 8080.", show_default=False
        ),
    ] = None,
    out: Annotated[
        list[str] | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Write it: .s19 S-records, .hex Intel HEX, .bin raw, .lst listing; repeatable.",
            show_default=False,
        ),
    ] = None,
    after: Annotated[
        Path | None,
        typer.Option(
            "--after",
            metavar="RESULT.json",
            help="An earlier 'check --json': choose the test and the regions that part its suspects best.",
            show_default=False,
        ),
    ] = None,
    passes: Annotated[
        int | None,
        typer.Option(
            "--passes",
            metavar="N",
            help="How often to go over it, 1 to 255; once, or for ever in an EPROM.",
            min=1,
            max=255,
            show_default=False,
        ),
    ] = None,
    forever: Annotated[bool, typer.Option("--forever", help="Go over it until RESET.")] = False,
    on_failure: Annotated[
        str | None,
        typer.Option(
            "--on-failure",
            metavar="stop|go-on|loop",
            help="Stop, go on, or loop on the failing address for a scope; with --output or --reset-rom it goes on.",
            show_default=False,
        ),
    ] = None,
    output: Annotated[
        str | None,
        typer.Option(
            "--output",
            metavar="ROUTINE",
            help="Print failures through the monitor's character routine at this address; 'errors' reads them.",
            show_default=False,
        ),
    ] = None,
    back: Annotated[
        str | None,
        typer.Option(
            "--back",
            metavar="ADDRESS",
            help="Where to go in the end, such as the monitor's warm start.",
            show_default=False,
        ),
    ] = None,
    reset_rom: Annotated[
        str | None,
        typer.Option(
            "--reset-rom",
            metavar="SIZE",
            help="A whole EPROM image of this size, such as 2K, that runs at RESET without any RAM.",
            show_default=False,
        ),
    ] = None,
    pause: Annotated[
        str | None,
        typer.Option(
            "--pause", metavar="TIME", help="Each wait of the retention test; 2s if left out.", show_default=False
        ),
    ] = None,
    clock: Annotated[
        str | None,
        typer.Option(
            "--clock", metavar="HZ", help="The processor's clock, such as 2M, for the times.", show_default=False
        ),
    ] = None,
    stack: Annotated[
        str | None,
        typer.Option(
            "--stack", metavar="ADDRESS", help="Top of the stack; behind the program if left out.", show_default=False
        ),
    ] = None,
    scratch: Annotated[
        str | None,
        typer.Option(
            "--scratch",
            metavar="ADDRESS",
            help="A few bytes of RAM for the loops of a 6502; 00F0 if left out.",
            show_default=False,
        ),
    ] = None,
    as_json: opt.JsonOption = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print only what the program is.")] = False,
) -> int:
    """Write a memory test for the machine's own processor: small enough to type, or an EPROM for a dead machine.

    It says beforehand how long a pass takes, which faults the test finds and which it cannot, and what it overwrites.
    Without --out the listing is printed, with rows to type and their sums.

    \b
    busledger exercise --board card.toml --origin 0100 --out test.s19
    busledger exercise --board card.toml --origin 0100 --regions bank0 --on-failure go-on --output F803 --out test.lst
    busledger exercise --board card.toml --reset-rom 2K --out test.bin
    busledger exercise --board card.toml --origin 0100 --after result.json --out test.hex
    """
    from busledger.decoder.durations import parse_duration
    from busledger.decoder.pipeline import make_exercise
    from busledger.decoder.program import (
        Asked,
        OnFailure,
        exercise_result,
        file_bytes,
        format_of,
        listing,
        parse_address,
    )

    opt.need_board(board, "it says which RAM answers where")
    card = opt.one("--board", board)
    assert card is not None

    def address(option: str, text: str | None) -> int | None:
        return None if text is None else parse_address(option, text)

    if forever and passes is not None:
        raise UsageError("--passes and --forever were both given", expected="one of them")
    if on_failure not in (None, "stop", "go-on", "loop"):
        raise UsageError(f"there is no way to go on called '{on_failure}'", expected="--on-failure stop, go-on or loop")
    size = None if reset_rom is None else _size(reset_rom)
    asked = Asked(
        origin=address("--origin", origin),
        processor=processor,
        regions=tuple(regions or ()),
        test=test,
        passes=None if forever or (size is not None and passes is None) else passes or 1,
        on_failure=cast("OnFailure | None", on_failure),
        output=address("--output", output),
        back=address("--back", back),
        scratch=parse_address("--scratch", scratch or "F0"),
        stack=address("--stack", stack),
        pause_s=2.0 if pause is None else max(parse_duration(pause), 1) / 1e15,
        clock_hz=None if clock is None else _clock(clock),
        rom_size=size,
    )
    forms = [(name, format_of(name)) for name in out or ()]
    if len({name for name, _ in forms}) < len(forms):
        raise UsageError("the same file was named twice after --out", expected="a file for each form")
    made = make_exercise(card, asked, after=after)
    told = _paragraphs(made)
    contents = [(name, file_bytes(made.program, form, rom_size=size, told=told)) for name, form in forms]
    _write(contents, card, after)
    if as_json:
        written = [name for name, _ in forms]
        shown = exercise_result(made.program, made.told, chosen=made.chosen, written=written)
        screen.show_data(shown.model_dump_json(by_alias=True, indent=2).encode() + b"\n")
        return 0
    screen.show_paragraphs([*made.chosen, made.told.title])
    for head, sentences in () if quiet else made.told.sections:
        screen.show("\n")
        screen.show_paragraphs([head, *sentences], title=True)
    if not forms and not quiet:
        screen.show("\n" + listing(made.program))
    elif forms and not quiet:
        screen.show("\n")
        screen.show_paragraphs([f"Written: {', '.join(name for name, _ in forms)}."])
    return 0


def _paragraphs(made: Exercise) -> list[str]:
    sections = [text for head, sentences in made.told.sections for text in (f"-- {head}", *sentences)]
    return [*made.chosen, made.told.title, *sections]


def _write(contents: list[tuple[str, bytes]], *inputs: Path | None) -> None:
    from busledger.decoder.report import refuse_overwriting, whole_file

    for name, _ in contents:
        refuse_overwriting(name, *inputs)
    for name, data in contents:
        with whole_file(name) as file:
            file.write(data)


def _clock(text: str) -> float:
    try:
        return opt.parse_rate(text)
    except UsageError as error:
        raise UsageError(f"'{text}' is not a clock", expected="hertz above 0, such as 1000000, 1e6 or 1M") from error


def _size(text: str) -> int:
    """Bytes in ``2048``, ``2K`` or ``0x800``."""
    lowered = text.strip().lower()
    digits = lowered.rstrip("kib")
    try:
        number = int(digits, 16) if digits.startswith("0x") else int(digits)
        return number * _SIZE_UNITS[lowered[len(digits) :].strip()]
    except (ValueError, KeyError) as error:
        raise UsageError(f"'{text}' is not a size", expected="bytes, such as 2048 or 2K") from error
