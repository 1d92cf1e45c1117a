"""What to clip, passes joined, captures held against each other, repairs proved."""

from busledger.decoder.planning.align import Alignment, align, comparable
from busledger.decoder.planning.became import since, since_lines
from busledger.decoder.planning.clips import ClipPoint
from busledger.decoder.planning.dump import dump_text
from busledger.decoder.planning.join import Joined, JoinedLine, JoinedPass, JoinResult, LeftOut, Pass, join_passes
from busledger.decoder.planning.match import MatchGroup, MatchPlace, MatchResult, match_runs
from busledger.decoder.planning.match import Run as MatchRun
from busledger.decoder.planning.plan import PlanClip, PlanPass, PlanRequest, PlanResult, make_plan
from busledger.decoder.planning.question import EarlierSuspect
from busledger.decoder.planning.retest import RetestResult
from busledger.decoder.planning.retest import retest as judge_repair

__all__ = [
    "Alignment",
    "ClipPoint",
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
    "since",
    "since_lines",
]
