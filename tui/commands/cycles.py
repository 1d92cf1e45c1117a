"""``busledger cycles``: every bus cycle, on screen or into a file."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request
    from busledger.decoder.progress import Progress
    from busledger.decoder.report import Lister, Selection
    from busledger.tui.commands.listing import ProgramWanted

__all__ = ["cycles"]

_PAGE = 40

CsvOption = Annotated[
    str | None, typer.Option("--csv", metavar="FILE", help="Write all as CSV; '-' prints them.", show_default=False)
]
JsonlOption = Annotated[
    str | None,
    typer.Option("--jsonl", metavar="FILE", help="Write all as JSON, one a line; '-' prints them.", show_default=False),
]
HeadOption = Annotated[
    int | None,
    typer.Option(
        "--head",
        metavar="N",
        min=1,
        max=100_000,
        help=f"How many to list on screen ({_PAGE} if left out) or with --json (all).",
        show_default=False,
    ),
]
WrongOption = Annotated[bool, typer.Option("--wrong", help="Only reads that differ from what was written.")]
AllOption = Annotated[bool, typer.Option("--all", help="Idle and refresh cycles too.")]

ProgramOption = Annotated[
    bool,
    typer.Option("--program", help="The program too: each instruction, with its bytes and data accesses under it."),
]
UnfoldedOption = Annotated[
    bool, typer.Option("--unfolded", help="With --program: a line for each cycle, not for each instruction.")
]
ProcessorOption = Annotated[
    str | None,
    typer.Option(
        "--processor", metavar="NAME", help="Whose instructions, where the bus does not say.", show_default=False
    ),
]


def cycles(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    csv: CsvOption = None,
    jsonl: JsonlOption = None,
    head: HeadOption = None,
    wrong: WrongOption = False,
    everything: AllOption = False,
    program: ProgramOption = False,
    unfolded: UnfoldedOption = False,
    processor: ProcessorOption = None,
    symbols: opt.SymbolsOption = None,
    wiring: opt.WiringOption = None,
    region: opt.RegionOption = None,
    ignore: opt.IgnoreOption = None,
    device: opt.DeviceOption = None,
    rate: opt.RateOption = None,
    raw: opt.RawOption = None,
    channels: opt.ChannelsOption = None,
    exact: opt.ExactOption = False,
    grade: opt.GradeOption = None,
    t_from: opt.FromOption = None,
    t_to: opt.ToOption = None,
    as_json: opt.JsonOption = False,
    quiet: opt.QuietOption = False,
    no_progress: opt.NoProgressOption = False,
) -> int:
    """List the bus cycles: kind, address, data, and what a read should have given.

    Times are those of the sampling edge. 'index' numbers all cycles of the capture, so it is the same in every
    list. Several wired sets are listed one after another; files are written one for each, the set's name before the
    ending (cycles.z80.csv). Exit status 1 means that a wrong read is among the cycles listed.

    \b
    busledger cycles run.vcd --profile 6502 --head 20
    busledger cycles run.vcd --board card.toml --wrong
    busledger cycles run.vcd --board card.toml --csv cycles.csv
    busledger cycles run.vcd --board card.toml --program --symbols monitor.sym
    busledger cycles run.vcd --profile 6502 --wiring main.toml --profile z80 --wiring io.toml
    """
    from busledger.decoder.report import Selection, refuse_overwriting
    from busledger.tui.commands.listing import list_cycles, program_wanted, tell
    from busledger.tui.commands.progress_bar import progress_bar

    outputs = [name for name in (csv, jsonl) if name is not None]
    if as_json and outputs:
        raise UsageError("--json was given together with --csv or --jsonl", expected="one of them")
    if len(set(outputs)) < len(outputs):
        raise UsageError(f"--csv and --jsonl both go to {outputs[0]!r}", expected="two different files")
    for name in outputs:
        refuse_overwriting(name, capture, *(board or ()), *(wiring or ()))
    asked = opt.requests(
        capture,
        board=board,
        profile=profile,
        wiring=wiring,
        region=region,
        ignore=ignore,
        device=device,
        rate=rate,
        raw=raw,
        channels=channels,
        exact=exact,
        grade=grade,
        t_from=t_from,
        t_to=t_to,
    )
    selection = Selection(everything=everything, wrong_only=wrong)
    wanted = program_wanted(program, processor, symbols, folded=not unfolded)
    show_progress = not (quiet or no_progress or "-" in outputs)
    if len(asked) > 1:
        from busledger.tui.commands.cycles_of_sets import list_sets, stream_sets

        if as_json:
            return stream_sets(asked, selection, head, show_progress, wanted)
        return list_sets(asked, selection, csv, jsonl, head or _PAGE, quiet, show_progress, wanted)
    with progress_bar(show_progress) as progress:
        if as_json:
            lister = _as_json(asked[0], selection, head, progress, wanted)
        else:
            lister = list_cycles(asked[0], selection, csv, jsonl, head or _PAGE, progress, wanted)
    if not as_json:
        tell(lister, outputs, quiet, folded=(head or _PAGE) if wanted is not None and wanted.folded else 0)
    return 1 if lister.wrong else 0


def _as_json(
    asked: Request, selection: Selection, most: int | None, progress: Progress, program: ProgramWanted | None
) -> Lister:
    from busledger.tui.commands.listing import CyclesDocument, ReaderGoneError, decode_into, print_bytes

    document = CyclesDocument()
    lister = decode_into(asked, selection, progress, jsonl=document.write, most=most, program=program)
    with contextlib.suppress(ReaderGoneError):
        document.close()
        print_bytes(b"\n")
    return lister
