"""Decoding a capture into a list of cycles: on the screen, into files, or as one JSON document."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from busledger.decoder.errors import UsageError
from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Decoded, Request, Run
    from busledger.decoder.program.following import Symbols
    from busledger.decoder.progress import Progress
    from busledger.decoder.report import Lister, Selection

__all__ = [
    "CyclesDocument",
    "ProgramWanted",
    "ReaderGoneError",
    "decode_into",
    "list_cycles",
    "print_bytes",
    "program_wanted",
    "tell",
]


_CYCLES_OF_AN_INSTRUCTION = 12  # enough for a page of folded lines


@dataclass(frozen=True)
class ProgramWanted:
    """The program beside the cycles: of which processor (None: the bus's), with which names, a line an instruction or
    a line a cycle."""

    processor: str | None = None
    symbols: Symbols | None = None
    folded: bool = True


def program_wanted(program: bool, processor: str | None, symbols: Path | None, *, folded: bool) -> ProgramWanted | None:
    """What the options add up to; None without ``--program``.

    Raises
    ------
    UsageError
        An option of the program without it, or symbols that cannot be read.
    """
    if not program:
        if processor is not None or symbols is not None or not folded:
            raise UsageError("--processor, --symbols or --unfolded was given without --program", expected="--program")
        return None
    from busledger.decoder.program.following import load_symbols

    names = load_symbols(symbols) if symbols is not None else None
    return ProgramWanted(processor, names, folded)


def list_cycles(
    asked: Request,
    selection: Selection,
    csv: str | None,
    jsonl: str | None,
    head: int,
    progress: Progress,
    program: ProgramWanted | None = None,
) -> Lister:
    """The first ``head`` cycles, or all of them into files."""
    with _output(csv) as csv_write, _output(jsonl) as jsonl_write:
        page = head if csv is None and jsonl is None else 0
        if program is not None and program.folded:
            page *= _CYCLES_OF_AN_INSTRUCTION
        return decode_into(
            asked, selection, progress, csv=csv_write, jsonl=jsonl_write, page_rows=page, program=program
        )


def decode_into(
    asked: Request,
    selection: Selection,
    progress: Progress,
    *,
    csv: Callable[[bytes], object] | None = None,
    jsonl: Callable[[bytes], object] | None = None,
    page_rows: int = 0,
    most: int | None = None,
    program: ProgramWanted | None = None,
) -> Lister:
    """One pass over the capture, block by block, until the lister has enough or the reader has gone.

    With ``--from`` the cycles before it are counted first, as ``index`` counts all of the capture.
    """
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
        lister = Lister(form, selection, csv, jsonl, page_rows, most)
        with contextlib.suppress(ReaderGoneError):
            if program is None:
                lister.start()
                for block in _counted(asked, run, lister):
                    if not lister.feed(block.cycles, block.compared):
                        break
            else:
                _with_program(asked, run, lister, program)
        return lister
    finally:
        run.file.close()


def _with_program(asked: Request, run: Run, lister: Lister, program: ProgramWanted) -> None:
    """The same pass, each block with its instructions."""
    from busledger.decoder.pipeline import followed_blocks, follower_for
    from busledger.decoder.report import ProgramRows

    follower = follower_for(run, program.processor)
    lister.program = ProgramRows(lister.form, follower.glossary, program.symbols)
    lister.whole = program.folded and lister.csv is None and lister.jsonl is None
    lister.start()
    for some in followed_blocks(follower, _counted(asked, run, lister)):
        if not lister.feed(some.cycles, some.compared, some.followed):
            break


def _counted(asked: Request, run: Run, lister: Lister) -> Iterator[Decoded]:
    """The run's blocks; before the first with cycles is listed, the lister knows how many cycles are before it."""
    counted = asked.t_from is None
    for block in run.blocks():
        if not counted and len(block.cycles):
            from busledger.decoder.pipeline import cycles_before

            lister.seen, counted = cycles_before(asked, int(block.cycles.time[0]) * run.tick_fs), True
        yield block


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


def tell(lister: Lister, outputs: list[str], quiet: bool, folded: int = 0) -> None:
    """The list itself (with ``folded`` that many lines, one an instruction), or one line on what was written."""
    if "-" in outputs:
        return
    if outputs:
        from busledger.decoder.report import plural

        if not quiet:
            screen.show(f"{plural(lister.listed, 'cycle')} written, {lister.wrong} of them wrong reads\n")
        return
    from busledger.decoder.report import folded_text, list_text

    if not lister.page:
        screen.show("No cycles to list\n")
        return
    width, colour = screen.width(), screen.colour_wanted()
    if folded:
        screen.show(folded_text(lister.page, lister.columns, rows=folded, width=width, colour=colour))
    else:
        screen.show(list_text(lister.page, width=width, colour=colour, names=lister.columns))
