"""What to clip, passes joined, captures held against each other, repairs proved."""

from .align import Alignment, align, comparable
from .dump import dump_text
from .join import Joined, JoinedLine, JoinedPass, JoinResult, LeftOut, Pass, join_passes
from .match import MatchGroup, MatchPlace, MatchResult, match_runs
from .match import Run as MatchRun
from .plan import PlanClip, PlanPass, PlanRequest, PlanResult, make_plan
from .question import EarlierSuspect
from .retest import RetestResult
from .retest import retest as judge_repair

__all__ = [
    "Alignment",
    "EarlierSuspect",
    "JoinResult",
    "Joined",
    "JoinedLine",
    "JoinedPass",
    "LeftOut",
    "MatchGroup",
    "MatchPlace",
    "MatchResult",
    "MatchRun",
    "Pass",
    "PlanClip",
    "PlanPass",
    "PlanRequest",
    "PlanResult",
    "RetestResult",
    "align",
    "comparable",
    "dump_text",
    "join_passes",
    "judge_repair",
    "make_plan",
    "match_runs",
]
