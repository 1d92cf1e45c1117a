"""One pass over a capture: what is counted and kept of it, and the checks that look while it is decoded."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Literal, cast

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import Kind
from busledger.decoder.capture import Note
from busledger.decoder.checks import (
    CheckSet,
    CheckSetResult,
    LostLines,
    MixedClips,
    SeenStrobes,
    SelectsSeen,
    SwappedAddressClips,
    SwappedClips,
    SwappedLines,
    SwappedPair,
    skew_of,
)
from busledger.decoder.findings import RegionCounts
from busledger.decoder.heap import keep_memory
from busledger.decoder.ledger import AccessLog, Counter, TrafficMap
from busledger.decoder.pipeline.beside import Beside
from busledger.decoder.pipeline.following import ProgramAccount
from busledger.decoder.pipeline.gathered import Gathered
from busledger.decoder.pipeline.request import region_map_of
from busledger.decoder.pipeline.run import Decoded, Run
from busledger.decoder.pipeline.stated import left_out

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import CaptureSigns

__all__ = ["Gathering", "gather"]


def gather(run: Run, tap: Callable[[Decoded], None] | None = None, *, time_everything: bool = False) -> Gathered:
    """One pass: count the cycles, keep the accesses that the ledger took.

    ``tap`` sees every decoded block as it passes; ``time_everything``: the timing of a board without graded chips too.
    """
    keep_memory()
    gathering = Gathering(run, time_everything=time_everything)
    # Two threads beside this one: whichever core is free takes the checks or the accounts of the last blocks.
    with Beside("checks") as checking, Beside("accounts") as accounting:
        for block in run.blocks():
            gathering.take(block, checking, accounting)
            if tap is not None:
                tap(block)
    return gathering.gathered()


class Gathering:
    """What is made of a run's blocks, one after the other: the accounts, and the checks' own state.

    Its state goes into a pickle while neither thread has work (``Beside.settle``); ``log`` keeps the accesses.
    """

    def __init__(self, run: Run, *, time_everything: bool = False, log: AccessLog | None = None) -> None:
        self._run, self._time_everything = run, time_everything
        self._accounts = _Accounts(run, log if log is not None else AccessLog(everywhere=not run.board_given))
        self._checks: CheckSet | None = None
        self._seen: SelectsSeen | None = None

    def take(self, block: Decoded, checking: Beside, accounting: Beside) -> None:
        """One block, in the order of time; both threads may still be at it when this returns."""
        run = self._run
        self._checks = self._checks or _checks_of(run, time_everything=self._time_everything)
        told: tuple[SeenStrobes, ...] = ()
        if run.board is not None:
            self._seen = self._seen or SelectsSeen(run.board, run.profile, run.layout, run.tick_fs, run.grid_ticks)
            told = (self._seen.fill(block.levels, block.cycles, block.compared),)
        checking.do(partial(self._checks.feed, block.levels, block.cycles, block.compared, *told))
        accounting.do(partial(self._accounts.take, block))

    @property
    def counts(self) -> tuple[RegionCounts, ...]:
        """The regions' counts so far."""
        return self._accounts.counts

    def gathered(self) -> Gathered:
        """All of it, once the run has ended."""
        assert self._checks is not None  # a run gives at least its end
        return self._accounts.gathered(self._checks.finish(self._run.request.grade))


class _Accounts:
    """Everything that is counted or kept of the cycles of one run."""

    def __init__(self, run: Run, log: AccessLog) -> None:
        from busledger.decoder.diagnosis import CoverageCounter, TrafficCounter

        self._run = run
        self._signs: CaptureSigns | None = None
        self._kinds = np.zeros(len(Kind), np.int64)
        self._log = log
        self._counter = Counter(run.region_map)
        self._lanes = TrafficCounter(len(run.region_map.regions), run.profile.data_bits)
        self._touched = TrafficMap(tuple(run.profile.space(rule) for rule in range(len(run.profile.rules))))
        self._swapped = SwappedClips(run.region_map, run.profile)
        self._mixed: MixedClips | None = None
        self._lost: LostLines | None = None
        self._selected: SwappedAddressClips | None = None
        self._coverage: CoverageCounter | None = None
        self._program = ProgramAccount(run)
        if run.board is not None:
            bits = (run.profile.address_bits, run.profile.data_bits)
            self._coverage = CoverageCounter(run.board, *bits, run.unwired)

    def take(self, block: Decoded) -> None:
        """One block, in the order of time."""
        run = self._run
        self._kinds += np.bincount(block.cycles.kind, minlength=len(Kind))
        cycles, compared = run.region_map.by_owner(block.cycles, block.compared)
        kept = self._log.append(cycles, compared)
        if kept is not None and self._coverage is not None:
            self._coverage.feed(*kept)
        self._lanes.feed(cycles)
        self._program.take(block)
        self._swapped.feed(block.cycles)
        self._signs = self._signs or _signs_of(run)
        self._signs.feed(block.levels, block.cycles)
        self._mixed = self._mixed or MixedClips(run.profile, run.layout, run.grid_ticks or 1.0)
        self._mixed.feed(block.levels, block.cycles)
        self._lost = self._lost or LostLines(run.profile, run.layout)
        self._lost.feed(block.levels, block.cycles)
        if run.board is not None:
            self._selected = self._selected or _selects_of(run, run.board)
            self._selected.feed(block.levels, block.cycles)
        if run.board_given:
            self._counter.feed(cycles, compared)
        else:
            outside = block.cycles.region < 0  # of what --ignore and --device name
            self._touched.feed(block.cycles if outside.all() else block.cycles.take(outside))

    @property
    def counts(self) -> tuple[RegionCounts, ...]:
        return self._counter.counts()

    def gathered(self, checked: CheckSetResult) -> Gathered:
        """All of it, beside what the checks found."""
        found = self._gathered(checked)
        found.program = self._program.finding()
        found.lost = self._lost.found() if self._lost is not None else ()
        return found

    def _gathered(self, checked: CheckSetResult) -> Gathered:
        run = self._run
        if run.board is None:
            found = _with_inferred_regions(run, self._log, self._touched, self._kinds, checked)
            found.signs = self._signs
            pair = self._mixed.finish() if self._mixed is not None else None
            if pair is not None:
                found.notes = [*found.notes, Note("swapped-clips", pair.sentence())]
                found.exchanged = (pair.lines, pair.sentence())
            return found
        pair = self._pair()
        notes = [*run.notes(), *([Note("swapped-clips", pair.sentence())] if pair is not None else [])]
        return Gathered(
            run=run,
            board=run.board,
            region_map=run.region_map,
            counts=self._counter.counts(run.ledger.stories() if run.ledger is not None else ()),
            log=self._log,
            traffic=self._lanes,
            kinds=self._kinds,
            checks=checked,
            notes=notes,
            coverage=self._coverage,
            signs=self._signs,
            exchanged=(pair.lines, pair.sentence()) if pair is not None else None,
        )

    def _pair(self) -> SwappedPair | SwappedLines | None:
        """Two lines whose clips look exchanged, by a ROM's image, by the selects, or by when they move."""
        for one in (self._swapped, self._selected, self._mixed):
            pair = one.finish() if one is not None else None
            if pair is not None:
                return pair
        return None


def _signs_of(run: Run) -> CaptureSigns:
    from busledger.decoder.diagnosis import CaptureSigns

    return CaptureSigns(run.profile, run.layout, run.grid_ticks)


def _selects_of(run: Run, board: Board) -> SwappedAddressClips:
    skew = skew_of(run.grid_ticks, run.tick_fs)
    return SwappedAddressClips(board, run.profile, run.layout, max(1, skew))


def _checks_of(run: Run, *, time_everything: bool) -> CheckSet:
    board = run.board if run.board is not None else Board.from_regions("", (), bus=run.profile.name)
    common = (board, run.profile, run.layout, run.tick_fs, run.grid_ticks)
    return CheckSet(*common, time_everything=time_everything)


def _with_inferred_regions(
    run: Run, log: AccessLog, touched: TrafficMap, kinds: NDArray[np.int64], checked: CheckSetResult
) -> Gathered:
    """Sort the accesses into the regions that the traffic shows; those outside any stay counted as such."""
    from busledger.decoder.diagnosis import TrafficCounter

    regions = [
        Region(
            name=f"{found.start:04X}-{found.end:04X}",
            start=found.start,
            end=found.end,
            kind="ram",
            space=cast(Literal["memory", "program"], found.space),
            inferred=True,
        )
        for found in touched.runs()
    ]
    board = Board.from_regions(
        "", [*regions, *left_out(run.request.ignored, run.request.devices)], bus=run.profile.name
    )
    region_map = region_map_of(board.regions, run.profile)
    counter = Counter(region_map)
    lanes = TrafficCounter(len(board.regions), run.profile.data_bits)
    inside = AccessLog()
    for cycles, compared in log.blocks():
        region_map.locate(cycles, region_map.spaces(cycles))
        counter.feed(cycles, compared)
        lanes.feed(cycles)
        inside.append(cycles, compared)
    log.close()
    notes = run.notes()
    if not regions:
        notes.append(
            Note(
                "no-region",
                "no run of addresses was both written and read, so no memory can be judged: "
                "capture a memory test, or state a region with --region NAME=4000-43FF",
            )
        )
    return Gathered(run, board, region_map, counter.counts(), inside, lanes, kinds, checked, notes)
