"""A session made ready for the screens, and the searches that start from its chosen cycle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.text import plain
from busledger.tui.session import BoardLike, Session
from busledger.tui.source import CycleSource, Match, StoreSource, find_match
from busledger.tui.state import BrowserState, chosen_lane

__all__ = ["Loaded", "Search", "address_search", "find_around", "lane_search", "part_search"]


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A session with its source; ``first`` and ``last`` are the times of the first and last level, ticks."""

    session: Session
    source: CycleSource
    first: int
    last: int

    @classmethod
    def of(cls, session: Session) -> Loaded:
        """Make a session ready; nothing is read but the ends of the columns."""
        source = StoreSource(session.store)
        time = source.capture.time
        if not len(time):
            time = source.cycles.time
        first, last = (int(time[0]), int(time[-1])) if len(time) else (0, 0)
        return cls(session, source, first, last)

    @property
    def board(self) -> BoardLike | None:
        """The board, if there is one."""
        return self.session.board

    @property
    def span(self) -> int:
        """Ticks from the first to the last level, at least 1."""
        return max(1, self.last - self.first)


@dataclass(frozen=True, slots=True)
class Search:
    """What to look for, and the sentence to say when there is none (with a place for "later" or "earlier")."""

    match: Match
    nothing: str


def _in_lanes(regions: list[int] | None, lanes: int) -> Match:
    mask = np.uint32(lanes)

    def match(cycles: Cycles, compared: Compared) -> NDArray[np.bool_]:
        hits: NDArray[np.bool_] = (compared.mismatch & mask) != 0
        return hits if regions is None else hits & np.isin(cycles.region, regions)

    return match


def lane_search(loaded: Loaded, state: BrowserState) -> Search | str:
    """Mismatches on the chosen lane; a sentence where no lane is chosen or implied."""
    if not loaded.source.total:
        return "The capture holds no cycles."
    lane = chosen_lane(state, loaded.source.row(state.cursor).mismatch)
    if lane is None:
        return "Choose a data lane first: 0 to 9, or in the heat map."
    return Search(_in_lanes(None, 1 << lane), f"No {{}} cycle is wrong on D{lane}.")


def part_search(loaded: Loaded, state: BrowserState) -> Search | str:
    """Mismatches on the chip that serves the lane at hand; without chips, in the region at hand."""
    if not loaded.source.total:
        return "The capture holds no cycles."
    row = loaded.source.row(state.cursor)
    if row.region < 0:
        return "This cycle is outside all regions; no part serves it."
    board, lanes = loaded.board, (1 << loaded.source.facts.data_bits) - 1
    lane = chosen_lane(state, row.mismatch)
    chips = board.regions[row.region].chips if board is not None and row.region < len(board.regions) else ()
    chip = next((chip for chip in chips if lane is None or lane in chip.lanes), None)
    if chip is None or board is None:
        name = plain(loaded.source.facts.regions[row.region].name)
        return Search(_in_lanes([row.region], lanes), f"No {{}} cycle is wrong in {name}.")
    # One chip may serve several regions, each with other lanes of it.
    serves = [(r, c) for r, region in enumerate(board.regions) for c in region.chips if c.designator == chip.designator]
    parts = [_in_lanes([r], sum(1 << bit for bit in c.lanes)) for r, c in serves]

    def match(cycles: Cycles, compared: Compared) -> NDArray[np.bool_]:
        hits = np.zeros(len(cycles), np.bool_)
        for part in parts:
            hits |= part(cycles, compared)
        return hits

    return Search(match, f"No {{}} cycle is wrong on {plain(chip.designator)}.")


def address_search(loaded: Loaded, address: int) -> Search:
    """Cycles at an address, all of whose bits are known."""
    wanted = np.uint32(address)

    def match(cycles: Cycles, compared: Compared) -> NDArray[np.bool_]:
        hits: NDArray[np.bool_] = (cycles.address == wanted) & (cycles.address_unknown == 0)
        return hits

    digits = (loaded.source.facts.address_bits + 3) // 4
    return Search(match, f"No {{}} cycle is at {address:0{digits}X}.")


def find_around(source: CycleSource, match: Match, start: int) -> Iterator[tuple[int, int | None]]:
    """The next match at or after ``start``, else the first before it: as ``find_match``, but goes round once."""
    looked = 0
    for looked, place in find_match(source, match, start - 1, 1):
        yield looked, place
        if place is not None:
            return
    for more, place in find_match(source, match, -1, 1):
        yield looked + more, place if place is None or place < start else None
        if place is not None or more >= start:
            return
