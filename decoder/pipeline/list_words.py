"""What is said of a list of errors beside the answer: how it was taken, what makes it doubtful, what it cannot tell."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from busledger.decoder.board import Board
from busledger.decoder.errors_list import ErrorList
from busledger.decoder.figures import plural
from busledger.decoder.findings import NextStep, WarningFinding
from busledger.decoder.pipeline.listed_accesses import WAYS, ListedAccesses

__all__ = ["ListFacts", "cannot_tell", "clip_step", "doubts", "taken"]

_FULL_SCREENS = frozenset((15, 16, 20, 22, 23, 24, 25, 31, 32))
_ENOUGH_TO_DOUBT = 12  # errors at as many addresses without one of the letters A-F among their figures: 1 in 10 000 000
_NAMED = 4


@dataclass(frozen=True)
class ListFacts:
    """The list, what was made of it, and what was said of it; ``left_out``: regions that a list cannot judge;
    ``otherwise``: (way, summary) of faults that explain it as well if the test went another way."""

    listed: ErrorList
    accesses: ListedAccesses
    board: Board
    way: str
    tested: tuple[tuple[int, int], ...]
    cut: bool
    outside: int
    left_out: tuple[str, ...] = ()
    otherwise: tuple[tuple[str, str], ...] = ()
    decimal: bool = False

    @property
    def struck(self) -> list[int]:
        """Regions (indexes) with a listed error."""
        address = self.accesses.address
        return [k for k, r in enumerate(self.board.regions) if bool(((address >= r.start) & (address <= r.end)).any())]

    @property
    def compared(self) -> set[int]:
        """Regions (indexes) of which something is known to have come back right."""
        words = self.accesses.words[self.accesses.right]
        return {k for k, r in enumerate(self.board.regions) if bool(((words >= r.start) & (words <= r.end)).any())}

    @property
    def lanes(self) -> list[str]:
        """Data lanes that came back wrong at least once."""
        wrong = int(np.bitwise_or.reduce(self.accesses.wrote ^ self.accesses.read))
        return [f"D{bit}" for bit in range(self.accesses.data_bits) if wrong >> bit & 1]


def taken(facts: ListFacts) -> list[str]:
    """How the lines were read, and what the test is taken to have done."""
    listed, accesses = facts.listed, facts.accesses
    orders = " or ".join(", ".join(order) for order in listed.orders)
    how = "as stated" if listed.stated else "found by trying the orders"
    held = f"{plural(len(listed), 'error')} in {plural(listed.lines, 'line')}"
    return [
        f"{held}, {listed.passed_over or 'none'} passed over; figures taken as {orders} ({how}).",
        f"The test is taken to have written {accesses.pattern.told}, and to have {WAYS[facts.way]}.",
    ]


def doubts(facts: ListFacts) -> tuple[WarningFinding, ...]:
    """What makes the answer less sure, the gravest first."""
    return tuple(WarningFinding(code=code, text=text) for code, text in _doubts(facts))


def _doubts(facts: ListFacts) -> Iterator[tuple[str, str]]:
    listed, accesses = facts.listed, facts.accesses
    if not facts.tested:
        yield (
            "tested-not-said",
            "without --tested nothing is known to have come back right, and no rate is known: "
            "say what the test went over, such as --tested 4000-4FFF",
        )
    elif not facts.cut and len(listed) in _FULL_SCREENS:
        yield (
            "full-screen",
            f"{len(listed)} errors just fill a screen: if more scrolled away, say --cut, and only what lies between "
            "the first and the last is taken to have come back right",
        )
    if facts.cut:
        yield "list-cut", "the list is cut: nothing is taken as right below its lowest address or above its highest"
    if len(listed) == 1:
        yield (
            "one-error",
            "one error says where it happened, not that the part is bad (noise on the supply looks the same): run the "
            "test several times and list all of them",
        )
    if not listed.in_letters and not facts.decimal and len(np.unique(listed.address)) >= _ENOUGH_TO_DOUBT:
        yield "maybe-decimal", "no figure of the list has a letter in it: if the test prints decimal, say --decimal"
    if listed.doubt:
        order = ",".join(listed.orders[0])
        yield "order", f"{listed.doubt}; it is taken as {order}: if it is otherwise, say --order"
    for way, summary in facts.otherwise:
        yield "way", f"had the test {WAYS[way]}, this would explain the list as well: {summary}"
    if not accesses.pattern.known:
        yield (
            "pattern-unknown",
            "what was written follows no rule known here, so lanes that failed in a region are taken as unknown where "
            "it is not listed, and the others as figures drawn by chance",
        )
    if facts.outside:
        yield "outside", f"{plural(facts.outside, 'error')} at addresses outside the board's memory, not weighed"
    if accesses.passes is not None and accesses.weighed < accesses.passes:
        yield (
            "passes",
            f"{accesses.weighed} of {accesses.passes} passes are weighed: rates come out higher than they are",
        )
    elif accesses.passes is not None and accesses.weighed > accesses.passes:
        yield (
            "passes",
            f"an address is listed {accesses.weighed} times with the same data: {accesses.weighed} passes are weighed, "
            f"not {accesses.passes}",
        )
    if facts.left_out:
        yield "banked", f"{', '.join(facts.left_out)} share addresses: a list cannot tell them apart, so not weighed"
    if listed.shown and listed.passed_over > len(listed):
        yield "passed-over", f"{listed.passed_over} lines passed over, the first: {listed.shown[0]}"


def cannot_tell(facts: ListFacts) -> list[str]:
    """What a list leaves open whatever it holds, in the board's own names."""
    board = facts.board
    said = []
    drivers = [b.designator for b in board.buffers if b.lanes]
    behind = f"{', '.join(drivers)} or the bus" if drivers else "a driver or the bus"
    if facts.compared <= set(facts.struck):
        said.append(
            f"A lane that fails wherever it was tested may be {behind}, or the chips: a list does not part them."
        )
    selects = [r.select for r in board.regions if r.select]
    named = f" ({', '.join(selects[:_NAMED])}{', …' if len(selects) > _NAMED else ''})" if selects else ""
    said.append(f"Nothing is seen of the selects{named}: a bank without its select and a dead row look alike.")
    said.append("Nothing is seen of time: a slow or leaking chip, a late strobe, noise, all look like wrong data.")
    return said


def clip_step(facts: ListFacts) -> NextStep:
    """What to clip next, for what the list cannot tell."""
    board = facts.board
    struck = [board.regions[k] for k in facts.struck]
    lanes = facts.lanes
    lines = [*dict.fromkeys(r.select for r in struck if r.select)][:_NAMED]
    names = {r.name for r in struck}
    lines += [
        far for b in board.buffers if names & set(b.serves) for lane in lanes[:2] if (far := b.far_side.get(lane, ""))
    ]
    beside = f" and {', '.join(lines)}" if lines else ""
    text = (
        f"Clip the bus ({', '.join(lanes[:_NAMED])} above all){beside}, record the test once more, and run "
        "'busledger check' on it: that parts what a list cannot."
    )
    return NextStep(text=text, clip=(*lanes, *lines))
