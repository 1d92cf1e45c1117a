"""How often the checks name the right fault first: ``python -m tests.benchmarks.checks_table [seeds]``.

Each row is a fault of the virtual card's decoder or bus driver; each seed
another machine, traffic and analyser phase. *First* counts the seeds whose
first finding of weight "fault" names the fault and its place; *other faults*
counts findings of that weight that name anything else.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from busledger.captures_demo.world.marches import march
from busledger.captures_demo.world.pins import Trouble
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.stimulus import Accesses, weave
from busledger.decoder.checks import BuffersCheck, CheckFinding, SelectsCheck
from busledger.decoder.pipeline import Request, open_run
from tests.checks.driver_cases import (
    BUFFER_CASES,
    SELECT_CASES,
    DriverCase,
    draw_driver_case,
    write_driver_case,
)

__all__ = ["CODES", "Score", "drawn", "findings_of", "right", "score"]

# The findings that name each case, decoder's own or by region.
CODES = {
    "output-missing": {"output-missing", "select-missing"},
    "output-extra": {"output-extra", "select-extra"},
    "output-swapped": {"outputs-swapped", "select-swapped"},
    "input-open": {"input-wrong"},
    "glitching": {"glitch-in-strobe", "glitch"},
    "never-to-cpu": {"never-toward-cpu"},
    "never-to-card": {"never-toward-card"},
    "direction-line-stuck": {"direction-away"},
    "lane-open": {"lane-open"},
    "lane-stuck": {"lane-stuck-low", "lane-stuck-high"},
    "enable-stuck": {"enable-extra"},
    "turn-round-overlap": {"turn-round-overlap"},
}


@dataclass
class Score:
    """One row of the table."""

    name: str
    seeds: int = 0
    first: int = 0
    other: int = 0
    misses: list[str] = field(default_factory=list)


def drawn(name: str, seed: int) -> DriverCase:
    """The case of that seed.

    A turn-round needs a write straight after a read, which a block test without fetches has. A 6502 has no idle
    cycles: a run that pauses on a card's address, with its select off, is no run of one and is drawn again.
    """
    case = draw_driver_case(name, seed)
    while case.machine.bus == "6502" and bool((case.run.kind == 2).any()):
        seed += 1000
        case = draw_driver_case(name, seed)
    if name != "turn-round-overlap":
        return case
    cards = tuple(replace(card, follows=True) if card.buffer else card for card in case.machine.cards)
    machine = replace(case.machine, cards=cards)
    rng = np.random.default_rng(seed)
    ram = [region for region in machine.regions if region.kind == "ram"]
    cells = [np.arange(region.start, region.start + 100) for region in ram]
    tests = Accesses.join([march("March C-", part, int(rng.integers(256))) for part in cells])
    run = play(machine, (), weave(tests, None, rng, fetches=0), seed)
    return replace(case, machine=machine, run=run, troubles=(Trouble("overlap", card=1, width_ns=130),))


def findings_of(case: DriverCase, seed: int) -> tuple[list[CheckFinding], list[CheckFinding]]:
    """(selects, buffers): findings of weight "fault" in a fresh capture of the case, in their order."""
    with tempfile.TemporaryDirectory() as folder:
        capture, board = write_driver_case(case, Path(folder), seed=seed)
        run = open_run(Request(str(capture), board=str(board)))
        checks: list[SelectsCheck | BuffersCheck] = []
        for block in run.blocks():
            if not checks:
                assert run.board is not None
                for kind in (SelectsCheck, BuffersCheck):
                    checks.append(kind(run.board, run.profile, run.layout, run.tick_fs, run.grid_ticks))
            for check in checks:
                check.feed(block.levels, block.cycles)
        run.file.close()
        selects, buffers = (check.finish() for check in checks)
    return [f for f in selects.findings if f.weight == "fault"], [f for f in buffers.findings if f.weight == "fault"]


def right(case: DriverCase, finding: CheckFinding) -> bool:
    """Whether the finding names the case's fault and the place of it."""
    named_so = finding.code in CODES.get(case.name, ())
    # Where lines are pulled, an open one looks stuck, and the finding must say that it may be open.
    named_so = named_so or (case.name == "lane-open" and any("is open" in text for text in finding.other))
    if not named_so or finding.component != case.component:
        return False
    if not case.where:
        return True
    selects = {region.name: region.select for region in case.machine.regions}
    wanted = {selects.get(word, word) for word in case.where.split()}
    named = set(finding.lines) | set(finding.lanes)
    return bool(wanted & named)


def score(name: str, seeds: range) -> Score:
    """One case over the seeds."""
    row = Score(name)
    for seed in seeds:
        case = drawn(name, seed)
        selects, buffers = findings_of(case, seed)
        if case.name in SELECT_CASES and case.name != "healthy":
            judged, rest = selects, buffers
        else:
            judged, rest = buffers, selects
        row.seeds += 1
        if name == "healthy":
            row.first += not judged and not rest
        else:
            row.first += bool(judged) and right(case, judged[0])
        others = [f for f in (*judged, *rest) if f.code not in CODES.get(case.name, ())]
        row.other += len(others)
        if name == "healthy" or not judged or not right(case, judged[0]):
            row.misses += [
                f"seed {seed} ({case.machine.bus}, {case.where}): {f.text}" for f in (judged[:1] or others[:1])
            ]
            if not judged and name != "healthy":
                row.misses.append(f"seed {seed} ({case.machine.bus}, {case.where}): nothing found")
    return row


def main(arguments: list[str]) -> int:
    """Prints the table; 1 if any seed went wrong."""
    seeds = range(int(arguments[0]) if arguments else 20)
    names = arguments[1:] or list(dict.fromkeys((*SELECT_CASES, *BUFFER_CASES)))
    print(f"{'case':<22} {'seeds':>5} {'right first':>12} {'other faults':>13}")
    wrong = 0
    for name in names:
        row = score(name, seeds)
        wrong += row.seeds - row.first
        print(f"{row.name:<22} {row.seeds:>5} {row.first:>12} {row.other:>13}", flush=True)
        for miss in row.misses:
            print(f"    {miss}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
