"""Two runs of one program, instruction by instruction: the first that differs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from busledger.decoder.planning.alignment import Alignment, align
from busledger.decoder.program.following.columns import Instructions

if TYPE_CHECKING:
    from busledger.decoder.program.following import Glossary

__all__ = ["MatchInstruction", "ProgramRun", "match_programs"]

_ENOUGH = 0.5  # of the shorter run's instructions must find a partner


@dataclass(frozen=True)
class ProgramRun:
    """The instructions of one run, what their numbers mean, and the first address that each reached for (-1: none)."""

    found: Instructions
    glossary: Glossary
    reached: NDArray[np.int64]

    def text(self, k: int) -> str:
        """Instruction k as people read it."""
        number = int(self.found.text[k])
        return self.glossary.readings[number].text if number >= 0 else "an instruction that was not seen whole"


class MatchInstruction(BaseModel):
    """The first instruction that differs. ``other-bytes``: the same address holds other bytes; ``other-way``: after the
    same instruction the runs go on at different addresses. Cycles are numbers in each run; ``paired`` instructions of
    the runs were found to be the same ones."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    how: Literal["other-bytes", "other-way"]
    address: int
    cycle_good: int
    cycle_bad: int
    good: str
    bad: str
    went_on_good: int | None = None
    went_on_bad: int | None = None
    paired: int
    sentence: str


def match_programs(good: ProgramRun, bad: ProgramRun, digits: int) -> MatchInstruction | None:
    """The first instruction that differs; None where none does, or where the runs cannot be laid side by side."""
    pairing = align(_comparable(good), _comparable(bad))
    if pairing.share < _ENOUGH:
        return None
    bytes_at = _first_other_bytes(good.found, bad.found, pairing)
    way_at = _first_parting(pairing)
    if bytes_at is None and way_at is None:
        return None
    if way_at is None or (bytes_at is not None and bytes_at <= way_at):
        assert bytes_at is not None
        return _other_bytes(good, bad, pairing, bytes_at, digits)
    return _other_way(good, bad, pairing, way_at, digits)


def _comparable(run: ProgramRun) -> NDArray[np.int64]:
    """Rows as ``align`` takes them: an instruction is known by its address and by what it reaches for, which tells one
    turn of a loop from another; its bytes may differ."""
    rows = np.zeros((len(run.found), 5), np.int64)
    rows[:, 1] = run.found.address
    rows[:, 3] = np.maximum(run.reached, 0)
    rows[:, 4] = np.where(run.reached < 0, 0xFFFFFFFF, 0)
    return rows


def _first_other_bytes(good: Instructions, bad: Instructions, pairing: Alignment) -> int | None:
    i, j = pairing.first, pairing.second
    seen = (good.text[i] >= 0) & (bad.text[j] >= 0) & (good.state[i] == bad.state[j])
    differ = (good.packed[i] != bad.packed[j]) | (good.tail[i] != bad.tail[j]) | (good.size[i] != bad.size[j])
    other = np.flatnonzero(seen & differ)
    return int(other[0]) if len(other) else None


def _first_parting(pairing: Alignment) -> int | None:
    """The pair behind which either run has instructions of its own; behind the last pair only if both go on."""
    i, j = pairing.first, pairing.second
    if not len(i):
        return None
    apart = np.flatnonzero((np.diff(i) > 1) | (np.diff(j) > 1))
    if len(apart):
        return int(apart[0])
    left = min(pairing.rows_first - int(i[-1]), pairing.rows_second - int(j[-1])) - 1
    return len(i) - 1 if left > 0 else None


def _other_bytes(good: ProgramRun, bad: ProgramRun, pairing: Alignment, at: int, digits: int) -> MatchInstruction:
    i, j = int(pairing.first[at]), int(pairing.second[at])
    address = int(good.found.address[i])
    return MatchInstruction(
        how="other-bytes",
        address=address,
        cycle_good=int(good.found.row[i]),
        cycle_bad=int(bad.found.row[j]),
        good=good.text(i),
        bad=bad.text(j),
        paired=len(pairing.first),
        sentence=(
            f"The first instruction that differs is the one at {address:0{digits}X}: {good.text(i)} in the good run "
            f"(cycle {int(good.found.row[i])}), {bad.text(j)} in the bad one (cycle {int(bad.found.row[j])})."
        ),
    )


def _other_way(good: ProgramRun, bad: ProgramRun, pairing: Alignment, at: int, digits: int) -> MatchInstruction:
    i, j = int(pairing.first[at]), int(pairing.second[at])
    address = int(good.found.address[i])
    then = (int(good.found.address[i + 1]), int(bad.found.address[j + 1]))
    cycles = (int(good.found.row[i]), int(bad.found.row[j]))
    return MatchInstruction(
        how="other-way",
        address=address,
        cycle_good=cycles[0],
        cycle_bad=cycles[1],
        good=good.text(i),
        bad=bad.text(j),
        went_on_good=then[0],
        went_on_bad=then[1],
        paired=len(pairing.first),
        sentence=(
            f"The first instruction that differs follows {good.text(i)} at {address:0{digits}X} (cycle {cycles[0]} of "
            f"the good run, {cycles[1]} of the bad one): the good run goes on at {then[0]:0{digits}X}, the bad one at "
            f"{then[1]:0{digits}X}."
        ),
    )
