"""The only place that knows the order of the floors: from a capture to an answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busledger.decoder.pipeline.beside import Beside
    from busledger.decoder.pipeline.check import conclude, conclude_after, run_check
    from busledger.decoder.pipeline.checking import run_buffers, run_selects, run_timing
    from busledger.decoder.pipeline.counting import cycles_before
    from busledger.decoder.pipeline.exercising import Exercise, make_exercise
    from busledger.decoder.pipeline.following import followed_blocks, follower_for
    from busledger.decoder.pipeline.from_errors import ErrorsRequest, check_errors
    from busledger.decoder.pipeline.gathered import Gathered
    from busledger.decoder.pipeline.gathering import Gathering, gather
    from busledger.decoder.pipeline.joining import join_captures, read_pass
    from busledger.decoder.pipeline.many import captures_in, check_many
    from busledger.decoder.pipeline.matching import match_captures
    from busledger.decoder.pipeline.planning import plan_passes
    from busledger.decoder.pipeline.probing import run_probes
    from busledger.decoder.pipeline.request import Request, bus_and_board
    from busledger.decoder.pipeline.run import Decoded, Run, bound_run, open_run
    from busledger.decoder.pipeline.seen import SeenCard, SeenRegion, seen_card
    from busledger.decoder.pipeline.session import CaptureSession, open_session, program_version
    from busledger.decoder.pipeline.sets import WiredSet, each_set, run_sets, wired_sets

__all__ = [
    "Beside",
    "CaptureSession",
    "Decoded",
    "ErrorsRequest",
    "Exercise",
    "Gathered",
    "Gathering",
    "Request",
    "Run",
    "SeenCard",
    "SeenRegion",
    "WiredSet",
    "bound_run",
    "bus_and_board",
    "captures_in",
    "check_errors",
    "check_many",
    "conclude",
    "conclude_after",
    "cycles_before",
    "each_set",
    "followed_blocks",
    "follower_for",
    "gather",
    "join_captures",
    "make_exercise",
    "match_captures",
    "open_run",
    "open_session",
    "plan_passes",
    "program_version",
    "read_pass",
    "run_buffers",
    "run_check",
    "run_probes",
    "run_selects",
    "run_sets",
    "run_timing",
    "seen_card",
    "wired_sets",
]

_LATE = {
    "Beside": "beside",
    "CaptureSession": "session",
    "Decoded": "run",
    "ErrorsRequest": "from_errors",
    "Exercise": "exercising",
    "Gathered": "gathered",
    "Gathering": "gathering",
    "Request": "request",
    "Run": "run",
    "SeenCard": "seen",
    "SeenRegion": "seen",
    "WiredSet": "sets",
    "bound_run": "run",
    "bus_and_board": "request",
    "captures_in": "many",
    "check_errors": "from_errors",
    "check_many": "many",
    "conclude": "check",
    "conclude_after": "check",
    "cycles_before": "counting",
    "each_set": "sets",
    "followed_blocks": "following",
    "follower_for": "following",
    "gather": "gathering",
    "join_captures": "joining",
    "make_exercise": "exercising",
    "match_captures": "matching",
    "open_run": "run",
    "open_session": "session",
    "plan_passes": "planning",
    "program_version": "session",
    "read_pass": "joining",
    "run_buffers": "checking",
    "run_check": "check",
    "run_probes": "probing",
    "run_selects": "checking",
    "run_sets": "sets",
    "run_timing": "checking",
    "seen_card": "seen",
    "wired_sets": "sets",
}


def __getattr__(name: str) -> Any:
    """Each command needs a few of these: looked up when first used."""
    if name in _LATE:
        from importlib import import_module

        return getattr(import_module(f"busledger.decoder.pipeline.{_LATE[name]}"), name)
    raise AttributeError(name)
