"""The health of every channel: what ``probes`` asks for."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile, line_needs, load_profile, propose_wiring, wanted_lines
from busledger.decoder.capture import Capture, Signal, open_capture, with_sample_grid
from busledger.decoder.checks import CheckFinding, ProbesCheck, ProbesResult, probe_doubts, worst_first
from busledger.decoder.errors import BusledgerError, CaptureError, WiringError
from busledger.decoder.pipeline.check import conclude, evidence_of
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.doubts import CLIPS, Doubt, doubt_of_refusal, doubts_about, selects_unseen
from busledger.decoder.pipeline.gathering import gather
from busledger.decoder.pipeline.refusing import lost_clip, refused_capture
from busledger.decoder.pipeline.request import Request, bus_and_board, marks_of
from busledger.decoder.pipeline.run import open_run
from busledger.decoder.pipeline.sets import from_start, set_aside
from busledger.decoder.progress import Progress, silent
from busledger.decoder.text import plain
from busledger.decoder.wiring import bind, canonical, load_wiring, propose

__all__ = ["probe_channels", "run_probes"]

PROPOSAL_ROWS = 1_000_000
"""Rows from which a wiring is proposed: some hundred thousand cycles."""
_TELLING = 4  # names, or lines found, that are no accident
_SURE = 0.9


def run_probes(request: Request, progress: Progress = silent) -> ProbesResult:
    """The health of every channel; a board file or a profile names the lines, and lets what they carry speak too.

    Raises
    ------
    BusledgerError
        The capture, the board file or the profile cannot be read.
    """
    if request.profile is None and request.board is None:
        return probe_channels(request, progress)
    with set_aside(request) as pipe:
        with from_start(request, pipe) as readable:
            result = probe_channels(readable, progress)
        with from_start(request, pipe) as readable:
            return _with_clips(result, readable, progress)


def _with_clips(result: ProbesResult, request: Request, progress: Progress) -> ProbesResult:
    """What the main job says of clips beside what the channels show; nothing where it cannot be done."""
    try:
        run = open_run(request, progress)
    except BusledgerError:
        return result  # the channels do not make this bus: that is said of them already
    try:
        gathered = gather(run)
        try:
            refused = refused_capture(gathered, evidence_of(gathered))
            doubts: tuple[Doubt, ...] = ()
            if refused is not None:
                doubts = (doubt_of_refusal(refused),)
            elif not result.warnings:  # clips that only wrong reads tell from parts of the card
                gathered = divide(gathered)
                doubts = doubts_about(conclude(gathered, progress), gathered)
            also = tuple(doubt_of_refusal(lost_clip(one, run.tick_s)) for one in gathered.lost)
            doubts += tuple(one for one in also if one not in doubts)
            unseen = selects_unseen(gathered.checks) if gathered.checks is not None else ()
        finally:
            gathered.log.close()
        channels = {line: run.file.header.signals[index].name for line, index in run.wiring.lines.items()}
    except CaptureError:
        return result  # no cycle to be had
    finally:
        run.file.close()
    said = [_said(doubt, channels) for doubt in doubts if doubt.code in CLIPS]
    sure = {line for doubt in doubts for line in doubt.lines}
    said += [_on_channels(finding, channels) for finding in unseen if sure.isdisjoint(finding.lines)]
    told = {(f.code, line) for f in said for line in f.lines}
    kept = [f for f in result.findings if not any((f.code, line) in told for line in f.lines)]
    findings = worst_first([*said, *kept])
    return result.model_copy(update={"findings": findings, "warnings": tuple(probe_doubts(findings))})


def _said(doubt: Doubt, channels: Mapping[str, str]) -> CheckFinding:
    finding = CheckFinding(code=doubt.code, weight="doubt", text=doubt.reason, lines=doubt.lines)
    return _on_channels(finding, channels)


def _on_channels(finding: CheckFinding, channels: Mapping[str, str]) -> CheckFinding:
    """The same of channels, where lines are called otherwise."""
    lines = tuple(channels.get(line, line) for line in finding.lines)
    named = [
        f"{line} is channel {plain(channel, 60)}"
        for line, channel in zip(finding.lines, lines, strict=True)
        if line not in canonical(channel)
    ]
    text = f"{finding.text} ({', '.join(named)})" if named else finding.text
    return finding.model_copy(update={"text": text, "lines": lines})


def probe_channels(request: Request, progress: Progress) -> ProbesResult:
    """The channels by themselves: what the main job makes of them is not asked."""
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
