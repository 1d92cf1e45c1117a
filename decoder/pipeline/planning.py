"""``plan``: a board file, an analyser, perhaps an earlier check, and what to clip."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline.request import Request, bus_and_board, marks_of
from busledger.decoder.planning import OpenSuspect, PlanRequest, PlanResult, make_plan
from busledger.decoder.text import plain

__all__ = ["plan_passes", "read_suspects"]


class _Earlier(BaseModel):
    model_config = ConfigDict(extra="ignore")
    suspects: tuple[OpenSuspect, ...] = ()


def plan_passes(
    board: str | Path,
    request: PlanRequest,
    *,
    profile: str | None = None,
    before: str | Path | None = None,
) -> PlanResult:
    """Plan for the board at ``board``; ``before`` is the JSON of an earlier check, whose suspects are then open.

    Raises
    ------
    BusledgerError
        the board file, the profile or the earlier result cannot be used, or the question makes no sense.
    """
    bus, card = bus_and_board(Request(capture="", board=board, profile=profile))
    if card is None:
        raise UsageError("a plan needs to know what is on the card", expected="--board FILE")
    suspects = None if before is None else read_suspects(before)
    return marks_of(bus, card).said(make_plan(card, bus, request, suspects))


def read_suspects(path: str | Path) -> Sequence[OpenSuspect]:
    """The suspects of a result that ``check --json`` wrote.

    Raises
    ------
    UsageError
        it cannot be read, is no such result, or names no suspect.
    """
    where = plain(str(path))
    try:
        found: Any = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise UsageError(
            f"the earlier result cannot be read ({plain(str(error), 120)})", where=where,
            expected="the JSON that 'busledger check --json' printed",
        ) from error  # fmt: skip
    schema = found.get("schema") if isinstance(found, dict) else None
    try:
        earlier = _Earlier.model_validate(found)
    except ValidationError as error:
        schema, earlier = None, _Earlier()
        reason = f"{error.error_count()} of its values are not as 'check' writes them"
    else:
        reason = "it has no schema busledger.check/1"
    if schema != "busledger.check/1":
        raise UsageError(f"this is no result of a check: {reason}", where=where,
                         expected="the JSON that 'busledger check --json' printed")  # fmt: skip
    if not earlier.suspects:
        raise UsageError(
            "the earlier check has no suspect, so there is nothing to tell apart", where=where,
            expected="a check that found wrong reads", hint="Leave it out to ask about every fault.",
        )  # fmt: skip
    return earlier.suspects
