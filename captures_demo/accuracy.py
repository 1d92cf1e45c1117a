"""How good the engine is: ``python -m busledger.captures_demo.accuracy --cards 600 --seed 1``.

Each card is drawn from the seed: a machine, its traffic, and no fault, one or
two; ``--many N`` cards more have two to sixteen bad parts. The engine gets the
cycles that the world's bus carried, through its own ledger, and is asked for
the part. Of all cards it is asked for the parts, too: how many of those that
show are named, how many named are sound, and what the chances are worth, by
count of faults. ``--pins N`` sends N of the cards through levels, an
asynchronous analyser, a VCD file and the reader as well, and counts what
arrives differently.

The only module here that imports the engine.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from busledger.captures_demo.world.analyser import Analyser
from busledger.captures_demo.world.bench import capture, standard_clips
from busledger.captures_demo.world.board_file import board_toml
from busledger.captures_demo.world.cases import Case, draw_case
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.many_cases import MANY_COUNTS, draw_many, shows_of
from busledger.captures_demo.world.parts_scoring import PartsMark, mark_parts, render_parts
from busledger.captures_demo.world.play import Run
from busledger.captures_demo.world.random_fault import FAULT_SCOPES
from busledger.captures_demo.world.scoring import Truth, fault_named, part_key, rank_of_truth, tie_groups, truth_of
from busledger.captures_demo.world.tally import found, render
from busledger.captures_demo.world.ties import cannot_part
from busledger.decoder.board import Board, load_board
from busledger.decoder.bus import Cycles, Kind, load_profile
from busledger.decoder.diagnosis import Diagnosis, Evidence, ProfileFacts, TrafficCounter, diagnose
from busledger.decoder.findings import Suspect
from busledger.decoder.ledger import AccessLog, Counter, Ledger, RegionMap
from busledger.decoder.pipeline import Request, gather, open_run, run_check

__all__ = ["Outcome", "judge", "main", "plan"]

# Of every twenty cards: four healthy, eight with a hard fault, five with one that comes and goes, three with two.
_PATTERN = ("hard", "healthy", "intermittent", "hard", "double") * 3 + ("hard", "healthy", "intermittent", "hard",
                                                                          "intermittent")  # fmt: skip
_KIND_OF = np.array([Kind.READ, Kind.WRITE, Kind.IDLE, Kind.OPCODE_FETCH], np.uint8)


@dataclass
class Outcome:
    """One card judged.

    ``places``: place of each true part, tied suspects sharing one (0 = not listed); ``tied``: it is not the first name
    at its place; ``false_tie``: the world says that the two can be told apart; ``named``: fault, lanes and lines right,
    too. ``probability`` of the first place and whether it is ``right``; the same of the part named first alone
    (``alone``, ``alone_right``). ``accused``: a part named on a healthy card.
    """

    seed: int
    category: str
    kinds: list[str]
    modes: list[str]
    mismatches: int
    ledger_agrees: bool
    places: list[int] = field(default_factory=list)
    tied: list[bool] = field(default_factory=list)
    false_tie: bool = False
    named: list[bool] = field(default_factory=list)
    probability: float | None = None
    right: bool = False
    alone: float | None = None
    alone_right: bool = False
    accused: bool = False
    seconds: float = 0.0
    answer: list[str] = field(default_factory=list)
    parts: PartsMark | None = None
    truth: list[str] = field(default_factory=list)


def plan(cards: int, seed: int) -> list[tuple[int, str, tuple[str, str] | None]]:
    """(seed, category, fault and scope) of every card; kinds take turns so that each is tried equally often."""
    made: list[tuple[int, str, tuple[str, str] | None]] = []
    turns = {"hard": 0, "intermittent": 7, "double": 13}
    for index in range(cards):
        category = _PATTERN[index % len(_PATTERN)]
        kind = None
        if category != "healthy":
            kind = FAULT_SCOPES[turns[category] % len(FAULT_SCOPES)]
            turns[category] += 1
        made.append((seed * 1_000_003 + index, category, kind))
    return made


def plan_many(cards: int, seed: int) -> list[tuple[int, int]]:
    """(seed, faults) of every card with many bad parts; counts take turns."""
    return [(seed * 1_000_003 + index, MANY_COUNTS[index % len(MANY_COUNTS)]) for index in range(cards)]


def write_board(machine: Machine, folder: Path, *, far_side: bool = False) -> Path:
    """The machine's board file and ROM images in ``folder``; returns the board file's path."""
    images = {}
    for region in machine.regions:
        if region.image is not None:
            images[region.name] = f"{region.name}.bin"
            (folder / images[region.name]).write_bytes(region.image)
    path = folder / "board.toml"
    path.write_text(board_toml(machine, images=images, far_side=far_side), encoding="utf-8")
    return path


def cycles_of(run: Run) -> Cycles:
    """The world's bus cycles as the engine's columns; idle cycles included, ticks are nanoseconds."""
    cycles = Cycles.empty(len(run))
    cycles.sample[:] = np.arange(len(run))
    cycles.time[:] = run.time_ns
    cycles.kind[:] = _KIND_OF[run.kind]
    cycles.address[:] = run.address
    cycles.data[:] = run.data
    cycles.kept[:] = run.kept
    cycles.width[:] = 1
    return cycles


def ask(run: Run, board: Board) -> tuple[Diagnosis, int, float]:
    """(diagnosis, mismatches by the engine's ledger, seconds that it took)."""
    began = time.perf_counter()
    cycles = cycles_of(run)
    profile = load_profile(board.bus)
    region_map = RegionMap(board.regions, (), profile.data_bits)
    compared = Ledger(region_map, profile.address_bits).feed(cycles)
    counter = Counter(region_map)
    counter.feed(cycles, compared)
    traffic = TrafficCounter(len(board.regions), profile.data_bits)
    traffic.feed(cycles)
    log = AccessLog()
    log.append(cycles, compared)
    counts = counter.counts()
    evidence = Evidence(
        board,
        ProfileFacts(profile.address_bits, profile.data_bits),
        counts,
        log,
        tick_s=1e-9,
        traffic=traffic,
    )
    diagnosis = diagnose(evidence)
    return diagnosis, sum(region.mismatches for region in counts), time.perf_counter() - began


def judge(case: Case) -> Outcome:
    """Ask the engine about one card, and mark the answer."""
    with tempfile.TemporaryDirectory() as scratch:
        board = load_board(write_board(case.machine, Path(scratch)))
    diagnosis, mismatches, seconds = ask(case.run, board)
    outcome = Outcome(
        case.seed,
        case.category,
        [f"{fault.fault} {fault.scope}" for fault in case.faults],
        [fault.when.mode for fault in case.faults],
        case.run.mismatches,
        mismatches == case.run.mismatches,
        seconds=seconds,
    )
    suspects = tuple(diagnosis.suspects)
    outcome.answer = [
        f"{_words(s)} p={s.probability:.3f} explains={s.explains} contradicted={s.contradicted} tied={s.tied_with}"
        for s in suspects[:5]
    ]
    outcome.accused = case.category == "healthy" and bool(suspects)
    truths = [truth_of(case.machine, fault) for fault in case.faults]
    for truth in truths:
        outcome.truth.append(_words(truth))
        place, suspect = rank_of_truth(truth, suspects)
        tied = suspect is not None and suspect is not tie_groups(suspects)[place - 1][0]
        if tied and place == 1 and case.category == "hard" and not cannot_part(case, suspects[0]):
            outcome.false_tie, place = True, suspect.rank if suspect is not None else 0
        outcome.places.append(place)
        outcome.tied.append(tied)
        outcome.named.append(any(fault_named(truth, s) for group in tie_groups(suspects)[:3] for s in group))
    marginals = {part.component: part.bad for part in diagnosis.parts}
    shows = shows_of(case) if len(truths) > 1 else [case.run.mismatches] * len(truths)
    outcome.parts = mark_parts(case.machine, truths, shows, suspects, marginals)
    if suspects and truths:
        group = tie_groups(suspects)[0]
        outcome.probability = min(1.0, sum(s.probability for s in suspects if part_key(s) in map(part_key, group)))
        outcome.right = not outcome.false_tie and any(rank_of_truth(truth, group)[0] == 1 for truth in truths)
        first = part_key(suspects[0])
        outcome.alone = min(1.0, sum(s.probability for s in suspects if part_key(s) == first))
        outcome.alone_right = any(rank_of_truth(truth, suspects[:1])[0] == 1 for truth in truths)
    return outcome


def _words(one: Suspect | Truth) -> str:
    """A fault in one line, for people who look at the misses."""
    places = ",".join(one.lanes + one.address_lines)
    return f"{one.fault} {one.scope} {one.component or '-'} {one.region or '-'} {places}"


def _work(job: tuple[int, str, tuple[str, str] | None]) -> Outcome | None:
    """None where no machine of this seed shows the fault."""
    seed, category, kind = job
    try:
        case = draw_case(seed, category, kind=kind)
    except RuntimeError:
        return None
    return judge(case)


def _work_many(job: tuple[int, int]) -> Outcome | None:
    """None where no machine of this seed shows so many faults."""
    try:
        case = draw_many(*job)
    except RuntimeError:
        return None
    return judge(case)


def through_pins(seed: int, category: str, kind: tuple[str, str] | None) -> dict[str, Any]:
    """One card by way of a VCD file: what arrives, against what the world's bus carried."""
    case = draw_case(seed, category, kind=kind, cycles=12_000)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        board = write_board(case.machine, folder)
        path = folder / "capture.vcd"
        clips = standard_clips(case.machine)
        capture(case.run, path, seed=seed % (1 << 31), clips=clips, rate_hz=100e6)
        gathered = gather(open_run(Request(path, board)))
        seen = np.concatenate([cycles.data for cycles, _ in gathered.log.blocks()])
        address = np.concatenate([cycles.address for cycles, _ in gathered.log.blocks()])
        gathered.log.close()
        result = run_check(Request(path, board))
    truths = [truth_of(case.machine, fault) for fault in case.faults]
    true_rows = case.run.kind != 2
    same = (
        seen.shape[0] == np.count_nonzero(true_rows)
        and bool((seen == case.run.data[true_rows]).all())
        and bool((address == case.run.address[true_rows]).all())
    )
    return {
        "seed": seed,
        "category": category,
        "kind": kind,
        "bus": case.machine.bus,
        "cycles_same": same,
        "cycles": (int(seen.shape[0]), int(np.count_nonzero(true_rows))),
        "mismatches": (result.mismatch_total, case.run.mismatches),
        "places": [rank_of_truth(truth, tuple(result.suspects))[0] for truth in truths],
        "suspects": len(result.suspects),
    }


def rough(seed: int) -> dict[str, Any]:
    """A healthy card, badly recorded: spans without samples and clips that were left off. Nobody may be accused."""
    case = draw_case(seed, "healthy", cycles=12_000)
    rng = np.random.default_rng(seed)
    length_s = float(case.run.end_ns[-1]) * 1e-9
    starts = np.sort(rng.uniform(0.1, 0.9, int(rng.integers(1, 4)))) * length_s
    dropouts = tuple((float(start), float(start + rng.uniform(2e-5, 4e-4))) for start in starts)
    clips = standard_clips(case.machine)
    loose = [str(name) for name in rng.choice([c for c in clips if c.strip("AD").isdigit()], int(rng.integers(0, 3)))]
    clips = [clip for clip in clips if clip not in loose]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        board = write_board(case.machine, folder)
        path = folder / "capture.vcd"
        capture(case.run, path, seed=seed % (1 << 31), clips=clips, analyser=Analyser(50e6, dropouts=dropouts))
        result = run_check(Request(path, board))
    return {
        "seed": seed,
        "bus": case.machine.bus,
        "loose": loose,
        "dropouts": len(dropouts),
        "mismatches": result.mismatch_total,
        "suspects": [_words(suspect) for suspect in result.suspects[:3]],
        "disagree": sum(region.reads_disagree for region in result.regions),
    }


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m busledger.captures_demo.accuracy", description=__doc__)
    parser.add_argument("--cards", type=int, default=600, help="how many cards to judge")
    parser.add_argument("--seed", type=int, default=1, help="what they are drawn from")
    parser.add_argument("--json", type=Path, help="write every outcome to this file")
    parser.add_argument("--many", type=int, help="cards more with 2 to 16 bad parts; a fifth of --cards if left out")
    parser.add_argument("--pins", type=int, default=0, help="also send this many cards through a VCD file")
    parser.add_argument("--rough", type=int, default=0, help="also record this many healthy cards badly")
    parser.add_argument("--processes", type=int, default=2, help="how many processes work at once")
    parser.add_argument("--show", action="store_true", help="print every card whose true part is not first")
    chosen = parser.parse_args()
    jobs = plan(chosen.cards, chosen.seed)
    crowded = plan_many(chosen.cards // 5 if chosen.many is None else chosen.many, chosen.seed)
    with multiprocessing.get_context("spawn").Pool(chosen.processes) as pool:
        judged = pool.map(_work, jobs, chunksize=4)
        many = pool.map(_work_many, crowded, chunksize=1)
        pins = pool.starmap(through_pins, jobs[: chosen.pins], chunksize=1)
        badly = pool.map(rough, range(chosen.seed * 7919, chosen.seed * 7919 + chosen.rough), chunksize=1)
    outcomes = [outcome for outcome in judged if outcome is not None]
    found_many = [outcome for outcome in many if outcome is not None]
    print(render([asdict(outcome) for outcome in outcomes]))
    print(render_parts([o.parts for o in (*outcomes, *found_many) if o.parts is not None]))
    if found_many:
        print(f"seconds a card of many bad parts: longest {max(o.seconds for o in found_many):.3f}")
    left_out = len(jobs) + len(crowded) - len(outcomes) - len(found_many)
    if left_out:
        print(f"left out, for no machine of theirs shows the faults: {left_out}")
    if chosen.show:
        for outcome in found_many:
            if outcome.parts is not None and not outcome.parts.all_right:
                mark = outcome.parts
                print(f"seed {outcome.seed} many: {mark.named} of {mark.shown} named, innocent: {mark.innocent}")
                print("   truth ", *outcome.truth, sep="\n      ")
        for outcome in outcomes:
            if outcome.accused or not found(asdict(outcome), 1):
                print(f"seed {outcome.seed} {outcome.category} {outcome.modes} {outcome.mismatches} mismatches")
                print("   truth ", *outcome.truth, sep="\n      ")
                print("   answer", *outcome.answer, sep="\n      ")
    if pins:
        good = sum(pin["cycles_same"] for pin in pins)
        print(f"through pins: {good} of {len(pins)} cards arrived cycle for cycle")
        for pin in pins:
            if not pin["cycles_same"] or pin["mismatches"][0] != pin["mismatches"][1]:
                print("  ", pin)
    if badly:
        accused = [each for each in badly if each["suspects"] or each["mismatches"]]
        print(f"healthy cards badly recorded (drop-outs, missing clips): {len(accused)} of {len(badly)} accused")
        for each in accused:
            print("  ", each)
    if chosen.json:
        chosen.json.write_text(
            json.dumps([asdict(outcome) for outcome in (*outcomes, *found_many)], indent=1), encoding="utf-8"
        )


if __name__ == "__main__":
    main()
