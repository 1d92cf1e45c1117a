"""Which faults are open: all of the board's, those that a question is about, or the suspects of an earlier check."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.board import Board
from busledger.decoder.diagnosis import PossibleFault
from busledger.decoder.errors import UsageError
from busledger.decoder.text import plain

__all__ = ["NOTHING_WRONG", "EarlierSuspect", "open_faults"]

NOTHING_WRONG = "nothing wrong"
REPAIR = "repair"


class EarlierSuspect(BaseModel):
    """What is used of a suspect of ``check --json``."""

    model_config = ConfigDict(frozen=True, extra="ignore")
    fault: str
    scope: str
    component: str | None = None
    region: str | None = None
    other_region: str | None = None
    lanes: tuple[str, ...] = ()
    address_lines: tuple[str, ...] = ()
    probability: float = Field(ge=0, le=1)


def open_faults(
    board: Board, faults: Sequence[PossibleFault], question: str | None, suspects: Sequence[EarlierSuspect] | None
) -> tuple[PossibleFault, ...]:
    """The faults that a plan should tell apart, with weights.

    Parameters
    ----------
    faults : everything the board could have
    question : a region ("bank2": which of its parts), a select or a designator
        ("CS3", "U10": is it this one), "repair" (are the earlier suspects gone), or None
    suspects : of an earlier check; they take the place of ``faults``

    Raises
    ------
    UsageError
        the question names nothing on the board, or asks for a repair without an earlier check.
    """
    if suspects is not None:
        faults = _of_suspects(board, faults, suspects)
    if question is None:
        return tuple(faults)
    word = question.strip()
    if word.casefold() == REPAIR:
        if suspects is None:
            raise UsageError("'repair' asks about the suspects of an earlier check", expected="--before RESULT.json")
        return _or_nothing(faults)
    about = _about(board, faults, word)
    if not about:
        raise _unknown(board, word)
    region = next((r for r in board.regions if r.name.casefold() == word.casefold()), None)
    return tuple(about) if region is not None else _or_nothing(about)


def _or_nothing(faults: Sequence[PossibleFault]) -> tuple[PossibleFault, ...]:
    """With the same weight: nothing is wrong."""
    total = sum(fault.prior for fault in faults)
    return (*faults, PossibleFault(NOTHING_WRONG, "board", None, (), 0, (), None, total))


def _about(board: Board, faults: Sequence[PossibleFault], word: str) -> list[PossibleFault]:
    name = word.casefold()
    for index, region in enumerate(board.regions):
        if region.name.casefold() == name:
            return [f for f in faults if index in f.regions]
        if region.select is not None and region.select.casefold() == name:
            return [f for f in faults if f.scope == "decoder" and index in (*f.regions, f.other)]
    return [f for f in faults if f.component is not None and f.component.casefold() == name]


def _unknown(board: Board, word: str) -> UsageError:
    parts = [chip.designator for region in board.regions for chip in region.chips]
    parts += [decoder.designator for decoder in board.decoders] + [buffer.designator for buffer in board.buffers]
    known = [*(r.name for r in board.regions), *(r.select for r in board.regions if r.select), *parts]
    near = difflib.get_close_matches(word, known, n=3, cutoff=0.4)
    return UsageError(
        f"nothing on the board is called '{plain(word)}'",
        where=board.path,
        expected="a region, a select or a designator of the board file, or repair",
        hint=f"Did you mean {' or '.join(near)}?" if near else "'busledger board draw' shows what is on the card.",
    )


def _of_suspects(
    board: Board, faults: Sequence[PossibleFault], suspects: Sequence[EarlierSuspect]
) -> tuple[PossibleFault, ...]:
    """The suspects as faults; what their probabilities leave over goes to all other faults as before."""
    index = {region.name: k for k, region in enumerate(board.regions)}
    found: list[PossibleFault] = []
    for suspect in suspects:
        match = next((f for f in faults if _same(f, suspect, index)), None)
        if match is not None:
            found.append(match._replace(prior=suspect.probability))
    if not found:
        raise UsageError(
            "none of the earlier suspects is a fault that this board could have",
            where=board.path,
            hint="Give the board file with which that check was made.",
        )
    named = {f[:7] for f in found}
    rest = [f for f in faults if f[:7] not in named]
    left = max(0.0, 1.0 - sum(f.prior for f in found))
    total = sum(f.prior for f in rest) or 1.0
    return (*found, *(f._replace(prior=f.prior / total * left) for f in rest if left > 0))


def _same(fault: PossibleFault, suspect: EarlierSuspect, index: dict[str, int]) -> bool:
    if (fault.fault, fault.scope, fault.component) != (suspect.fault, suspect.scope, suspect.component):
        return False
    if suspect.region is not None and index.get(suspect.region) not in fault.regions:
        return False
    lanes = sum(1 << int(lane[1:]) for lane in suspect.lanes if lane[1:].isdigit())
    if suspect.lanes and lanes != fault.lanes and not suspect.address_lines:
        return False
    return tuple(f"A{b}" for b in fault.lines) == suspect.address_lines
