"""``cycles`` of several wired sets: a list or a file for each, or one JSON document with all of them."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from busledger.decoder.errors import CaptureError
from busledger.tui.commands import screen
from busledger.tui.commands.listing import CyclesDocument, ReaderGoneError, decode_into, list_cycles, print_bytes, tell
from busledger.tui.commands.progress_bar import progress_bar
from busledger.tui.commands.wired_sets import file_of_set, refuse_one_output

if TYPE_CHECKING:
    from busledger.decoder.pipeline import Request, WiredSet
    from busledger.decoder.progress import Progress
    from busledger.decoder.report import Lister, Selection
    from busledger.tui.commands.listing import ProgramWanted

__all__ = ["list_sets", "stream_sets"]


def list_sets(
    asked: Sequence[Request],
    selection: Selection,
    csv: str | None,
    jsonl: str | None,
    head: int,
    quiet: bool,
    show_progress: bool,
    program: ProgramWanted | None = None,
) -> int:
    """A list of each set's cycles, or its files; 1 if a wrong read is among them, else 2 if a set has no cycles."""
    from busledger.decoder.pipeline import each_set, wired_sets
    from busledger.decoder.report import refuse_overwriting, set_heading

    refuse_one_output("--csv", csv)
    refuse_one_output("--jsonl", jsonl)
    with wired_sets(asked) as sets:
        files = [(file_of_set(csv, one), file_of_set(jsonl, one)) for one in sets]
        for name in (name for pair in files for name in pair if name is not None):
            refuse_overwriting(name, *(path for one in asked for path in _inputs(one)))

        def run(k: int, request: Request, progress: Progress) -> Lister:
            return list_cycles(request, selection, *files[k], head, progress, program)

        with progress_bar(show_progress) as progress:
            found = each_set(sets, run, progress)
    for k, (one, lister) in enumerate(zip(sets, found, strict=True)):
        if k and not quiet:
            screen.show("\n")
        screen.show(set_heading(k + 1, one.entry(None), width=screen.width(), colour=screen.colour_wanted()))
        if isinstance(lister, CaptureError):
            screen.show_paragraphs([f"Not decoded: {lister}"])
            continue
        written = [name for name in files[k] if name is not None]
        tell(lister, written, quiet, folded=head if program is not None and program.folded else 0)
        if written and not quiet:
            screen.show_paragraphs([f"in {', '.join(written)}"])
    return _status(found)


def _inputs(asked: Request) -> list[str]:
    return [str(path) for path in (asked.capture, asked.board, asked.wiring) if path is not None]


def stream_sets(
    asked: Sequence[Request],
    selection: Selection,
    most: int | None,
    show_progress: bool,
    program: ProgramWanted | None = None,
) -> int:
    """``busledger.sets/1`` on standard output, a ``busledger.cycles/1`` for each set; status as ``list_sets``."""
    from busledger.decoder.pipeline import each_set, wired_sets

    with progress_bar(show_progress) as progress, wired_sets(asked) as sets:

        def run(k: int, request: Request, told: Progress) -> Lister:
            return _stream(sets[k], request, selection, told, most, program, first=k == 0)

        capture = json.dumps(str(sets[0].request.capture))
        head = f'{{"schema": "busledger.sets/1", "command": "cycles", "capture": {capture}, "sets": [\n'
        found: list[Lister | CaptureError] = []
        with contextlib.suppress(ReaderGoneError):
            print_bytes(head.encode())
            found = each_set(sets, run, progress)
            print_bytes(b'\n], "between": []}\n')
    return _status(found)


def _stream(
    one: WiredSet,
    request: Request,
    selection: Selection,
    progress: Progress,
    most: int | None,
    program: ProgramWanted | None,
    *,
    first: bool,
) -> Lister:
    """One set's entry; what was decoded before an error stays, with the message behind it."""
    entry = one.entry(None).model_dump(exclude={"message", "result"})
    print_bytes((b"" if first else b",\n") + json.dumps(entry)[:-1].encode() + b', "result": ')
    document, message = CyclesDocument(), "null"
    try:
        return decode_into(request, selection, progress, jsonl=document.write, most=most, program=program)
    except CaptureError as error:
        message = json.dumps(str(error))
        raise
    finally:
        document.close()
        print_bytes(f', "message": {message}}}'.encode())


def _status(found: Sequence[Lister | CaptureError]) -> int:
    errors = [one for one in found if isinstance(one, CaptureError)]
    if found and len(errors) == len(found):
        raise errors[0]
    if any(not isinstance(one, CaptureError) and one.wrong for one in found):
        return 1
    return 2 if errors else 0
