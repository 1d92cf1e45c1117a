"""One check alone over one capture: what ``selects``, ``buffers`` and ``timing`` ask for."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from busledger.decoder.board import Board
from busledger.decoder.checks import BuffersResult, CheckName, Grounds, SelectsResult, TimingResult
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.pipeline.check import conclude, evidence_of
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.doubts import doubt_of_refusal, doubts_about, doubts_of_lines, held_against
from busledger.decoder.pipeline.gathering import gather
from busledger.decoder.pipeline.refusing import refused_capture
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import Decoded, Run, open_run
from busledger.decoder.pipeline.unlooked import or_unlooked
from busledger.decoder.progress import Progress, silent

__all__ = ["run_buffers", "run_selects", "run_timing"]

def run_selects(request: Request, progress: Progress = silent) -> SelectsResult:
    """Decoder outputs and region selects.

    Raises
    ------
    BusledgerError
        as ``open_run``; UsageError where the board file names no select or decoder.
    """
    run = open_run(request, progress)
    try:
        board = _board(run)
        if not board.decoders and not any(r.select for r in board.regions):
            raise UsageError("the board file names no decoder and no select", where=board.path,
                             expected="a [[decoder]] table or a region with select")  # fmt: skip
        lines = [line for d in board.decoders for line in d.outputs.values()]
        lines += [r.select for r in board.regions if r.select]
        _wants(run, lines, "no decoder output and no select is clipped")
        result: SelectsResult = _judged(run, "selects", progress)
        return result
    finally:
        run.file.close()


def run_buffers(request: Request, progress: Progress = silent) -> BuffersResult:
    """Direction, enable and lanes of the bus drivers.

    Raises
    ------
    BusledgerError
        as ``open_run``; UsageError where the board file names no buffer.
    """
    run = open_run(request, progress)
    try:
        board = _board(run)
        if not board.buffers:
            raise UsageError("the board file names no bus driver", where=board.path, expected="a [[buffer]] table")
        result: BuffersResult = _judged(run, "buffers", progress)
        return result
    finally:
        run.file.close()


def run_timing(request: Request, progress: Progress = silent) -> TimingResult:
    """Times as measured, against the limits of ``request.grade`` or of the grade that the clock fits.

    Raises
    ------
    BusledgerError
        as ``open_run``; ProfileError where there is no such grade.
    """
    run = open_run(request, progress)
    try:
        result: TimingResult = _judged(run, "timing", progress)
        return result
    finally:
        run.file.close()


def _judged(run: Run, check: CheckName, progress: Progress) -> Any:
    """The result of one check, as far as the recording bears it out.

    Whether it can be judged at all costs one look at what was counted; only where a fault would be told is the main
    job done to its end, for what it weighs: a clip that is off looks like a fault to every check that looks at its
    line.
    """
    gathered = gather(run, partial(_with_delays, run) if check == "timing" else None, time_everything=check == "timing")
    try:
        assert gathered.checks is not None  # gather() always looks
        result = getattr(gathered.checks, check)
        grounds = Grounds(run.board, run.profile)
        refused = refused_capture(gathered, evidence_of(gathered))
        if refused is not None:
            result = held_against(check, result, (doubt_of_refusal(refused),), grounds)
        elif check != "timing":  # two address lines have the same times
            result = held_against(check, result, doubts_of_lines(gathered), grounds)
        if any(finding.weight == "fault" for finding in result.findings):
            gathered = divide(gathered)
            doubts = doubts_about(conclude(gathered, progress), gathered)
            result = held_against(check, getattr(gathered.checks, check), doubts, grounds)
        return run.marks.said(or_unlooked(result))
    finally:
        gathered.log.close()


def _with_delays(run: Run, _block: Decoded) -> None:
    """Refuses the dump of a simulation without delays, as soon as that is known."""
    if run.exact:
        raise CaptureError(
            "the stamps hold no delays: this is the dump of a simulation, and there are no times to measure",
            where=run.file.path,
            expected="a recording of a machine, or a simulation with delays",
        )


def _board(run: Run) -> Board:
    if run.board is None:
        raise UsageError("this needs to know what is on the card", expected="--board FILE")
    return run.board


def _wants(run: Run, lines: Sequence[str], what: str) -> None:
    if not any(run.layout.wired(line) for line in lines):
        wanted = ", ".join(dict.fromkeys(map(run.marks.name, lines)))
        raise UsageError(f"{what}: there is nothing to judge", expected=f"a channel on one of {wanted}")
