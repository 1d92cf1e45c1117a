"""Sound machines with something unusual, and bad ones that look alike, as VCD files read by the real pipeline."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from busledger.captures_demo.accuracy import write_board
from busledger.captures_demo.world.analyser import Analyser, Recording, record, write_vcd
from busledger.captures_demo.world.bench import spell, standard_clips
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.pins import waveforms
from busledger.captures_demo.world.play import Run, play
from busledger.captures_demo.world.random_card import random_machine
from busledger.captures_demo.world.traffic_mix import random_stimulus
from busledger.decoder.diagnosis import CannotJudge, Evidence, Rival, capture_verdict, find_rivals
from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.path import Innocent
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.search import search
from busledger.decoder.pipeline import Request, gather, open_run
from busledger.decoder.pipeline.check import evidence_of
from busledger.decoder.pipeline.dividing import divide
from tests.captures_demo.unusual import Plain, replayed

Memory = Callable[[Run, np.random.Generator], Plain]
Bend = Callable[[Recording, np.random.Generator], Recording]


@dataclass
class Found:
    """What came of one capture; ``wrong`` reads there were, of ``compared``."""

    evidence: Evidence
    study: Study
    wrong: int
    compared: int
    rivals: list[Rival]
    verdict: CannotJudge | None

    @property
    def first(self) -> Rival:
        """The likeliest rival."""
        return self.rivals[0]

    def left(self, rival: Rival) -> int:
        """Wrong reads that stay when the rival is laid over."""
        overlay = rival.overlay()
        overlay.start()
        return self.study.survey([overlay.feed(rows) for rows in self.study.blocks()]).wrong

    @cached_property
    def sets(self) -> list[CardState]:
        """All sets of shared faults and rivals that the engine weighs."""
        everywhere = tuple(region.index for region in self.study.card.regions)
        innocent = [Innocent(rival, everywhere) for rival in self.rivals if rival.explains]
        return search(Card(self.study, self.study.rows()), innocent)

    def worth(self, rival: Rival) -> float:
        """Log posterior of the best set that the rival is in; minus infinity where the search left it out."""
        return max((s.log_total for s in self.sets if rival in innocents(s)), default=-math.inf)

    def best_of_the_card(self) -> float:
        """Log posterior of the best set that puts everything down to the card."""
        return max(s.log_total for s in self.sets if not innocents(s))


def innocents(state: CardState) -> list[Rival]:
    """The rivals in one set."""
    return [path.rival for path in state.paths if isinstance(path, Innocent)]


def healthy(seed: int = 4, bus: str = "6502", part: str = "2114", faults: tuple[Fault, ...] = ()) -> Run:
    """A machine of one memory card and a ROM, and what it did in 9 000 cycles."""
    rng = np.random.default_rng(seed)
    machine = random_machine(rng, bus=bus, part=part, cards=1)
    return play(machine, faults, random_stimulus(machine, rng, cycles=9_000), seed)


def look(
    run: Run,
    folder: Path,
    *,
    memory: Memory | None = None,
    bend: Bend | None = None,
    rate_hz: float = 24e6,
    with_board: bool = True,
) -> Found:
    """The capture of a run, on unusual ``memory`` or bent by ``bend``, as far as the rivals."""
    rng = np.random.default_rng(9)
    board = write_board(run.machine, folder)
    if memory is not None:
        run = replayed(run, memory(run, rng))
    clips = standard_clips(run.machine)
    kept = record(waveforms(run, rng), clips, Analyser(rate_hz=rate_hz), 5, int(run.end_ns[-1]) + 3_000)
    if bend is not None:
        kept = bend(kept, rng)
    path = folder / "capture.vcd"
    write_vcd(kept, path, {line: spell(line, "slash") for line in clips})
    asked = Request(path, board) if with_board else Request(path, profile=run.machine.bus)
    evidence = evidence_of(divide(gather(open_run(asked))))
    study = Study(evidence)
    survey = study.survey(study.blocks())
    return Found(evidence, study, survey.wrong, survey.total, find_rivals(study, survey), capture_verdict(evidence))
