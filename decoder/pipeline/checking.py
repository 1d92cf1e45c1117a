"""One check alone over one capture: what ``selects``, ``buffers``, ``timing`` and ``probes`` ask for."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile, line_needs, load_profile, propose_wiring, wanted_lines
from busledger.decoder.capture import Capture, Signal, open_capture, with_sample_grid
from busledger.decoder.checks import (
    BuffersResult,
    CheckFinding,
    CheckName,
    Grounds,
    ProbesCheck,
    ProbesResult,
    SelectsResult,
    TimingResult,
)
from busledger.decoder.errors import CaptureError, UsageError, WiringError
from busledger.decoder.pipeline.check import conclude, evidence_of
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.doubts import doubt_of_refusal, doubts_of, held_against
from busledger.decoder.pipeline.gathering import gather
from busledger.decoder.pipeline.request import Request, bus_and_board, marks_of
from busledger.decoder.pipeline.run import Decoded, Run, open_run
from busledger.decoder.progress import Progress, silent
from busledger.decoder.wiring import bind, canonical, load_wiring, propose

__all__ = ["run_buffers", "run_probes", "run_selects", "run_timing"]

PROPOSAL_ROWS = 1_000_000
"""Rows from which a wiring is proposed: some hundred thousand cycles."""
_TELLING = 4  # names, or lines found, that are no accident
_SURE = 0.9


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
    from busledger.decoder.diagnosis import capture_verdict

    gathered = gather(run, partial(_with_delays, run) if check == "timing" else None, time_everything=check == "timing")
    try:
        assert gathered.checks is not None  # gather() always looks
        result = getattr(gathered.checks, check)
        grounds = Grounds(run.board, run.profile)
        refused = capture_verdict(evidence_of(gathered))
        if refused is not None:
            result = held_against(check, result, (doubt_of_refusal(refused),), grounds)
        if any(finding.weight == "fault" for finding in result.findings):
            gathered = divide(gathered)
            doubts = doubts_of(conclude(gathered, progress))
            result = held_against(check, getattr(gathered.checks, check), doubts, grounds)
        return run.marks.said(result)
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


def run_probes(request: Request, progress: Progress = silent) -> ProbesResult:
    """The health of every channel; a board file or a profile only names the lines.

    Raises
    ------
    BusledgerError
        The capture, the board file or the profile cannot be read.
    """
    profile, board = _names(request)
    with open_capture(**request.opening, progress=progress) as file:
        lines = _lines(file.header.signals, profile, board, request)
        names = tuple(signal.name for signal in file.header.signals)
        grid, _, blocks = with_sample_grid(file.blocks(range(len(names)), from_start=True), request.exact)
        check = ProbesCheck(names, file.header.tick_fs, grid, lines, profile)
        # Channels whose names say nothing are told apart by what they do.
        wanted = wanted_lines(profile) if profile is not None and not lines else None
        nameless = profile is None and not _names_tell(names)
        beginning: list[Capture] = []
        for block in blocks:
            check.feed(block)
            if (wanted is not None or nameless) and sum(map(len, beginning)) < PROPOSAL_ROWS:
                beginning.append(block)
        result: ProbesResult = check.finish()
        if wanted is None and profile is not None and not lines:
            result = result.model_copy(update={"findings": (*result.findings, _no_proposal(profile))})
        if wanted is not None and beginning:
            proposal = propose(_joined(beginning), len(names), wanted, grid)
            result = result.model_copy(update={"proposed_wiring": proposal.toml(names)})
        if nameless and beginning:
            result = result.model_copy(update=_likeliest_bus(_joined(beginning), names, grid))
        return marks_of(profile, board).said(result)


def _names_tell(names: Sequence[str]) -> bool:
    """Whether some channels are named like address lines; numbers alone (``D0`` to ``D31``) name an analyser's pins."""
    return sum(any(re.fullmatch(r"A\d+", form) for form in canonical(name)) for name in names) >= _TELLING


def _likeliest_bus(capture: Capture, names: Sequence[str], grid: float | None) -> dict[str, str]:
    """The bus that channels without names fit best, and its wiring; nothing where they fit none."""
    profile, proposal = propose_wiring(capture, len(names), grid)
    if sum(guess.confidence >= _SURE for guess in proposal.guesses) < _TELLING:
        return {}
    return {"proposed_profile": profile.name, "proposed_wiring": proposal.toml(names)}


def _no_proposal(profile: Profile) -> CheckFinding:
    return CheckFinding(
        code="no-proposal",
        weight="note",
        text=f"No channel is named like a line of {profile.name}, and no wiring can be proposed for it: the profile "
        "does not say what its lines do (it has no [behaviour] table)",
    )


def _joined(blocks: list[Capture]) -> Capture:
    return Capture(
        time=np.concatenate([block.time for block in blocks]),
        levels=np.concatenate([block.levels for block in blocks]),
        unknown=np.concatenate([block.unknown for block in blocks]),
        tick_fs=blocks[0].tick_fs,
    )


def _board(run: Run) -> Board:
    if run.board is None:
        raise UsageError("this needs to know what is on the card", expected="--board FILE")
    return run.board


def _wants(run: Run, lines: Sequence[str], what: str) -> None:
    if not any(run.layout.wired(line) for line in lines):
        wanted = ", ".join(dict.fromkeys(map(run.marks.name, lines)))
        raise UsageError(f"{what}: there is nothing to judge", expected=f"a channel on one of {wanted}")


def _names(request: Request) -> tuple[Profile | None, Board | None]:
    if request.board is None:
        return (load_profile(request.profile) if request.profile else None), None
    return bus_and_board(request)


def _lines(signals: Sequence[Signal], profile: Profile | None, board: Board | None, request: Request) -> dict[str, str]:
    """Channel → line, as far as names tell; channels that fit no line stay as they are."""
    if profile is None:
        return {}
    table = dict(board.wiring) if board is not None else {}
    if request.wiring is not None:
        table |= load_wiring(request.wiring)
    try:
        wiring = bind(signals, line_needs(profile, board.lines() if board is not None else ()), table=table)
    except WiringError:
        return {}
    return {signals[index].name: line for line, index in wiring.lines.items()}
