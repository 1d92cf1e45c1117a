"""``exercise``: a board file, what was asked, and the program that comes of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile
from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline.planning import read_suspects
from busledger.decoder.pipeline.request import Request, bus_and_board
from busledger.decoder.planning import choose_exercise, sampling_needs
from busledger.decoder.program import (
    Asked,
    Foretold,
    Program,
    foretell,
    memory_test,
    memory_tests,
    named_regions,
    program_for,
    testable,
)
from busledger.decoder.text import plain

__all__ = ["Exercise", "make_exercise"]

_USUAL_CLOCK = 1e6  # where the profile gives no cycle: the slowest of the usual ones, so that times are not understated
_ROUND = 1e6  # a sample rate is said in whole MHz


@dataclass(frozen=True, slots=True)
class Exercise:
    """The program, what is said of it beforehand, and why this one was chosen (empty where it was asked for)."""

    program: Program
    told: Foretold
    chosen: tuple[str, ...] = ()


def make_exercise(board: str | Path, asked: Asked, *, after: str | Path | None = None) -> Exercise:
    """The test program for the board file ``board``; ``after``: the JSON of a check whose suspects it is to part, by
    the choice of the test and the regions as far as ``asked`` leaves them open.

    Raises
    ------
    BusledgerError
        the board file cannot be used, or ``asked`` holds what this board cannot have.
    """
    bus, card = bus_and_board(Request(capture="", board=board))
    if card is None:
        raise UsageError("a test program needs to know what is on the card", expected="--board FILE")
    chosen: tuple[str, ...] = ()
    if after is not None:
        asked, chosen = _chosen(card, asked, after)
    hertz, said = _clock(bus, asked)
    program = program_for(card, asked, hertz, bus.name)
    return Exercise(program, _told(program, card, bus, asked, said, board), chosen)


def _chosen(card: Board, asked: Asked, after: str | Path) -> tuple[Asked, tuple[str, ...]]:
    """``asked`` with the test and the regions that part the suspects best, and why."""
    suspects = read_suspects(after)
    tests = [memory_test(asked.test)] if asked.test else memory_tests().test
    origin = asked.origin if asked.rom_size is None else None
    regions = [
        region for region in card.regions
        if testable(region) and not (origin is not None and region.start <= origin <= region.end)
    ]  # fmt: skip
    if asked.regions:
        asked_for = named_regions(card, asked.regions)
        named = [region for region in regions if region.name in asked_for]
        regions = named or regions
    found = choose_exercise(card, suspects, tests, regions)
    if found is None:
        where = ", ".join(plain(region.name) for region in regions) or "any RAM"
        return asked, (
            f"No memory test over {where} would part the suspects of {plain(str(after))}: this one goes over what was "
            "asked for. What would part them stands under 'Next' in the check's own answer.",
        )
    return replace(asked, test=found.test.name, regions=asked.regions or found.regions), (found.sentence,)


def _told(program: Program, card: Board, bus: Profile, asked: Asked, said: str, board: str | Path) -> Foretold:
    needs = sampling_needs(bus, _USUAL_CLOCK)
    rate = max(1, round(needs[0].comfortable_hz / _ROUND)) * _ROUND if needs else None
    return foretell(
        program, card, board_file=str(board), clock_said=said, sample_hz=rate, rom_size=asked.rom_size,
    )  # fmt: skip


def _clock(bus: Profile, asked: Asked) -> tuple[float, str]:
    """Hertz, and whose they are."""
    if asked.clock_hz is not None:
        return asked.clock_hz, ""
    for grade in bus.grades:
        for limit in grade.limits:
            if limit.measure == "cycle" and limit.min:
                return 1e9 / limit.min, f"the fastest of grade {grade.name}; --clock says another"
    return _USUAL_CLOCK, "taken for granted; --clock says another"
