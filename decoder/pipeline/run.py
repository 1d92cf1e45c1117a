"""One capture, bound to a bus and a board, decoded block by block.

The only place that knows the order of the floors: capture → wiring → bus →
ledger. Everything that answers a question (``check``, ``cycles``, the checks,
the browser) starts from a ``Run``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from busledger.decoder.board import Board, LineLevel
from busledger.decoder.bus import (
    CycleExtractor,
    Cycles,
    Layout,
    Ports,
    Profile,
    find_eyes,
    line_needs,
    unwired_address,
)
from busledger.decoder.capture import Capture, CaptureFile, Note, beginning, open_capture, with_sample_grid
from busledger.decoder.checks import skew_of
from busledger.decoder.durations import format_duration
from busledger.decoder.errors import BusledgerError, UsageError
from busledger.decoder.ledger import Compared, Ledger, LineLevels, RegionMap, SelectedRegions, Verdict
from busledger.decoder.marks import Marks
from busledger.decoder.pipeline.request import Request, bus_and_board, marks_of, region_map_of
from busledger.decoder.pipeline.stated import left_out
from busledger.decoder.progress import Progress, silent
from busledger.decoder.wiring import Wiring, bind, load_wiring

__all__ = ["Decoded", "Run", "bound_run", "open_run"]

FS = 1e-15
# What a run changes as it decodes; all of it goes into a pickle, and comes out as it was.
_DECODING = (
    "grid_ticks", "exact", "rows", "first_tick", "last_tick", "gaps", "extractor", "ledger", "_selected",
    "_line_levels", "_eyes", "_next_row", "_ports",
)  # fmt: skip
EXACT_TEXT = (
    "taken for the dump of a simulation without delays: a change at an edge's own stamp counts as after it, "
    "and no set-up or hold time is judged"
)


@dataclass(slots=True)
class Decoded:
    """One block on its way up: levels, cycles, what the ledger says, gaps that became known."""

    levels: Capture
    cycles: Cycles
    compared: Compared
    gaps: list[tuple[int, int]]


@dataclass
class Run:
    """An opened capture with everything that is needed to decode it once.

    ``grid_ticks`` is the analyser's sample interval (None where the times lie
    on no grid), ``exact`` whether there are no delays in them, both
    known once the first block has been read; so are the counts and ``notes``.
    """

    file: CaptureFile
    profile: Profile
    board: Board | None
    board_given: bool
    wiring: Wiring
    layout: Layout
    region_map: RegionMap
    unwired: int
    request: Request
    grid_ticks: float | None = None
    exact: bool = False
    rows: int = 0
    first_tick: int | None = None
    last_tick: int = 0
    gaps: list[tuple[int, int]] = field(default_factory=list)
    extractor: CycleExtractor | None = None
    ledger: Ledger | None = None
    _selected: SelectedRegions | None = None
    _line_levels: LineLevels | None = None
    _eyes: Mapping[str, Any] = field(default_factory=dict)
    _next_row: int = 0
    _ports: Ports | None = None

    @property
    def tick_fs(self) -> int:
        return self.file.header.tick_fs

    @property
    def tick_s(self) -> float:
        return self.tick_fs * FS

    @property
    def marks(self) -> Marks:
        """The active-low lines of the bus and the card, for all that people read."""
        return marks_of(self.profile, self.board)

    @property
    def region_names(self) -> tuple[str, ...]:
        return tuple(r.name for r in self.region_map.regions)

    @property
    def clipped(self) -> frozenset[str]:
        """The lines that a channel carries."""
        return frozenset(self.wiring.lines)

    def notes(self) -> list[Note]:
        """What the floors below have to tell so far, without repetitions."""
        found = [*self.file.notes, *self.wiring.notes]
        if self.exact:
            found.append(Note("exact", EXACT_TEXT))
        if self.extractor is not None:
            found += self.extractor.notes
        if self._ports is not None:
            found += self._ports.notes()
        found += self._assumption()
        return list(dict.fromkeys(found))

    def blocks(self, block_rows: int = 1 << 18) -> Iterator[Decoded]:
        """Decode the whole capture; memory does not grow with its length."""
        grid_ticks, exact, rows = with_sample_grid(self._levels(block_rows), self.request.exact)
        shown, rows = beginning(rows)
        self.begin(grid_ticks, exact, shown)
        for levels in rows:
            yield self.step(levels)
        yield self.end()

    def begin(self, grid_ticks: float | None, exact: bool, shown: Sequence[Capture]) -> None:
        """Make ready for the first block; ``shown``: the rows that tell what the capture is like (``beginning``)."""
        self.grid_ticks, self.exact = grid_ticks, exact
        eyes = find_eyes(self.profile, self.layout, shown, self.tick_fs, grid_ticks, self.request.grade)
        self._eyes = dict(eyes)
        self._prepare()

    def step(self, levels: Capture) -> Decoded:
        """The next block of levels, decoded; any division into blocks gives the same."""
        if self.extractor is None:
            common = (self.profile, self.layout, self.tick_fs, self.grid_ticks, self.request.grade)
            self.extractor = CycleExtractor(*common, self.exact, self._eyes)
        self._account(levels)
        return self._decoded(levels, self.extractor.feed(levels), self._fresh_gaps())

    def end(self) -> Decoded:
        """What the last block left waiting."""
        if self.extractor is None:
            self._complain_of_window()
            # Nothing came: let the extractor say what is missing.
            self.extractor = CycleExtractor(self.profile, self.layout, self.tick_fs, None, self.request.grade)
        cycles = self.extractor.finish()
        return self._decoded(_no_rows(self.tick_fs, self.layout, self._next_row), cycles, self._fresh_gaps())

    def _fresh_gaps(self) -> list[tuple[int, int]]:
        assert self.extractor is not None
        fresh = self.extractor.gaps[len(self.gaps) :]
        self.gaps += fresh
        return fresh

    def decoding(self) -> dict[str, Any]:
        """All that changes while a capture is decoded: what ``go_on`` takes up again in a run bound alike."""
        return {name: getattr(self, name) for name in _DECODING}

    def go_on(self, state: Mapping[str, Any]) -> None:
        """Take up what ``decoding`` of an earlier run gave."""
        for name in _DECODING:
            setattr(self, name, state[name])

    def _complain_of_window(self) -> None:
        """Nothing lies between --from and --to: say where the capture does lie."""
        if self.request.t_from is None and self.request.t_to is None:
            return
        end = format_duration(self._end * self.tick_fs)
        raise UsageError(
            "the capture holds nothing in the time asked for",
            where=self.file.path,
            expected=f"--from and --to within what was recorded, which ends at {end}",
        )

    def _prepare(self) -> None:
        """The ledger, and what it must be told of each block beside the cycles."""
        board = self.board
        if board is not None and self.unwired:
            self._selected = SelectedRegions(board, self.region_map, self.layout, self.unwired)
        selects = self._selected.selects if self._selected is not None else ()
        named = [one.line for one in self.region_map.conditions if isinstance(one, LineLevel)]
        skew = max(1, skew_of(self.grid_ticks, self.tick_fs))
        self._line_levels = LineLevels([*selects, *named], self.layout, skew)
        self.ledger = Ledger(
            self.region_map,
            self.profile.address_bits,
            unwired=self.unwired if self._selected is None else self._selected.hidden,
            whole_space=not self.board_given,
            unclipped=self.unwired,
        )

    def _decoded(self, levels: Capture, cycles: Cycles, gaps: list[tuple[int, int]]) -> Decoded:
        """One block with the ledger's word on it; whoever watches sees its cycles."""
        assert self.ledger is not None and self._line_levels is not None
        self._ports = self._ports or Ports(self.profile, self.layout)
        self._ports.feed(cycles)
        seen = self._line_levels.feed(levels, cycles)
        selects = self._selected.fill(cycles, seen) if self._selected is not None else None
        compared = self.ledger.feed(cycles, gaps, levels=seen, selects=selects)
        if self.ledger.shared:  # where the cell is not known, two reads that differ say nothing of each other
            unsaid = (compared.verdict == Verdict.UNKNOWN) | (compared.verdict == Verdict.DISAGREES)
            compared.verdict[unsaid] = Verdict.AMBIGUOUS
        if self.request.watch is not None:
            self.request.watch(cycles)
        return Decoded(levels, cycles, compared, gaps)

    @property
    def assumed(self) -> tuple[str, ...]:
        """Regions whose traffic was told by the board file alone, taken to name all memory there is, because address
        lines are not clipped."""
        return () if self._selected is None else self._selected.assumed

    @property
    def counted(self) -> tuple[str, ...]:
        """Regions whose cells differ in address lines that are not clipped, and were told apart by counting along."""
        return () if self._selected is None else self._selected.divided

    @property
    def unclipped(self) -> str:
        """The names of the address lines that no channel carries."""
        return self._lines_of(self.unwired)

    def _assumption(self) -> list[Note]:
        return [*self._assumed_count(), *self._assumed_memory()]

    def _assumed_count(self) -> list[Note]:
        """What was made of lines within a region that no channel carries."""
        if self.ledger is None or self._selected is None or not self.ledger.shared:
            return []
        told, asked = self.ledger.counted.told, self.ledger.counted.asked
        lines = self._lines_of(self._selected.hidden)
        text = f"{lines} not clipped, though cells of a region differ there: "
        if told:
            text += (
                f"{told} of {asked} accesses ran on in even steps and were counted along, as if the program never "
                "turned back in the middle; of the others little can be compared"
            )
        else:
            text += "which cell was meant is not known, and little can be compared"
        return [Note("hidden-cells", text)] if asked else []

    def _lines_of(self, mask: int) -> str:
        return ", ".join(f"A{bit}" for bit in range(self.profile.address_bits) if mask >> bit & 1)

    def _assumed_memory(self) -> list[Note]:
        if not self.assumed:
            return []
        text = (
            f"{self.unclipped} not clipped: what looks like {', '.join(self.assumed)} on the other lines is taken to "
            "be it, as if the board file named all the memory there is; if the machine has more, clip these lines or "
            "add it"
        )
        return [Note("assumed-all-memory", text)]

    def _account(self, levels: Capture) -> None:
        self._next_row = levels.first_row + len(levels)
        if not len(levels):
            return
        self.rows += len(levels)
        if self.first_tick is None:
            self.first_tick = int(levels.time[0])
        self.last_tick = int(levels.time[-1])

    def _levels(self, block_rows: int) -> Iterator[Capture]:
        start = None if self.request.t_from is None else -(-self.request.t_from // self.tick_fs)
        stop = None if self.request.t_to is None else self.request.t_to // self.tick_fs
        for block in self.file.blocks(self.layout.select, block_rows=block_rows, from_start=True):
            if not len(block) or (start is not None and int(block.time[-1]) < start):
                continue
            if stop is not None and int(block.time[0]) > stop:
                return
            yield _crop(block, start, stop)
        if stop is not None and self._end < stop:
            end = format_duration(self._end * self.tick_fs)
            self.file.notes.append(Note("short-of-to", f"the capture ends at {end}, before the time given with --to"))

    @property
    def _end(self) -> int:
        """Ticks from the capture's start to the last stamp read so far."""
        return self.file.end_time - self.file.origin

    @property
    def duration_s(self) -> float:
        """Seconds from the first to the last row decoded."""
        return 0.0 if self.first_tick is None else (self.last_tick - self.first_tick) * self.tick_s


def open_run(request: Request, progress: Progress = silent) -> Run:
    """Open the capture, load bus and board, and clip them together.

    Raises
    ------
    UsageError
        neither a board nor a profile, or a region that cannot be read.
    CaptureError, WiringError, ProfileError, BoardError
        as the floors below find.
    """
    profile, board = bus_and_board(request)
    file = open_capture(**request.opening, progress=progress)
    return bound_run(request, file, profile, board)


def bound_run(request: Request, file: CaptureFile, profile: Profile, board: Board | None) -> Run:
    """Clip an opened capture to bus and board; the file is closed where that fails.

    Raises
    ------
    WiringError
        a line that must be there has no channel.
    """
    try:
        table: Mapping[str, str] = dict(board.wiring) if board is not None else {}
        if request.wiring is not None:
            table = {**table, **load_wiring(request.wiring)}
        extra = board.lines() if board is not None else ()
        wiring = bind(file.header.signals, line_needs(profile, extra, any_subset=request.any_subset), table=table)
        layout = Layout(profile, wiring, extra)
    except BusledgerError:
        file.close()
        raise
    regions = board.regions if board is not None else left_out(request.ignored, request.devices)
    region_map = region_map_of(regions, profile)
    return Run(
        file=file,
        profile=profile,
        board=board,
        board_given=board is not None,
        wiring=wiring,
        layout=layout,
        region_map=region_map,
        unwired=unwired_address(profile, layout),
        request=request,
    )


def _crop(block: Capture, start: int | None, stop: int | None) -> Capture:
    """The rows from ``start`` to ``stop`` ticks; the levels that held at ``start`` stay as its first row."""
    time = block.time
    low = 0 if start is None else max(int(np.searchsorted(time, start, side="right")) - 1, 0)
    high = len(block) if stop is None else int(np.searchsorted(time, stop, side="right"))
    if low == 0 and high == len(block):
        return block
    cut = block.slice(low, high)
    if start is not None and len(cut) and cut.time[0] < start:
        cut.time = cut.time.copy()
        cut.time[0] = start
    return cut


def _no_rows(tick_fs: int, layout: Layout, first_row: int) -> Capture:
    words = max(1, (len(layout.select) + 63) // 64)
    return Capture(
        time=np.zeros(0, np.int64),
        levels=np.zeros((0, words), np.uint64),
        unknown=np.zeros((0, words), np.uint64),
        tick_fs=tick_fs,
        first_row=first_row,
    )
