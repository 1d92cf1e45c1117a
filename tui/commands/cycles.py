"""``busledger cycles``: every bus cycle, on screen or into a file."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busledger.decoder.errors import UsageError
from busledger.tui.commands import options as opt
from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request
    from busledger.decoder.progress import Progress
    from busledger.decoder.report import Lister, Selection

__all__ = ["CyclesDocument", "ReaderGoneError", "cycles", "decode_into", "list_cycles", "print_bytes", "tell"]

_PAGE = 40

CsvOption = Annotated[
    str | None, typer.Option("--csv", metavar="FILE", help="Write all as CSV; '-' prints them.", show_default=False)
]
JsonlOption = Annotated[
    str | None,
    typer.Option("--jsonl", metavar="FILE", help="Write all as JSON, one a line; '-' prints them.", show_default=False),
]
HeadOption = Annotated[int, typer.Option("--head", metavar="N", min=1, max=100_000, help="How many to list on screen.")]
WrongOption = Annotated[bool, typer.Option("--wrong", help="Only reads that differ from what was written.")]
AllOption = Annotated[bool, typer.Option("--all", help="Idle and refresh cycles too.")]


def cycles(
    capture: opt.CaptureArgument,
    board: opt.BoardOption = None,
    profile: opt.ProfileOption = None,
    csv: CsvOption = None,
    jsonl: JsonlOption = None,
    head: HeadOption = _PAGE,
    wrong: WrongOption = False,
    everything: AllOption = False,
    wiring: opt.WiringOption = None,
    region: opt.RegionOption = None,
    ignore: opt.IgnoreOption = None,
    device: opt.DeviceOption = None,
    rate: opt.RateOption = None,
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
    busledger cycles run.vcd --profile 6502 --wiring main.toml --profile z80 --wiring io.toml
    """
    from busledger.decoder.report import Selection, refuse_overwriting
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
        exact=exact,
        grade=grade,
        t_from=t_from,
        t_to=t_to,
    )
    selection = Selection(everything=everything, wrong_only=wrong)
    show_progress = not (quiet or no_progress or "-" in outputs)
    if len(asked) > 1:
        from busledger.tui.commands.cycles_of_sets import list_sets, stream_sets

        if as_json:
            return stream_sets(asked, selection, show_progress)
        return list_sets(asked, selection, csv, jsonl, head, quiet, show_progress)
    with progress_bar(show_progress) as progress:
        if as_json:
            lister = _as_json(asked[0], selection, progress)
        else:
            lister = list_cycles(asked[0], selection, csv, jsonl, head, progress)
    if not as_json:
        tell(lister, outputs, quiet)
    return 1 if lister.wrong else 0


def list_cycles(
    asked: Request, selection: Selection, csv: str | None, jsonl: str | None, head: int, progress: Progress
) -> Lister:
    """The first ``head`` cycles, or all of them into files."""
    with _output(csv) as csv_write, _output(jsonl) as jsonl_write:
        page = head if csv is None and jsonl is None else 0
        return decode_into(asked, selection, progress, csv=csv_write, jsonl=jsonl_write, page_rows=page)


def decode_into(
    asked: Request,
    selection: Selection,
    progress: Progress,
    *,
    csv: Callable[[bytes], object] | None = None,
    jsonl: Callable[[bytes], object] | None = None,
    page_rows: int = 0,
) -> Lister:
    """One pass over the capture, block by block, until the lister has enough or the reader has gone."""
    from busledger.decoder.pipeline import open_run
    from busledger.decoder.report import Lister, RowFormat

    run = open_run(asked, progress)
    try:
        form = RowFormat(
            run.region_names,
            tick_fs=run.tick_fs,
            address_bits=run.profile.address_bits,
            data_bits=run.profile.data_bits,
        )
        lister = Lister(form, selection, csv, jsonl, page_rows)
        with contextlib.suppress(ReaderGoneError):
            lister.start()
            for block in run.blocks():
                if not lister.feed(block.cycles, block.compared):
                    break
        return lister
    finally:
        run.file.close()


class ReaderGoneError(Exception):
    """Whoever read our standard output has closed it: enough was shown."""


def print_bytes(data: bytes) -> None:
    """On standard output; raises ReaderGoneError when nobody reads it any more."""
    if not screen.show_data(data):
        raise ReaderGoneError


@contextlib.contextmanager
def _output(name: str | None) -> Iterator[Callable[[bytes], object] | None]:
    """Where rows go: nowhere, standard output, or a file that appears when all of it is written."""
    if name is None:
        yield None
    elif name == "-":
        yield print_bytes
    else:
        from busledger.decoder.report import whole_file

        with whole_file(Path(name)) as file:
            yield file.write


class CyclesDocument:
    """All cycles as one JSON document, streamed: ``write`` takes JSON lines."""

    def __init__(self) -> None:
        self._before = b'{"schema": "busledger.cycles/1", "cycles": [\n'
        self._rows = False

    def write(self, lines: bytes) -> None:
        """Add rows."""
        if lines:
            print_bytes(self._before + lines[:-1].replace(b"}\n{", b"},\n{"))
            self._before, self._rows = b",\n", True

    def close(self) -> None:
        """Print what stands after the last row."""
        print_bytes((b"" if self._rows else self._before) + b"\n]}")


def _as_json(asked: Request, selection: Selection, progress: Progress) -> Lister:
    document = CyclesDocument()
    lister = decode_into(asked, selection, progress, jsonl=document.write)
    with contextlib.suppress(ReaderGoneError):
        document.close()
        print_bytes(b"\n")
    return lister


def tell(lister: Lister, outputs: list[str], quiet: bool) -> None:
    """The list itself, or one line on what was written."""
    if "-" in outputs:
        return
    if outputs:
        from busledger.decoder.report import plural

        if not quiet:
            screen.show(f"{plural(lister.listed, 'cycle')} written, {lister.wrong} of them wrong reads\n")
        return
    from busledger.decoder.report import list_text

    if not lister.page:
        screen.show("No cycles to list\n")
        return
    screen.show(list_text(lister.page, width=screen.width(), colour=screen.colour_wanted()))
