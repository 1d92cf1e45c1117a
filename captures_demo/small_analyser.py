"""How far a small analyser comes.

    python -m busledger.captures_demo.small_analyser --cards 50 --channels 8 --seed 1

Each card has one hard fault. The engine plans from the board file alone what to
clip; an analyser with so many channels records the machine's run again for each
pass (its own phase and skew, other contents at power-on); the passes are joined
and the joined capture is checked. Counted: how often the part named first is
the broken one, and how many passes it took.

Calls the engine, like ``busledger.captures_demo.accuracy``.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import tempfile
from dataclasses import dataclass
from pathlib import Path

from busledger.captures_demo.accuracy import write_board
from busledger.captures_demo.world.analyser import Analyser
from busledger.captures_demo.world.bench import capture
from busledger.captures_demo.world.cases import Case, draw_case
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.random_fault import FAULT_SCOPES
from busledger.captures_demo.world.scoring import rank_of_truth, truth_of
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, join_captures, plan_passes, run_check
from busledger.decoder.planning import PlanRequest

__all__ = ["Outcome", "judge", "main"]

_DRAWS, _STRIDE = 4, 7_919


@dataclass(frozen=True, slots=True)
class Outcome:
    """One card. ``place`` of the true part with all passes joined (0 = not listed); ``passes`` in the plan;
    ``joined``: share of cycles that found their partner in every pass."""

    seed: int
    bus: str
    kind: str
    passes: int
    joined: float
    place: int
    answer: str


def judge(seed: int, kind: tuple[str, str], channels: int, rate_hz: float, cycles: int, folder: Path) -> Outcome:
    """Plan, record every pass, join, check."""
    case = _hard_case(seed, kind, cycles)
    board = write_board(case.machine, folder)
    plan = plan_passes(board, PlanRequest(channels=channels, rate_hz=rate_hz))
    paths = [_record(case, one.lines, one.number, rate_hz, folder) for one in plan.passes]
    whole, share = paths[0], 1.0
    if len(paths) > 1:
        whole = str(folder / "whole.vcd")
        with Path(whole).open("wb") as out:
            share = join_captures(Request(capture="", board=board), paths, whole, out.write).share
    result = run_check(Request(whole, board))
    return Outcome(
        seed,
        case.machine.bus,
        f"{case.faults[0].fault} {case.faults[0].scope}",
        len(paths),
        share,
        _place(case, result),
        _answer(result),
    )


def _hard_case(seed: int, kind: tuple[str, str], cycles: int) -> Case:
    """Some kinds are mostly drawn as faults that come and go: those are drawn again, then the next kind."""
    first = FAULT_SCOPES.index(kind)
    for turn in range(len(FAULT_SCOPES)):
        now = FAULT_SCOPES[(first + turn) % len(FAULT_SCOPES)]
        for again in range(_DRAWS):
            case = draw_case(seed + again * _STRIDE, "hard", kind=now, cycles=cycles)
            if case.category == "hard":
                return case
    raise RuntimeError(f"no kind of fault is drawn as a hard one from seed {seed}")


def _record(case: Case, lines: tuple[str, ...], number: int, rate_hz: float, folder: Path) -> str:
    """The machine runs once more, with ``lines`` clipped."""
    run = play(case.machine, case.faults, case.stimulus, case.world_seed + number)
    path = folder / f"pass{number}.vcd"
    seed = (case.seed * 31 + number) % (1 << 31)
    capture(run, path, seed=seed, clips=lines, analyser=Analyser(rate_hz=rate_hz))
    return str(path)


def _place(case: Case, result: CheckResult) -> int:
    places = [rank_of_truth(truth_of(case.machine, fault), result.suspects)[0] for fault in case.faults]
    return places[0]


def _answer(result: CheckResult) -> str:
    first = next(iter(result.suspects), None)
    return "no suspect" if first is None else first.summary


def _work(job: tuple[int, tuple[str, str], int, float, int]) -> Outcome:
    with tempfile.TemporaryDirectory() as scratch:
        return judge(*job, Path(scratch))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m busledger.captures_demo.small_analyser", description=__doc__)
    parser.add_argument("--cards", type=int, default=50, help="how many cards to judge")
    parser.add_argument("--channels", type=int, default=8, help="inputs of the analyser")
    parser.add_argument("--seed", type=int, default=1, help="what the cards are drawn from")
    parser.add_argument("--rate", type=float, default=50e6, help="sample rate in Hz")
    parser.add_argument("--cycles", type=int, default=12_000, help="bus cycles of each run")
    parser.add_argument("--processes", type=int, default=2, help="how many processes work at once")
    chosen = parser.parse_args()
    jobs = [
        (chosen.seed * 1_000_003 + k, FAULT_SCOPES[k % len(FAULT_SCOPES)], chosen.channels, chosen.rate, chosen.cycles)
        for k in range(chosen.cards)
    ]
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
        outcomes = pool.map(_work, jobs, chunksize=1)
    first = sum(outcome.place == 1 for outcome in outcomes)
    print(f"{chosen.channels} channels, {len(outcomes)} cards with one hard fault:")
    print(f"  true part first on {first} ({first / len(outcomes):.1%})")
    print(f"  passes: median {statistics.median(o.passes for o in outcomes):g}, most {max(o.passes for o in outcomes)}")
    print(f"  cycles joined: least {min(o.joined for o in outcomes):.2%}")
    for outcome in outcomes:
        if outcome.place != 1:
            print(f"  missed: seed {outcome.seed}, {outcome.kind} on {outcome.bus}, place {outcome.place}, "
                  f"{outcome.passes} passes, {outcome.joined:.1%} joined; answered: {outcome.answer}")  # fmt: skip


if __name__ == "__main__":
    main()
