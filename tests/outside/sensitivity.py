"""What becomes of the answers when figures of the diagnosis that were judged are doubled and halved.

    python -m tests.outside.cards.run --seed 85000 --count 4 --kind many --out DIR --keep-all
    python -m tests.outside.sensitivity DIR --group search …

Every capture under the folder is decoded once; its wrong reads are then weighed with each figure as it stands, twice as
large and half as large. The checks look while a capture is decoded: for their figures it is decoded anew. Printed, by
figure: on how many captures another set of parts is named (chance of one half or more), on how many the likeliest
suspect is another, and the most by which a part's chance moves. Figures that stand in compiled kernels cannot be varied
so.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import inspect
import sys
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

from busledger.decoder.pipeline import Request, open_run
from busledger.decoder.pipeline.check import conclude
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.gathering import gather

DIAGNOSIS = "busledger.decoder.diagnosis"
CHECKS = "busledger.decoder.checks"
NAMED = 0.5
GROUPS: dict[str, dict[str, tuple[str, ...]]] = {
    "search": {
        f"{DIAGNOSIS}.search": (
            "_BELOW_BEST", "_TRIED", "_WORK", "_TRIED_AGAIN", "_PLAIN_LANES", "_FAR", "_NAMES",
        ),
        f"{DIAGNOSIS}.reviewing": ("_KNOWN",),
        f"{DIAGNOSIS}.worth": (
            "_DOUBTED", "_LAID_OVER", "_LIKELY", "_HOPED", "_A_CHIP", "_A_READ", "_PAIRED", "_A_READ_SHARED",
        ),
    },
    "weighing": {
        f"{DIAGNOSIS}.paths": ("_SEEN", "_SAME_PART", "_WORTH"),
        f"{DIAGNOSIS}.card": ("_RARE", "_MET"),
        f"{DIAGNOSIS}.own_doing": ("_STEADY",),
        f"{DIAGNOSIS}.posterior": ("_SEED", "_WEAK_SEED", "_OF_A_CHIP"),
        f"{DIAGNOSIS}.replay.weighing": ("HARD", "SOMETIMES", "_NOISE", "EXCUSE", "_SPELLS", "LOG_SLIP"),
        f"{DIAGNOSIS}.patches": ("_GROWN", "_BAD_CELLS", "_ALIKE"),
        f"{DIAGNOSIS}.replay.patterns": ("_BY_LEVEL", "_BY_WORD"),
        f"{DIAGNOSIS}.twice": ("_LEFT", "_LEAST", "_KEPT", "_WORTH"),
        f"{DIAGNOSIS}.replay.contents": ("_ALIKE", "_EVEN"),
        f"{DIAGNOSIS}.replay.wear": ("_SPREADS", "_AGGRESSORS", "_NEAR", "_FLOOR"),
    },
    "work": {
        f"{DIAGNOSIS}.screening": ("_FOCUS_CELLS", "_WIDEST", "_KEEP_NATS", "_KEEP_AT_MOST", "_LEAF_KEEPS",
                                   "_LEAF_NATS", "_CONTENTS_ARE_ALIKE", "_PAIRS"),
        f"{DIAGNOSIS}.leaf_cells": ("_CELLS", "_MANY_CELLS", "_WORN_CELLS"),
        f"{DIAGNOSIS}.leaf_chip": ("NO_PART", "_STAYS"),
        f"{DIAGNOSIS}.leaves": ("_ASKED_WHERE",),
    },
    "rivals": {
        f"{DIAGNOSIS}.rivals.sampling": ("_SAMPLES", "_DOUBTFUL", "_DOUBTFUL_WIDE", "_WIDE", "_CLEAN_LANES",
                                         "_CLEAN_SHARE", "_ONE_LEVEL", "_EVEN", "_FEW", "_DOUBLE", "_SPARED",
                                         "_SPARED_WRONG", "_MOSTLY_WRONG"),
        f"{DIAGNOSIS}.rivals.noise": ("_SETTLING", "_MANY_RUNTS", "_BEYOND", "_RINGING", "_SOME_RING", "_FEW_WRONG",
                                      "_NEARLY_ALL", "_TIMES", "_HURT"),
        f"{DIAGNOSIS}.rivals.clips": ("_EVERYWHERE", "_HARDLY", "_LOOPS", "_CELLS", "_WALKED", "_HELD_VALUES",
                                      "_TAIL", "_ODD"),
        f"{DIAGNOSIS}.rivals.rests": ("FEW", "_EXPECTED", "_LONGER"),
        f"{DIAGNOSIS}.rivals.sides": ("_EACH_BY_ITSELF",),
        f"{DIAGNOSIS}.rivals.strobes": ("_FEW", "_BLOCK_MOVE", "_EXPECTED", "_TWO_VALUES", "_HELD_VALUES"),
        f"{DIAGNOSIS}.rivals.changes": ("_KEEPS",),
        f"{DIAGNOSIS}.rivals.lost": ("_MANY", "_KEPT"),
        f"{DIAGNOSIS}.rivals.places": ("_LEFT", "_APART", "DEVICE"),
        f"{DIAGNOSIS}.rivals.protected": ("_STRETCH", "_BLOCK"),
        f"{DIAGNOSIS}.rivals.banks": ("_FEWEST", "_LATCHES", "_VALUES", "_SMALLEST", "_PER_SWITCH",
                                      "_CHANGES"),
        f"{DIAGNOSIS}.rivals.find": ("_REST", "_PROVEN"),
    },
    "checks": {
        f"{CHECKS}.evidence": ("SEEN", "SEEN_RARELY", "ACQUITTED", "HINTED", "UNLIKELY", "ENOUGH", "RARELY", "SELDOM"),
        f"{CHECKS}.probes.clip_findings": ("_LONGER", "_EXPECTED", "_SHARE", "_MANY", "_OFTEN", "_BEYOND", "_TOGETHER",
                                           "_NEVER"),
        f"{CHECKS}.probes.lost_lines": ("_FEW", "_ADDRESSES", "_OTHERS", "_OTHER_SIDE", "_READS", "_TURNED",
                                        "_AT_LEAST", "_BESIDE", "_NEW", "_IN_A_ROW", "_LONG", "_LONGER_THERE",
                                        "_GONE_BY", "_WITHOUT", "_WRITTEN", "_WRITES_ONLY", "_LONGER"),
        f"{CHECKS}.probes.mixed_clips": ("_MANY", "_FEW_LINES", "_EACH", "_ONE_OF_TWO", "_SKEWED", "_ALL", "_ODDER"),
        f"{CHECKS}.probes.swapped_clips": ("_DISTINCT", "_GLANCE", "_LEAST", "_VALUES"),
        f"{CHECKS}.probes.swapped_address_clips": ("_LEAST", "_COME"),
        f"{CHECKS}.probes.clock_verdict": ("STEADY", "DROPOUT_PERIODS"),
        f"{CHECKS}.probes.probe_counts": ("FEW_MOVES",),
        f"{CHECKS}.probes.probe_verdict": ("RUNT_SHARE", "ENOUGH_SAMPLES", "EVEN", "ENOUGH_PHASES"),
        f"{CHECKS}.selects.region_selects": ("FEW", "RARE"),
        f"{CHECKS}.selects.networks": ("STEP_NS",),
        f"{CHECKS}.selects.select_hypotheses": ("STRAY", "TIE", "MOST_FAULTS", "ANOTHER"),
        f"{CHECKS}.selects.decoder_verdict": ("LINGERING", "MANY"),
        f"{CHECKS}.timing.clock_periods": ("PERIODS",),
        f"{CHECKS}.timing.timing_verdict": ("CRYSTAL", "OVERRUN", "BUFFER_NS"),
        f"{CHECKS}.buffers.buffer_verdict": ("FEW", "SHARE", "BOTH_LEVELS"),
        f"{CHECKS}.buffers.buffers": ("STEP_NS", "LET_GO_NS"),
        f"{CHECKS}.parity.parity": ("_CLEAR", "_FEW"),
    },
}  # fmt: skip


class Answer(NamedTuple):
    """What counts of a result."""

    named: frozenset[str]
    first: tuple[Any, ...]
    bad: dict[str, float]
    findings: frozenset[tuple[str, str, str]]


def answer_of(gathered: Any) -> Answer:
    """The answer with the figures as they stand."""
    result = conclude(gathered)
    first = result.suspects[0] if result.suspects else None
    told = (result.not_judged_because, *((first.component, first.fault, first.scope, first.lanes) if first else ()))
    bad = {part.component: part.bad for part in result.parts}
    found = {(name, str(one["code"]), str(one["component"])) for name, rows in result.checks.items() for one in rows}
    found |= {("capture", one.code, "") for one in result.capture.warnings}
    return Answer(frozenset(name for name, chance in bad.items() if chance >= NAMED), told, bad, frozenset(found))


def _gathered(request: Request) -> Any:
    """What is weighed, and what the checks found."""
    return divide(gather(open_run(request)))


def scaled(value: Any, by: float) -> Any:
    """Every figure of ``value`` times ``by``; whole numbers stay so, and stay above 0."""
    if isinstance(value, tuple):
        return tuple(scaled(each, by) for each in value)
    if isinstance(value, int):
        return max(1, round(value * by))
    return min(value * by, 0.999) if 0.0 < value < 1.0 else value * by  # shares and chances stay below 1


@contextlib.contextmanager
def varied(module: str, name: str, by: float) -> Iterator[Any]:
    """The figure ``name`` of ``module``, and of all that import it, times ``by`` for a while."""
    old = getattr(importlib.import_module(module), name)
    new = scaled(old, by)
    holders = [m for n, m in list(sys.modules.items()) if n == module or _takes(m, module, name)]
    for holder in holders:
        setattr(holder, name, new)
    _forget()
    try:
        yield new
    finally:
        for holder in holders:
            setattr(holder, name, old)
        _forget()


def _forget() -> None:
    """What functions of ours remember was found with the figures as they stood."""
    for name, module in list(sys.modules.items()):
        for value in list(vars(module).values()) if name.startswith("busledger.") else ():
            if callable(forget := getattr(value, "cache_clear", None)):
                forget()


@cache
def _takes(holder: ModuleType, module: str, name: str) -> bool:
    """Whether a module of ours takes a figure from another; one of its own may have the same name, and value."""
    if not holder.__name__.startswith("busledger.") or name not in vars(holder):
        return False
    taken = (node for node in ast.walk(ast.parse(inspect.getsource(holder))) if isinstance(node, ast.ImportFrom))
    return any(node.module == module and any(one.name == name for one in node.names) for node in taken)


def compared(pairs: Sequence[tuple[Answer, Answer]]) -> str:
    """What differs between answers before and after."""
    other = sum(before.named != now.named for before, now in pairs)
    first = sum(before.first != now.first for before, now in pairs)
    moved = [abs(b.bad.get(k, 0.0) - n.bad.get(k, 0.0)) for b, n in pairs for k in {*b.bad, *n.bad}]
    codes = sorted({code for before, now in pairs for _, code, _ in before.findings ^ now.findings})
    told = f"other parts on {other}, another first on {first}, a chance moves by {max(moved, default=0.0):.3f} at most"
    return told + (f"; findings that come or go: {', '.join(codes)}" if codes else "")


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--group", choices=list(GROUPS), nargs="+", default=list(GROUPS))
    parser.add_argument("--module", nargs="+", default=None, help="only modules whose names end so")
    parser.add_argument("--only", nargs="+", default=None, help="only figures of these names")
    parser.add_argument("--together", action="store_true", help="all figures of a module at once")
    args = parser.parse_args()
    cases = []
    for board in sorted(args.folder.glob("*/board.toml")):
        capture = next(p for p in sorted(board.parent.iterdir()) if ".vcd" in p.name)
        request = Request(capture, board)
        gathered = _gathered(request)
        cases.append((request, gathered, answer_of(gathered)))
    print(f"{len(cases)} captures; another answer when nothing is varied: "
          f"{[str(request.capture) for request, gathered, before in cases if answer_of(gathered) != before]}",
          flush=True)  # fmt: skip
    for group in args.group:
        for module, names in GROUPS[group].items():
            if args.module is not None and not any(module.endswith(one) for one in args.module):
                continue
            wanted = [name for name in names if args.only is None or name in args.only]
            for some in [wanted] if args.together else [[name] for name in wanted]:
                for by in (2.0, 0.5) if some else ():
                    with contextlib.ExitStack() as stack:
                        values = [stack.enter_context(varied(module, name, by)) for name in some]
                        what = "all" if args.together else f"{some[0]} = {values[0]}"
                        anew = group == "checks"
                        try:
                            after = [answer_of(_gathered(one) if anew else seen) for one, seen, _ in cases]
                        except ValueError as failure:  # such as shares that are more than one together
                            told = f"no answer: {failure}"
                        else:
                            told = compared([(before, now) for (_, _, before), now in zip(cases, after, strict=True)])
                    print(f"{module.removeprefix('busledger.decoder.')}, {what} (x {by:g}): {told}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
