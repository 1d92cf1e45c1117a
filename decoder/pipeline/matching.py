"""``match``: two captures of one board, decoded and held against each other."""

from __future__ import annotations

from dataclasses import replace

from busledger.decoder.bus import Cycles, Kind, unwired_data
from busledger.decoder.ledger import Compared
from busledger.decoder.pipeline.following import ProgramParts
from busledger.decoder.pipeline.request import Request
from busledger.decoder.pipeline.run import open_run
from busledger.decoder.planning import MatchResult, MatchRun, ProgramRun, match_programs, match_runs
from busledger.decoder.progress import Progress, silent

__all__ = ["match_captures"]


def match_captures(request: Request, good: str, bad: str, progress: Progress = silent) -> MatchResult:
    """Where ``bad`` parts from ``good``; ``request`` says board or profile and wiring for both."""
    first, first_program = _decoded(replace(request, capture=good), progress)
    second, second_program = _decoded(replace(request, capture=bad), progress)
    result = match_runs(first, second)
    if first_program is None or second_program is None:
        return result
    digits = max(1, -(-first.address_bits.bit_length() // 4))
    return result.model_copy(update={"instruction": match_programs(first_program, second_program, digits)})


def _decoded(request: Request, progress: Progress) -> tuple[MatchRun, ProgramRun | None]:
    run = open_run(request, progress)
    try:
        cycles, compared = [], []
        program = ProgramParts(run)
        for block in run.blocks():
            program.take(block)
            rows = (block.cycles.kind != Kind.IDLE) & (block.cycles.kind != Kind.REFRESH)
            cycles.append(block.cycles.take(rows))
            compared.append(block.compared.take(rows))
        decoded = MatchRun(
            path=run.file.path,
            cycles=Cycles.concat(cycles),
            compared=Compared.concat(compared),
            tick_s=run.tick_s,
            address_bits=((1 << run.profile.address_bits) - 1) & ~run.unwired,
            data_bits=((1 << run.profile.data_bits) - 1) & ~unwired_data(run.profile, run.layout),
            region_names=run.region_names,
            region_kinds=tuple(region.kind for region in run.region_map.regions),
        )
        return decoded, program.run()
    finally:
        run.file.close()
