"""What to clip, passes joined, captures held against each other, repairs proved."""

from .align import Alignment, align, comparable
from .dump import dump_text
from .join import Joined, JoinedLine, JoinedPass, JoinResult, LeftOut, Pass, join_passes
from .match import MatchGroup, MatchPlace, MatchResult, match_runs
from .match import Run as MatchRun
from .retest import RetestResult
from .retest import retest as judge_repair

__all__ = [
    "Alignment",
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
    "RetestResult",
    "align",
    "comparable",
    "dump_text",
    "join_passes",
    "judge_repair",
    "match_runs",
]
