"""``match``: two captures of one board, decoded and held against each other."""

from __future__ import annotations

from dataclasses import replace

from busledger.decoder.bus import Cycles, Kind, unwired_data
from busledger.decoder.ledger import Compared
from busledger.decoder.pipeline.run import Request, open_run
from busledger.decoder.planning import MatchResult, MatchRun, match_runs
from busledger.decoder.progress import Progress, silent

__all__ = ["match_captures"]


def match_captures(request: Request, good: str, bad: str, progress: Progress = silent) -> MatchResult:
    """Where ``bad`` parts from ``good``; ``request`` says board or profile and wiring for both."""
    return match_runs(
        _decoded(replace(request, capture=good), progress), _decoded(replace(request, capture=bad), progress)
    )


def _decoded(request: Request, progress: Progress) -> MatchRun:
    run = open_run(request, progress)
    try:
        cycles, compared = [], []
        for block in run.blocks():
            rows = (block.cycles.kind != Kind.IDLE) & (block.cycles.kind != Kind.REFRESH)
            cycles.append(block.cycles.take(rows))
            compared.append(block.compared.take(rows))
        return MatchRun(
            path=run.file.path,
            cycles=Cycles.concat(cycles),
            compared=Compared.concat(compared),
            tick_s=run.tick_s,
            address_bits=((1 << run.profile.address_bits) - 1) & ~run.unwired,
            data_bits=((1 << run.profile.data_bits) - 1) & ~unwired_data(run.profile, run.layout),
            region_names=run.region_names,
            region_kinds=tuple(region.kind for region in run.region_map.regions),
        )
    finally:
        run.file.close()
