"""All checks over one pass of a capture, and their joint word to the diagnosis."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from busledger.decoder.board import Board
from busledger.decoder.bus import Cycles, Layout, Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.buffers.buffers import BuffersCheck
from busledger.decoder.checks.evidence import ChecksEvidence, gather_evidence
from busledger.decoder.checks.lines import Setting, rule_strobes
from busledger.decoder.checks.probes.probes import ProbesCheck
from busledger.decoder.checks.results import BuffersResult, ParityResult, ProbesResult, SelectsResult, TimingResult
from busledger.decoder.checks.selects.selects import SelectsCheck
from busledger.decoder.checks.windows import NOT_KNOWN, CycleJoin, Joined, SeenStrobes
from busledger.decoder.findings import WarningFinding
from busledger.decoder.ledger import Compared

if TYPE_CHECKING:  # loaded for the boards that ask for them
    from busledger.decoder.checks.parity.parity import ParityCheck
    from busledger.decoder.checks.timing.timing import TimingCheck

__all__ = ["CheckSet", "CheckSetResult"]

EVERY = ("selects", "buffers", "timing", "probes", "parity")
DOUBT_ROWS = 1 << 18
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
    parity: ParityResult | None = None

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
        *,
        time_everything: bool = False,
    ) -> None:
        self._board, self._tick_fs = board, tick_fs
        self._no_levels = np.zeros((0, layout.words), np.uint64)
        common = (board, profile, layout, tick_fs, grid_ticks)
        self._selects = SelectsCheck(*common) if "selects" in which and _selects_anything(board, layout) else None
        self._buffers = BuffersCheck(*common) if "buffers" in which and board.buffers else None
        # In the joined verdict timing speaks only of chips whose grade is known.
        graded = any(chip.access_ns is not None for region in board.regions for chip in region.chips)
        self._timing: TimingCheck | None = None
        if "timing" in which and (graded or time_everything):
            from busledger.decoder.checks.timing.timing import TimingCheck

            self._timing = TimingCheck(*common)
        self._probes = ProbesCheck(layout.names, tick_fs, grid_ticks, None, profile) if "probes" in which else None
        self._parity: ParityCheck | None = None
        if "parity" in which and any(layout.wired(one.read) for one in board.ninth_bits):
            from busledger.decoder.checks.parity.parity import ParityCheck

            self._parity = ParityCheck(board, layout, tick_fs, grid_ticks, profile.data_bits)
        self._rows = 0
        self._join = CycleJoin(rule_strobes(profile, Setting.of(layout, tick_fs, grid_ticks)))
        self._joins = any(check is not None for check in (self._selects, self._buffers, self._timing))

    def feed(
        self, block: Capture, cycles: Cycles, compared: Compared | None = None, told: SeenStrobes = NOT_KNOWN
    ) -> None:
        """One block of levels, its cycles with their regions, and the ledger's word on them where there is one.
        ``told``: as ``CycleJoin.feed`` has it."""
        if self._selects is not None:
            self._selects.answers(cycles, compared)
        if self._joins:
            self._take(block, self._join.feed(block, cycles, told))
        if self._parity is not None and compared is not None:
            self._parity.feed(block, cycles, compared)
        if self._probes is not None and self._rows < DOUBT_ROWS:
            shown = block.slice(0, DOUBT_ROWS - self._rows)
            self._rows += len(shown)
            if shown.gaps and len(shown):  # those behind the rows that are shown are not seen, however blocks part
                shown.gaps = tuple(gap for gap in shown.gaps if gap.end <= int(shown.time[-1]))
            self._probes.feed(shown)

    def _take(self, block: Capture, joined: Sequence[Joined]) -> None:
        if self._selects is not None:
            self._selects.take(block, joined)
        if self._buffers is not None:
            self._buffers.take(joined)
        if self._timing is not None:
            self._timing.take(block, joined)

    def finish(self, grade: str | None = None) -> CheckSetResult:
        """What was found.

        Raises
        ------
        ProfileError
            The profile has no such grade.
        """
        if self._joins:
            nothing = Capture(np.zeros(0, np.int64), self._no_levels, self._no_levels, self._tick_fs)
            self._take(nothing, self._join.finish())
        selects = self._selects.finish() if self._selects is not None else None
        buffers = self._buffers.finish() if self._buffers is not None else None
        timing = self._timing.finish(grade=grade) if self._timing is not None else None
        probes = self._probes.finish() if self._probes is not None else None
        parity = self._parity.finish() if self._parity is not None else None
        evidence = gather_evidence(self._board, selects, buffers, timing)
        doubts = probes.warnings if probes is not None else ()
        if parity is not None:
            doubts += tuple(WarningFinding(code=f.code, time_s=f.first_time_s, text=f.text) for f in parity.findings)
        return CheckSetResult(selects, buffers, timing, probes, evidence, doubts, parity)


def _selects_anything(board: Board, layout: Layout) -> bool:
    lines = [r.select for r in board.regions if r.select]
    lines += [line for d in board.decoders for line in d.outputs.values()]
    return any(layout.wired(line) for line in lines)
