"""A check's result: printed, written to files, and turned into an exit status."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from busledger.decoder.errors import UsageError
from busledger.tui.commands import screen
from busledger.tui.commands.wired_sets import file_of_set, refuse_one_output, show_sets, status_of

if TYPE_CHECKING:
    from busledger.decoder.board import Board
    from busledger.decoder.findings import CheckManyResult, CheckResult
    from busledger.decoder.pipeline import Request, WiredSet
    from busledger.decoder.progress import Progress
    from busledger.tui.commands.page_material import PageMaterial

__all__ = ["Outputs", "check_sets", "checked", "report_check"]


@dataclass(frozen=True)
class Outputs:
    """The report files that were asked for; None where none was."""

    html: str | None = None
    markdown: str | None = None

    @property
    def on_screen(self) -> bool:
        """Whether one of them takes the place of the text on standard output."""
        return "-" in (self.html, self.markdown)

    def refuse_overwriting(self, *inputs: str | Path | None, as_json: bool = False) -> None:
        """Raise UsageError before any work if an output would hit an input or another output."""
        from busledger.decoder.report import refuse_overwriting

        if as_json and self.on_screen:
            raise UsageError("--json and a report both go to standard output", expected="one of them")
        if self.html is not None and self.html == self.markdown:
            raise UsageError(f"--html and --markdown both go to {self.html!r}", expected="two different files")
        for output in self.files:
            refuse_overwriting(output, *inputs)

    def of_set(self, one: WiredSet) -> Outputs:
        """The files that tell of one of several wired sets."""
        return Outputs(file_of_set(self.html, one), file_of_set(self.markdown, one))

    @property
    def files(self) -> tuple[str, ...]:
        """The names that are given."""
        return tuple(name for name in (self.html, self.markdown) if name is not None)

    def material(self) -> PageMaterial | None:
        """What sees the capture pass for the page; None where no page was asked for."""
        from busledger.tui.commands.page_material import PageMaterial

        return None if self.html is None else PageMaterial()

    def write(
        self,
        result: CheckResult,
        asked: Request,
        material: PageMaterial | None = None,
        *,
        between: Sequence[str] = (),
        several: CheckManyResult | None = None,
    ) -> None:
        """Write each file whole; raises OutputError and leaves an old file alone when that fails.

        ``material`` has seen the capture pass; ``between``: what this wired set and the others of the capture say of
        each other; ``several``: the captures of which ``result`` is the joint one.
        """
        if not self.files:
            return
        settings, notes = settings_of(asked), _notes(asked)
        if self.html is not None:
            from busledger.decoder.report import html_page

            board = board_of(asked)
            self.put(
                self.html,
                html_page(
                    result,
                    board=board,
                    settings=settings,
                    notes=notes,
                    timing=material.timing() if material is not None else None,
                    over_time=material.over_time() if material is not None else None,
                    pictures=material.pictures() if material is not None and result.mismatch_total else (),
                    between=between,
                    several=several,
                ),
            )
        if self.markdown is not None:
            from busledger.decoder.report import markdown_text

            self.put(
                self.markdown,
                markdown_text(
                    result,
                    board=board_of(asked),
                    settings=settings,
                    notes=notes,
                    between=between,
                    several=several,
                ),
            )

    @staticmethod
    def put(name: str, text: str) -> None:
        """Write one file whole, or on standard output where it is called ``-``."""
        from busledger.decoder.report import whole_file

        data = text.encode("utf-8", "backslashreplace")
        if name == "-":
            screen.show_data(data)
            return
        with whole_file(name) as file:
            file.write(data)


def _notes(asked: Request) -> list[str]:
    """What the user has pinned to the board, its parts and this capture."""
    from busledger.decoder.notes import NotesFile, note_lines, notes_path

    board = Path(asked.board) if isinstance(asked.board, str | Path) else None
    if board is None and asked.capture == "-":
        return []
    return note_lines(NotesFile(notes_path(board, str(asked.capture))).notes)


def settings_of(asked: Request) -> Mapping[str, str]:
    """What was asked for, as name and text, so that the run can be repeated."""
    from busledger.decoder.durations import format_duration

    given = {
        "board file": asked.board,
        "bus": asked.profile,
        "wiring file": asked.wiring,
        "regions": ", ".join(asked.regions) or None,
        "tested good": ", ".join(asked.good) or None,
        "tested bad": ", ".join(asked.bad) or None,
        "replaced": ", ".join(asked.replaced) or None,
        "sample rate, Hz": None if asked.rate_hz is None else f"{asked.rate_hz:g}",
        "grade": asked.grade,
        "from": None if asked.t_from is None else format_duration(asked.t_from),
        "to": None if asked.t_to is None else format_duration(asked.t_to),
    }
    return {name: str(value) for name, value in given.items() if value is not None}


def board_of(asked: Request) -> Board | None:
    """The board file that was given; None where none was."""
    from busledger.decoder.pipeline import bus_and_board

    return bus_and_board(asked)[1] if isinstance(asked.board, str | Path) else None


def checked(asked: Request, progress: Progress, material: PageMaterial | None) -> CheckResult:
    """``run_check``, with ``material`` looking on."""
    from busledger.decoder.pipeline import run_check

    return run_check(asked, progress) if material is None else run_check(asked, progress, material.see)


def report_check(
    result: CheckResult,
    outputs: Outputs,
    asked: Request,
    material: PageMaterial | None = None,
    *,
    as_json: bool = False,
    quiet: bool = False,
) -> int:
    """Print the result and write the report files; 3 if it could not be judged, 1 if any read was wrong, else 0.

    Printed first: a file that cannot be written must not take a night's answer with it.
    """
    if as_json:
        screen.show_data(result.to_json().encode() + b"\n")
    elif not outputs.on_screen:
        from busledger.decoder.report import check_text

        width, colour = screen.width(), screen.colour_wanted()
        screen.show(check_text(result, board=board_of(asked), width=width, colour=colour, answer_only=quiet))
    outputs.write(result, asked, material)
    return status(result)


def status(result: CheckResult) -> int:
    """The exit status of one result."""
    return 3 if set_aside(result) else 1 if wrong(result) else 0


def set_aside(result: CheckResult) -> bool:
    """Whether the card was not judged, or not where it matters: nothing could be compared, or a clip or the machine's
    own ways come first, or are as likely as any part, and no part of the card is likelier bad than not beside them."""
    from busledger.decoder.diagnosis import rival_first, rival_ties

    if not result.judged or _nothing_compared(result):
        return True
    accused = any(s.probability >= 0.5 for s in result.suspects if s.scope not in ("clip", "machine"))
    return not accused and (rival_first(result.suspects) or rival_ties(result.suspects)) is not None


def _nothing_compared(result: CheckResult) -> bool:
    """Whether no read could be compared, and nothing else speaks of a fault: that is no card without one."""
    return not any(region.reads_compared for region in result.regions) and not wrong(result)


def wrong(result: CheckResult) -> bool:
    """Whether any read was wrong, or a part is likely to be bad for another reason: as the first line says."""
    from busledger.decoder.report import LIKELY, ninth_bit_faults, places_of

    found = bool(result.mismatch_total) or any(place.bad >= LIKELY for place in places_of(result)[:1])
    return found or bool(ninth_bit_faults(result))


def check_sets(asked: Sequence[Request], outputs: Outputs, *, as_json: bool, quiet: bool, show_progress: bool) -> int:
    """``check`` of several wired sets: a section and report files for each, and what lies between them."""
    from busledger.decoder.pipeline import run_sets, wired_sets
    from busledger.decoder.report import between_lines, check_text
    from busledger.tui.commands.progress_bar import progress_bar

    refuse_one_output("--html", outputs.html)
    refuse_one_output("--markdown", outputs.markdown)
    written: list[str] = []
    inputs = [Path(str(path)) for one in asked for path in (one.capture, one.board, one.wiring) if path is not None]
    with wired_sets(asked) as sets:
        files = [outputs.of_set(one) for one in sets]
        for each in files:
            each.refuse_overwriting(*inputs)
        seen: list[PageMaterial | None] = []

        def run(request: Request, told: Progress) -> CheckResult:
            seen.append(outputs.material())
            return checked(request, told, seen[-1])

        with progress_bar(show_progress) as progress:
            result = run_sets("check", sets, run, progress, compare=True)
        show_sets(result, check_text, as_json=as_json, quiet=quiet)
        for one, each, entry, material in zip(sets, files, result.sets, seen, strict=True):
            if entry.result is not None:
                mine = [pair for pair in result.between if one.name in (pair.first, pair.second)]
                told = [line for pair in mine for line in between_lines(pair)]
                each.write(entry.result, one.request, material, between=told)
                written += each.files
        if outputs.html is not None:
            from busledger.decoder.report import page_of_sets

            found = zip(files, result.sets, strict=True)
            pages = [each.html if entry.result is not None else None for each, entry in found]
            outputs.put(outputs.html, page_of_sets(result, pages))
            written.append(outputs.html)
    if written and not (as_json or quiet):
        screen.show_paragraphs([f"Written: {', '.join(written)}"])
    return status_of(result, lambda one: status(one) == 1, set_aside)
