"""What the browser knows, in one frozen value, and every way in which it may change.

Widgets draw a ``BrowserState`` and call these functions; nothing here knows a
screen. Positions are cycle indices, times are ticks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.store import StoredLine, StoreFacts
from busledger.tui.filters import Filter

__all__ = [
    "BrowserState",
    "LineGroup",
    "Rows",
    "bits_below",
    "carry_over",
    "chosen_lane",
    "clear_filter",
    "flip_filter",
    "go_back",
    "go_to",
    "group_lines",
    "initial_state",
    "move",
    "move_cell",
    "move_to_end",
    "neighbour",
    "pan",
    "place_caret",
    "say",
    "select_cell",
    "select_evidence",
    "select_lane",
    "select_note",
    "select_suspect",
    "set_filter",
    "set_mark",
    "step",
    "zoom",
]

_TRAIL = 64
_ZOOM_STEP = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The cycles that the list shows, in order: all of them, or those of a rising index array."""

    total: int
    picked: NDArray[np.uint32] | None = None

    def __len__(self) -> int:
        return self.total if self.picked is None else len(self.picked)

    def cycle(self, position: int) -> int:
        """The cycle shown at a position of the list."""
        return position if self.picked is None else int(self.picked[position])

    def position(self, cycle: int) -> int:
        """Where a cycle stands; for one that is not shown, where the next shown one stands (or the last)."""
        if self.picked is None:
            return cycle
        return min(int(np.searchsorted(self.picked, cycle)), max(0, len(self.picked) - 1))

    def __contains__(self, cycle: int) -> bool:
        if self.picked is None:
            return 0 <= cycle < self.total
        at = int(np.searchsorted(self.picked, cycle))
        return at < len(self.picked) and int(self.picked[at]) == cycle


@dataclass(frozen=True, slots=True)
class LineGroup:
    """Lines drawn together, the highest bit first: folded as one value in hex, else one below the other."""

    name: str
    lines: tuple[str, ...]
    folded: bool = True


@dataclass(frozen=True, slots=True)
class BrowserState:
    """Everything that a key can change.

    Attributes
    ----------
    cursor : the chosen cycle; always among ``rows``, unless these are empty: a move to a hidden cycle lifts the filter
    lifted : the filter that was put aside and its rows, for ``flip_filter`` to bring back
    trail : where ``go_back`` leads, the latest last
    region, lane : the chosen cell of the heat map (None: none chosen)
    suspect : place in the list of suspects; evidence : place among what speaks for it
    ticks_per_column, caret : the view of levels; ``caret`` is the time in its middle
    marks : two times, or None where not set
    note : place in the list of notes
    groups, hidden, group : lines of the levels view in order, those put away, the chosen place
    """

    total: int
    rows: Rows
    cursor: int = 0
    filter: Filter = field(default_factory=Filter)
    lifted: tuple[Filter, Rows] | None = None
    trail: tuple[int, ...] = ()
    region: int | None = None
    lane: int | None = None
    suspect: int = 0
    evidence: int = 0
    ticks_per_column: float = 1.0
    caret: int | None = None
    marks: tuple[int | None, int | None] = (None, None)
    note: int = 0
    groups: tuple[LineGroup, ...] = ()
    hidden: tuple[LineGroup, ...] = ()
    group: int = 0
    message: str = ""
    tone: Literal["dim", "wrong", "good"] = "dim"


def group_lines(lines: Sequence[StoredLine]) -> tuple[LineGroup, ...]:
    """The first arrangement: control lines, then address and data folded, then selects and the rest."""
    by_role: dict[str, list[str]] = {}
    for line in lines:
        by_role.setdefault(line.role, []).append(line.name)
    groups: list[LineGroup] = []
    for role in ("control", "address", "data", "select", "other"):
        names = by_role.get(role, [])
        if role in ("address", "data") and len(names) > 1:
            highest_first = tuple(sorted(names, key=_bit_number, reverse=True))
            groups.append(LineGroup(f"{highest_first[0]}-{highest_first[-1]}", highest_first, role == "address"))
        else:
            groups.extend(LineGroup(name, (name,)) for name in names)
    return tuple(groups)


def bits_below(lines: Sequence[str]) -> int:
    """How many address bits a bus does not have below these lines, highest first: a 68000's A23 … A1 count words, and
    their value is an address with a last bit of 0. None for other lines, or a part of the address from A4 up."""
    numbers = [int(name[1:]) for name in lines if name[:1] == "A" and name[1:].isdigit()]
    whole = len(numbers) == len(lines) and numbers == list(range(numbers[0], numbers[-1] - 1, -1))
    return numbers[-1] if whole and numbers[-1] < 4 else 0


def _bit_number(name: str) -> tuple[int, str]:
    digits = name[len(name.rstrip("0123456789")) :]
    return (int(digits) if digits else -1, name)


def initial_state(facts: StoreFacts, total: int, span_ticks: int) -> BrowserState:
    """The state when a capture has just been opened; a column starts as an eightieth of four cycles."""
    per_cycle = span_ticks / max(1, total)
    return BrowserState(
        total=total,
        rows=Rows(total),
        ticks_per_column=max(1.0, per_cycle * 4 / 80),
        groups=group_lines(facts.lines),
    )


def carry_over(before: BrowserState, fresh: BrowserState) -> BrowserState:
    """After a reload: the chosen place, lane, suspect and arrangement of lines, as far as the new capture has them."""
    lines = {name for group in fresh.groups for name in group.lines}
    kept = {name for group in (*before.groups, *before.hidden) for name in group.lines}
    same = lines == kept
    return replace(
        fresh,
        cursor=max(0, min(before.cursor, fresh.total - 1)),
        region=before.region,
        lane=before.lane,
        suspect=before.suspect,
        ticks_per_column=before.ticks_per_column,
        groups=before.groups if same else fresh.groups,
        hidden=before.hidden if same else (),
        group=before.group if same else 0,
    )


def say(state: BrowserState, message: str, tone: Literal["dim", "wrong", "good"] = "dim") -> BrowserState:
    """Show a sentence until the next move."""
    return replace(state, message=message, tone=tone)


# -- cycles ---------------------------------------------------------------------------------------


def _at(state: BrowserState, cursor: int) -> BrowserState:
    there = replace(state, cursor=max(0, min(cursor, state.total - 1)), caret=None, message="", tone="dim")
    if there.filter.empty or there.cursor in there.rows:
        return there
    return say(_lift(there), "The filter hid this cycle and is off now. F puts it back.")


def _lift(state: BrowserState) -> BrowserState:
    return replace(state, filter=Filter(), rows=Rows(state.total), lifted=(state.filter, state.rows))


def move(state: BrowserState, by: int) -> BrowserState:
    """Up or down the list."""
    count = len(state.rows)
    if count == 0:
        return say(state, "The filter shows no cycle.") if state.total else state
    return _at(state, state.rows.cycle(max(0, min(state.rows.position(state.cursor) + by, count - 1))))


def step(state: BrowserState, by: int) -> BrowserState:
    """To the cycle before or after in the capture, whatever the filter shows."""
    return _at(state, state.cursor + by) if state.total else state


def move_to_end(state: BrowserState, last: bool) -> BrowserState:
    """To the first or the last cycle of the list."""
    count = len(state.rows)
    return state if count == 0 else _at(state, state.rows.cycle(count - 1 if last else 0))


def go_to(state: BrowserState, cycle: int) -> BrowserState:
    """Jump, and remember the way back. Outside the capture: to its nearest end."""
    if cycle == state.cursor:
        return replace(state, message="", caret=None)
    return replace(_at(state, cycle), trail=(*state.trail, state.cursor)[-_TRAIL:])


def go_back(state: BrowserState) -> BrowserState:
    """To where the last jump came from."""
    if not state.trail:
        return say(state, "There is no jump to go back from.")
    return replace(_at(state, state.trail[-1]), trail=state.trail[:-1])


def neighbour(rows: NDArray[np.int64], cursor: int, step: int) -> int | None:
    """The next (step 1) or previous (-1) of rising ``rows`` beyond the cursor; None where there is none."""
    if step > 0:
        at = int(np.searchsorted(rows, cursor, "right"))
        return int(rows[at]) if at < len(rows) else None
    at = int(np.searchsorted(rows, cursor, "left"))
    return int(rows[at - 1]) if at else None


def set_filter(state: BrowserState, wanted: Filter, picked: NDArray[np.uint32]) -> BrowserState:
    """Show only these cycles. The cursor goes to the nearest one shown, unless none is."""
    shown = replace(state, filter=wanted, rows=Rows(state.total, picked), lifted=None, message="", tone="dim")
    if len(picked) == 0:
        return say(shown, "No cycle meets the filter.", "wrong")
    return _at(shown, shown.rows.cycle(shown.rows.position(state.cursor)))


def clear_filter(state: BrowserState) -> BrowserState:
    """Show all cycles; the cursor stays."""
    return replace(state, filter=Filter(), rows=Rows(state.total), lifted=None, message="", tone="dim")


def flip_filter(state: BrowserState) -> BrowserState:
    """Put the filter aside, or bring back the one that was."""
    if not state.filter.empty:
        return replace(_lift(state), message="", tone="dim")
    if state.lifted is None:
        return say(state, "No filter is on. f sets one.")
    wanted, rows = state.lifted
    return set_filter(state, wanted, rows.picked) if rows.picked is not None else clear_filter(state)


def select_lane(state: BrowserState, lane: int | None) -> BrowserState:
    """Choose the lane that the lane searches follow."""
    return replace(state, lane=lane, message="", tone="dim")


def chosen_lane(state: BrowserState, mismatch: int) -> int | None:
    """The lane to search for: the chosen one, else the lowest that differs in the cycle at hand."""
    if state.lane is not None:
        return state.lane
    return (mismatch & -mismatch).bit_length() - 1 if mismatch else None


def select_cell(state: BrowserState, region: int | None, lane: int | None) -> BrowserState:
    """Choose a cell of the heat map."""
    return replace(state, region=region, lane=lane, message="", tone="dim")


def select_suspect(state: BrowserState, suspect: int, count: int) -> BrowserState:
    """Choose a suspect; beyond either end: the one at that end."""
    return replace(state, suspect=max(0, min(suspect, count - 1)), evidence=0, message="", tone="dim")


def select_evidence(state: BrowserState, by: int, count: int) -> BrowserState:
    """Choose the next piece of evidence down or up; beyond either end: the one at that end."""
    return replace(state, evidence=max(0, min(state.evidence + by, count - 1)), message="", tone="dim")


def select_note(state: BrowserState, by: int, count: int) -> BrowserState:
    """Choose the next note down or up; beyond either end: the one at that end."""
    return replace(state, note=max(0, min(state.note + by, count - 1)), message="", tone="dim")


def move_cell(state: BrowserState, down: int, right: int, regions: int, lanes: int) -> BrowserState:
    """Move over the heat map, whose highest lane is at the left; from nowhere, to its first cell."""
    if not regions or not lanes:
        return state
    if state.region is None or state.lane is None:
        return select_cell(state, state.region or 0, lanes - 1 if state.lane is None else state.lane)
    region = max(0, min(state.region + down, regions - 1))
    return select_cell(state, region, max(0, min(state.lane - right, lanes - 1)))


# -- levels ---------------------------------------------------------------------------------------


def zoom(state: BrowserState, closer: bool, span_ticks: int) -> BrowserState:
    """Twice as close, or twice as far, between a 16th of a tick and the whole capture in 40 columns."""
    wanted = state.ticks_per_column / _ZOOM_STEP if closer else state.ticks_per_column * _ZOOM_STEP
    return replace(state, ticks_per_column=max(1 / 16, min(wanted, max(1.0, span_ticks / 40))), message="")


def place_caret(state: BrowserState, ticks: int) -> BrowserState:
    """Put the middle of the levels view on a time."""
    return replace(state, caret=ticks, message="", tone="dim")


def pan(state: BrowserState, columns: float, caret: int, first: int, last: int) -> BrowserState:
    """Move the view by columns from ``caret``, staying between ``first`` and ``last``; at least one tick."""
    ticks = columns * state.ticks_per_column
    whole = round(ticks) or (1 if ticks > 0 else -1)
    return place_caret(state, max(first, min(caret + whole, last)))


def set_mark(state: BrowserState, which: Literal[0, 1], ticks: int) -> BrowserState:
    """Put the first or second mark on a time; on the same time again: take it away."""
    marks = list(state.marks)
    marks[which] = None if marks[which] == ticks else ticks
    return replace(state, marks=(marks[0], marks[1]), message="", tone="dim")
