"""Decoding a capture into a list of cycles: on the screen, into files, or as one JSON document."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from busledger.tui.commands import screen

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request
    from busledger.decoder.progress import Progress
    from busledger.decoder.report import Lister, Selection

__all__ = ["CyclesDocument", "ReaderGoneError", "decode_into", "list_cycles", "print_bytes", "tell"]


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
    most: int | None = None,
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
        counted = asked.t_from is None
        with contextlib.suppress(ReaderGoneError):
            lister.start()
            for block in run.blocks():
                if not counted and len(block.cycles):
                    from busledger.decoder.pipeline import cycles_before

                    lister.seen, counted = cycles_before(asked, int(block.cycles.time[0]) * run.tick_fs), True
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
