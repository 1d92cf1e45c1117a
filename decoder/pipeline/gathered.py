"""What one pass over a capture leaves behind for the questions that follow."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.capture import Note
from busledger.decoder.checks import CheckSetResult, LostLine
from busledger.decoder.findings import ProgramFinding, RegionCounts
from busledger.decoder.ledger import AccessLog, RegionMap
from busledger.decoder.pipeline.run import Run

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import CaptureSigns, CoverageCounter, TrafficCounter

__all__ = ["Gathered"]


@dataclass
class Gathered:
    """The counts, the accesses and the checks' results of one capture.

    ``fine_counts`` and ``parents`` are filled where the diagnosis looks at parts
    of the regions (``divide``): counts of the parts, and part name → region name. ``coverage`` is
    None where the regions were not known while the accesses came. ``signs``: what the lines did; ``exchanged``: two
    lines whose clips look exchanged, and the sentence that says so; ``lost``: clips that are off for a while or from
    some moment on.
    """

    run: Run
    board: Board
    region_map: RegionMap
    counts: tuple[RegionCounts, ...]
    log: AccessLog
    traffic: TrafficCounter
    kinds: NDArray[np.int64]
    checks: CheckSetResult | None = None
    notes: list[Note] = field(default_factory=list)
    fine_counts: tuple[RegionCounts, ...] = ()
    parents: dict[str, str] = field(default_factory=dict)
    coverage: CoverageCounter | None = None
    signs: CaptureSigns | None = None
    exchanged: tuple[tuple[str, str], str] | None = None
    program: ProgramFinding | None = None
    lost: tuple[LostLine, ...] = ()
