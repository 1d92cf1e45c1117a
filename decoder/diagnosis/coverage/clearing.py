"""The elimination that an expert does in the head, written down: which parts the capture shows working.

A part is cleared on a lane (or a line, or a select) by reads that came back
right through it and would not have, had it failed; with them goes the failure
rate that they exclude at 95 % (exact, one-sided). Nothing that may itself be
the fault is cleared: a chip that read wrong is not, a driver's lane that read
wrong in one region is cleared only if other regions behind it are right too
often for the driver to be the cause.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, lane_names
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter
from busledger.decoder.diagnosis.statistics import clopper_pearson, rate_below
from busledger.decoder.figures import NO_BREAK, count, rarer_than
from busledger.decoder.findings import Cleared

__all__ = ["DATA_BUS", "clear"]

DATA_BUS = "data bus"
LEAST_RIGHT = 59  # reads: a part that fails in 1 of 20 would have shown with 95 %
LEAST_LEVEL = 10  # reads of each level on a lane: one that follows a coin would be right in all of them once in 1024
BY_CHANCE = 1e-3  # a driver is cleared beside a failing region only if its innocence is this sure (judged: it is said
# of every lane of every driver, some tens, so that one card in a hundred may hear it wrongly)
NOT_ACCUSED: Mapping[str, Collection[str]] = {}


def clear(counter: CoverageCounter, accused: Mapping[str, Collection[str]] = NOT_ACCUSED) -> tuple[Cleared, ...]:
    """Every component and lane that the counted accesses clear.

    Parameters
    ----------
    counter : fed with the whole access log
    accused : component → lanes (``D4``) on which a likely suspect accuses it, empty for all of it; those stay uncleared

    Returns
    -------
    ``Cleared`` findings: chips, data drivers, address drivers, decoders, and the bus's own
    lanes under the name ``data bus``. ``lanes`` lists data lanes, of an address driver its
    lines, of a decoder its selects; ``rate_below`` is the worst of those listed.
    """
    right, wrong = counter.levels[:, 0], counter.levels[:, 1].sum(axis=2)
    found = [
        *_chips(counter, right, wrong),
        *_data_drivers(counter),
        *_address_drivers(counter),
        *_decoders(counter),
    ]
    return tuple(kept for one in found if (kept := _without(one, accused)) is not None)


def _without(one: Cleared, accused: Mapping[str, Collection[str]]) -> Cleared | None:
    if one.component not in accused:
        return one
    named = set(accused[one.component])
    lanes = tuple(lane for lane in one.lanes if lane not in named)
    return one.model_copy(update={"lanes": lanes}) if named and lanes else None


def _shown(right: NDArray[np.int64]) -> bool:
    """Whether reads right (low, high) are enough to clear a lane."""
    return bool(right.sum() >= LEAST_RIGHT and right.min() >= LEAST_LEVEL)


def _said(shown: str, bound: float) -> str:
    """The evidence in one sentence: what was right, and the rate of failing that it excludes."""
    return f"{shown}; it fails less than {rarer_than(bound)}, if at all".replace(NO_BREAK, " ")


def _lane_finding(component: str, lanes: Mapping[int, NDArray[np.int64]], through: str) -> Cleared | None:
    """One finding for the lanes of a part; the figures are those of the lane with the fewest reads."""
    if not lanes:
        return None
    weakest = lanes[min(lanes, key=lambda lane: int(lanes[lane].sum()))]
    total, low, high = int(weakest.sum()), int(weakest[0]), int(weakest[1])
    bound = rate_below(total)
    each = "" if len(lanes) == 1 else "at least "
    on = "" if len(lanes) == 1 else " on each lane"
    shown = f"{lane_names(list(lanes))}: {each}{count(total)} reads right{through}{on}, {count(high)} high and "
    evidence = _said(f"{shown}{count(low)} low", bound)
    return Cleared(
        component=component, lanes=tuple(f"D{b}" for b in sorted(lanes)), evidence=evidence, rate_below=bound
    )


def _chips(counter: CoverageCounter, right: NDArray[np.int64], wrong: NDArray[np.int64]) -> list[Cleared]:
    """Chips without a wrong read on any of their lanes; the lanes seen at both levels often enough."""
    found = []
    for r, region in enumerate(counter.board.regions):
        for chip in region.chips:
            lanes = [b for b in chip.lanes if b < counter.data_bits]
            if wrong[r, lanes].any():
                continue
            finding = _lane_finding(
                chip.designator, {b: right[r, b] for b in sorted(lanes) if _shown(right[r, b])}, f" in {region.name}"
            )
            if finding:
                found.append(finding)
    return found


def _data_drivers(counter: CoverageCounter) -> list[Cleared]:
    """Data drivers lane by lane, then the bus itself as what carries every region."""
    board = counter.board
    compared = [r for r in range(len(board.regions)) if counter.is_compared(r)]
    carriers = [(b.designator, b.lanes, _served(board, b.serves, compared)) for b in board.buffers if b.lanes]
    carriers.append((DATA_BUS, tuple(range(counter.data_bits)), compared))
    found = []
    for name, lanes, regions in carriers:
        known = [b for b in sorted(lanes) if b < counter.data_bits]
        cleared = {b: kept for b in known if (kept := _through(counter, b, regions)) is not None}
        finding = _lane_finding(name, cleared, " through it" if name != DATA_BUS else "")
        if finding:
            found.append(finding)
    return found


def _served(board: Board, names: Sequence[str], compared: Sequence[int]) -> list[int]:
    return [r for r in compared if board.regions[r].name in names]


def _through(counter: CoverageCounter, lane: int, regions: Sequence[int]) -> NDArray[np.int64] | None:
    """Right reads (low, high) that clear a lane shared by ``regions``; None if they do not.

    Where some regions read wrong, only the clean ones count, only if they asked of the lane what
    the others did (``_asked``), only between the lane's first and last wrong read (a burst may
    have met one region alone), and only if a driver failing at the lowest rate that the wrong
    regions allow (95 %) would hardly ever (``BY_CHANCE``) have left the clean ones clean.
    """
    right = counter.levels[regions, 0, lane]
    wrong = counter.levels[regions, 1, lane].sum(axis=1)
    clean = wrong == 0
    kept: NDArray[np.int64] = right[clean].sum(axis=0)
    if not _shown(kept):
        return None
    if not clean.all():
        meanwhile = (counter.until[lane] - counter.before[lane])[regions][clean].sum(axis=0)
        bad = int(wrong[~clean].sum())
        low = clopper_pearson(bad, bad + int(right[~clean].sum())).low
        sound = [r for r, good in zip(regions, clean, strict=True) if good]
        if not _shown(meanwhile) or not _asked(counter, lane, sound):
            return None
        if (1 - low) ** int(meanwhile.min()) > BY_CHANCE:
            return None
    return kept


def _asked(counter: CoverageCounter, lane: int, regions: Sequence[int]) -> bool:
    """Whether reads of these regions would show a short to any other lane, or a lane that nobody drives."""
    pairs = counter.pairs[regions].sum(axis=0)
    apart = np.delete(pairs[lane] + pairs[:, lane], lane)
    moved = counter.moves[regions, lane].sum(axis=0)
    return bool((apart >= LEAST_LEVEL).all() and (moved >= LEAST_LEVEL).all())


def _sound(counter: CoverageCounter, regions: Sequence[int]) -> bool:
    """No read of these regions was wrong on two chips at once, as wrong addresses and selects make them."""
    return not counter.whole[list(regions)].any()


def _address_drivers(counter: CoverageCounter) -> list[Cleared]:
    """Lines of address drivers: right reads of cells whose partner across the line held other data."""
    found = []
    board = counter.board
    for buffer in board.buffers:
        compared = [r for r in range(len(board.regions)) if counter.is_compared(r)]
        regions = [r for r in _served(board, buffer.serves, compared) if counter.levels[r].any()]
        if not buffer.lines or not regions or not _sound(counter, regions):
            continue
        tested: dict[int, int] = {}
        for line in buffer.lines:
            bit = int(line[1:]) - counter.shift if line[:1] == "A" and line[1:].isdigit() else -1
            if 0 <= bit < counter.alias.shape[2]:
                sides = counter.alias[regions, 0, bit].sum(axis=0)
                if sides.sum() >= LEAST_RIGHT and sides.min() >= LEAST_LEVEL:
                    tested[bit + counter.shift] = int(sides.sum())
        if tested:
            least = min(tested.values())
            bound = rate_below(least)
            lines = lane_names(list(tested)).replace("D", "A")
            shown = f"{lines}: at least {count(least)} reads right while the cell across each line held other data"
            named, said = tuple(f"A{bit}" for bit in tested), _said(shown, bound)
            found.append(Cleared(component=buffer.designator, lanes=named, evidence=said, rate_below=bound))
    return found


def _decoders(counter: CoverageCounter) -> list[Cleared]:
    """Decoders whose regions answered, and answered alone.

    That a select comes: right reads that the idle bus did not hold already. That no other
    region's select comes with it: right reads of cells after the other region had been given
    other data at the same low address, for every other region that shares the decoder.
    """
    sources: dict[str, list[int]] = {}
    for r, region in enumerate(counter.board.regions):
        made = counter.board.select_source(region) if region.select else None
        if made and counter.is_compared(r):
            sources.setdefault(made[0].designator, []).append(r)
    found = []
    for designator, regions in sources.items():
        told = {r: least for r in regions if (least := _answers_alone(counter, r, regions)) >= LEAST_RIGHT}
        if not told or not _sound(counter, regions):
            continue
        least = min(told.values())
        bound = rate_below(least)
        selects = tuple(str(counter.board.regions[r].select) for r in told)
        others = ", each while the other regions held other data" if len(regions) > 1 else ""
        shown = f"{', '.join(selects)}: at least {count(least)} reads right that the idle bus did not hold{others}"
        found.append(Cleared(component=designator, lanes=selects, evidence=_said(shown, bound), rate_below=bound))
    return found


def _answers_alone(counter: CoverageCounter, r: int, regions: Sequence[int]) -> int:
    """The least number of reads behind any part of the claim that a region's select works; 0 = no claim."""
    others = [s for s in regions if s != r and counter.comparable[r, s]]
    return min([int(counter.driven[r]), *(int(counter.apart[r, s]) for s in others)])
