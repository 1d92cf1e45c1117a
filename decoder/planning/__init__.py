"""What to clip, passes joined, captures held against each other, repairs proved."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busledger.decoder.planning.alignment import Alignment, align, comparable
    from busledger.decoder.planning.became import since, since_lines
    from busledger.decoder.planning.clips import ClipPoint
    from busledger.decoder.planning.dump import dump_text
    from busledger.decoder.planning.exercise_choice import ExerciseChoice, OpenSuspect, choose_exercise
    from busledger.decoder.planning.join import Joined, JoinedLine, JoinedPass, JoinResult, LeftOut, Pass, join_passes
    from busledger.decoder.planning.match import MatchGroup, MatchPlace, MatchResult, match_runs
    from busledger.decoder.planning.match import Run as MatchRun
    from busledger.decoder.planning.match_program import MatchInstruction, ProgramRun, match_programs
    from busledger.decoder.planning.plan import PlanClip, PlanPass, PlanRequest, PlanResult, make_plan
    from busledger.decoder.planning.question import EarlierSuspect
    from busledger.decoder.planning.retest import RetestResult
    from busledger.decoder.planning.retest import retest as judge_repair
    from busledger.decoder.planning.sampling import sampling_needs

__all__ = [
    "Alignment",
    "ClipPoint",
    "EarlierSuspect",
    "ExerciseChoice",
    "JoinResult",
    "Joined",
    "JoinedLine",
    "JoinedPass",
    "LeftOut",
    "MatchGroup",
    "MatchInstruction",
    "MatchPlace",
    "MatchResult",
    "MatchRun",
    "OpenSuspect",
    "Pass",
    "PlanClip",
    "PlanPass",
    "PlanRequest",
    "PlanResult",
    "ProgramRun",
    "RetestResult",
    "align",
    "choose_exercise",
    "comparable",
    "dump_text",
    "join_passes",
    "judge_repair",
    "make_plan",
    "match_programs",
    "match_runs",
    "sampling_needs",
    "since",
    "since_lines",
]

_LATE = {
    "Alignment": "alignment",
    "ClipPoint": "clips",
    "EarlierSuspect": "question",
    "ExerciseChoice": "exercise_choice",
    "JoinResult": "join",
    "Joined": "join",
    "JoinedLine": "join",
    "JoinedPass": "join",
    "LeftOut": "join",
    "MatchGroup": "match",
    "MatchInstruction": "match_program",
    "MatchPlace": "match",
    "MatchResult": "match",
    "MatchRun": "match.Run",
    "OpenSuspect": "exercise_choice",
    "Pass": "join",
    "PlanClip": "plan",
    "PlanPass": "plan",
    "PlanRequest": "plan",
    "PlanResult": "plan",
    "ProgramRun": "match_program",
    "RetestResult": "retest",
    "align": "alignment",
    "choose_exercise": "exercise_choice",
    "comparable": "alignment",
    "dump_text": "dump",
    "join_passes": "join",
    "judge_repair": "retest.retest",
    "make_plan": "plan",
    "match_programs": "match_program",
    "match_runs": "match",
    "sampling_needs": "sampling",
    "since": "became",
    "since_lines": "became",
}


def __getattr__(name: str) -> Any:
    """Most commands need one of these, or none: looked up when first used."""
    if name in _LATE:
        from importlib import import_module

        module, _, own = _LATE[name].partition(".")
        return getattr(import_module(f"busledger.decoder.planning.{module}"), own or name)
    raise AttributeError(name)
