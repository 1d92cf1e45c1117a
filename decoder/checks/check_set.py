"""All checks over one pass of a capture, and their joint word to the diagnosis."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from decoder.board import Board
from decoder.bus import Cycles, Layout, Profile
from decoder.capture import Capture
from decoder.checks.buffers import BuffersCheck
from decoder.checks.evidence import ChecksEvidence, gather_evidence
from decoder.checks.probes import ProbesCheck
from decoder.checks.results import BuffersResult, ProbesResult, SelectsResult, TimingResult
from decoder.checks.selects import SelectsCheck
from decoder.checks.timing import TimingCheck
from decoder.findings import WarningFinding

__all__ = ["CheckSet", "CheckSetResult"]

EVERY = ("selects", "buffers", "timing", "probes")
DOUBT_ROWS = 1 << 21
"""Rows that the channels' health is judged on beside the other checks; bad clips show long before."""


@dataclass(frozen=True, slots=True)
class CheckSetResult:
    """The results asked for, None where not; ``evidence`` for the diagnosis, ``doubts`` about the capture."""

    selects: SelectsResult | None
    buffers: BuffersResult | None
    timing: TimingResult | None
    probes: ProbesResult | None
    evidence: ChecksEvidence
    doubts: tuple[WarningFinding, ...]

    def summary(self) -> dict[str, Any]:
        """What ``check --json`` shows of them: the findings of each check, those of weight "note" left out."""
        found = {}
        for name in EVERY:
            result = getattr(self, name)
            if result is not None:
                found[name] = [f.model_dump() for f in result.findings if f.weight != "note"]
        return found


class CheckSet:
    """The named checks (all of them where none are named) on one capture; ``feed`` every block, then ``finish``."""

    def __init__(
        self,
        board: Board,
        profile: Profile,
        layout: Layout,
        tick_fs: int,
        grid_ticks: float | None,
        which: Collection[str] = EVERY,
    ) -> None:
        self._board = board
        common = (board, profile, layout, tick_fs, grid_ticks)
        self._selects = SelectsCheck(*common) if "selects" in which and _selects_anything(board, layout) else None
        self._buffers = BuffersCheck(*common) if "buffers" in which and board.buffers else None
        self._timing = TimingCheck(*common) if "timing" in which else None
        self._probes = ProbesCheck(layout.names, tick_fs, grid_ticks, None, profile) if "probes" in which else None
        self._rows = 0

    def feed(self, block: Capture, cycles: Cycles) -> None:
        """One block of levels and its cycles, regions filled in."""
        for check in (self._selects, self._buffers, self._timing):
            if check is not None:
                check.feed(block, cycles)
        if self._probes is not None and self._rows < DOUBT_ROWS:
            self._rows += len(block)
            self._probes.feed(block)

    def finish(self, grade: str | None = None) -> CheckSetResult:
        """What was found.

        Raises
        ------
        ProfileError
            The profile has no such grade.
        """
        selects = self._selects.finish() if self._selects is not None else None
        buffers = self._buffers.finish() if self._buffers is not None else None
        timing = self._timing.finish(grade=grade) if self._timing is not None else None
        probes = self._probes.finish() if self._probes is not None else None
        evidence = gather_evidence(self._board, selects, buffers, timing)
        return CheckSetResult(selects, buffers, timing, probes, evidence, probes.warnings if probes is not None else ())


def _selects_anything(board: Board, layout: Layout) -> bool:
    lines = [r.select for r in board.regions if r.select]
    lines += [line for d in board.decoders for line in d.outputs.values()]
    return any(layout.wired(line) for line in lines)
