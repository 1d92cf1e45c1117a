"""What failures may depend on: one test for each circumstance, with the words for it.

The words give counts, not rates: what is called the rate of a fault is the suspect's own, per chance, and is not
counted over the reads that are tested here.

All tests of one suspect are one family for Holm's correction, which is the caller's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import KIND_NAMES
from busledger.decoder.diagnosis.intermittence.occurrence import UNKNOWN_KIND, Occurrence
from busledger.decoder.diagnosis.statistics import (
    Trial,
    chi_square_beyond,
    cochran_armitage,
    dispersion,
    failure_runs,
    fisher,
    homogeneity,
)
from busledger.decoder.figures import NO_BREAK, count, plural

__all__ = ["Dependence", "bursts_of", "dependences", "trend_of"]

LEVEL = 0.05  # of a whole family after Holm; the convention since Fisher (Statistical Methods, 1925)
# Index of dispersion that stray accesses of an even rate hardly reach: each spoils two cells that may be read again and
# again. Judged, after virtual cards of which no run was kept.
STRONG_BURSTS = 8.0
# Failures; the chi-square is close from two expected in each of the four windows on, where all expect the same
# (W. G. Cochran, Biometrics 10, 1954, from memory).
LEAST_FOR_BURSTS = 8


@dataclass(frozen=True)
class Dependence:
    """One test of the family: on what, its p before Holm, how far the rates differ, a sentence, a suggestion."""

    on: str
    p: float
    ratio: float
    text: str
    suggestion: str = ""


def _of(row: NDArray[np.int64]) -> str:
    """``31 of 300``, from [accesses, failures]."""
    return f"{count(int(row[1]))} of {count(int(row[0]))}".replace(NO_BREAK, " ")


def trend_of(tally: Occurrence) -> Trial:
    """Cochran-Armitage over the windows."""
    return cochran_armitage(tally.in_window[:, 1], tally.in_window[:, 0])


def bursts_of(tally: Occurrence) -> Trial:
    """Dispersion of the failures over the windows beyond a linear trend (chi-square less the trend's share)."""
    accesses = tally.in_window[:, 0]
    used = int(np.count_nonzero(accesses))
    whole = dispersion(tally.in_window[:, 1], accesses)
    freedom = used - 2
    if freedom < 1 or tally.failures < LEAST_FOR_BURSTS:
        return Trial(1.0, 1.0)
    square = max(whole.statistic * (used - 1) - trend_of(tally).statistic ** 2, 0.0)
    return Trial(square / freedom, chi_square_beyond(square, freedom))


def dependences(
    tally: Occurrence, tick_s: float, own: frozenset[int], *, inside_chip: bool, astray: bool
) -> list[Dependence]:
    """Every test of the family. Failures in bursts are not so many independent ones: all tests but those of the
    bursts themselves are taken at the larger spread (quasi-likelihood: z over the root of the dispersion).

    ``astray``: the fault sends accesses to other cells. One stray write spoils two cells and shows
    wherever they are read next, so that failures come unevenly and by address even if the fault does
    not: only a strong unevenness is taken for bursts, and addresses, levels and ages are not tested.
    """
    bursts = _by_burst(tally, astray)
    spread = _spread(tally)
    others = [_by_time(tally), _by_switching(tally), _by_kind(tally), _by_moved(tally)]
    if not astray:
        others += [*_by_address(tally, inside_chip), *_by_neighbour(tally, own), _by_age(tally, tick_s)]
    return [*bursts, *(replace(c, p=_widened(c.p, spread)) for c in others if c is not None)]


def _spread(tally: Occurrence) -> float:
    """How many times more the failures vary than independent ones would; 1 where nothing shows that they do."""
    windows = bursts_of(tally)
    together = failure_runs(tally.runs, tally.failures, tally.seen)
    return max([1.0, *(found.statistic for found in (windows, together) if found.p < LEVEL)])


def _widened(p: float, spread: float) -> float:
    from busledger.decoder.special_functions import ndtr, ndtri

    return p if spread <= 1 else min(1.0, 2 * float(ndtr(ndtri(p / 2) / spread**0.5)))


def _rates(table: NDArray[np.int64]) -> NDArray[np.float64]:
    """Failures an access, by row; nan for rows without accesses."""
    with np.errstate(invalid="ignore"):
        return table[:, 1] / np.where(table[:, 0] > 0, table[:, 0], np.nan)


def _ratio(one: float, other: float) -> float:
    """The larger rate over the smaller; infinite if only one of them is 0."""
    low, high = sorted((one, other))
    return float("inf") if low <= 0 < high else (high / low if low > 0 else 1.0)


def _by_time(tally: Occurrence) -> Dependence:
    trend = trend_of(tally)
    third = max(1, tally.windows // 3)
    early, late = tally.in_window[:third].sum(axis=0), tally.in_window[-third:].sum(axis=0)
    rising = trend.statistic > 0
    way = "rises" if rising else "falls"
    text = f"It {way} with time: {_of(early)} reads wrong in the first third, {_of(late)} in the last"
    suggestion = (
        "A rate that rises as the machine runs is often a sign of heat: see whether cooling the part alone stops it."
        if rising
        else "A rate that falls as the machine runs is often a sign of a part that is bad when cold, or of a contact."
    )
    return Dependence("time since the capture's start", trend.p, _apart(early, late), text, suggestion)


_CONTACT = (
    "Failures in bursts are often a sign of a contact: reseat the part, clean its pins and socket, "
    "and see whether tapping or bending brings them."
)


def _by_burst(tally: Occurrence, astray: bool) -> list[Dependence]:
    spread = bursts_of(tally)
    rates = _rates(tally.in_window)
    uneven = (
        f"The failures come in bursts: over {tally.windows} windows they vary {spread.statistic:.3g} times as much "
        "as scattered ones would"
    )
    ratio = _ratio(float(np.nanmin(rates)), float(np.nanmax(rates)))
    windows = Dependence("bursts over windows", spread.p, ratio, uneven, _CONTACT)
    if astray:
        return [windows] if spread.statistic >= STRONG_BURSTS else []
    together = failure_runs(tally.runs, tally.failures, tally.seen)
    runs = plural(tally.runs, "unbroken run").replace(NO_BREAK, " ")
    joined = f"Failures follow each other: {tally.failures} in {runs}"
    return [
        windows,
        Dependence("failures one after another", together.p, together.statistic, joined, _CONTACT),
    ]


def _two(on: str, table: NDArray[np.int64], says: str, suggestion: str) -> Dependence | None:
    """Fisher's exact test of two rows; ``says`` has places for the two rates."""
    if not table[:, 0].all():
        return None
    rates = _rates(table)
    found = fisher(table[:, 1].tolist(), table[:, 0].tolist())
    text = says.format(_of(table[0]), _of(table[1]))
    return Dependence(on, found.p, _ratio(float(rates[0]), float(rates[1])), text, suggestion)


_LEVELS = "It depends on {line}: {{}} reads wrong when low, {{}} when high"


def _by_address(tally: Occurrence, inside_chip: bool) -> list[Dependence | None]:
    suggestion = (
        "Failures that depend on the address within one chip are often inside it: a row, a column or its decoder."
        if inside_chip
        else "Failures that depend on the address point to the address path or to one part of the memory."
    )
    return [
        _two(f"A{bit}", tally.by_address[bit], _LEVELS.format(line=f"A{bit}"), suggestion)
        for bit in range(tally.address_bits)
    ]


def _by_neighbour(tally: Occurrence, own: frozenset[int]) -> list[Dependence | None]:
    suggestion = "A failure that depends on another lane's level is often a sign of leakage or a short between lines."
    return [
        _two(f"D{lane}", tally.by_lane[lane], _LEVELS.format(line=f"D{lane}"), suggestion)
        for lane in range(tally.lanes)
        if lane not in own
    ]


def _by_switching(tally: Occurrence) -> Dependence | None:
    used = np.flatnonzero(tally.by_switching[:, 0])
    if len(used) < 2:
        return None
    table = tally.by_switching[used]
    trend = cochran_armitage(table[:, 1], table[:, 0], used)
    low, high, cut = _halves(table)
    text = f"It depends on how many lines switch at once: {_of(low)} reads wrong up to {used[cut]}, {_of(high)} above"
    suggestion = (
        "More failures when many lines switch are often a sign of supply or ground: "
        "look at the capacitors beside the part, its ground pin and the card's supply."
        if trend.statistic > 0
        else ""
    )
    return Dependence("lines switching at once", trend.p, _apart(low, high), text, suggestion)


def _halves(table: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """Sums up to and above the row at which half of the accesses are reached, and that row."""
    reached = np.cumsum(table[:, 0])
    cut = min(int(np.searchsorted(reached, reached[-1] / 2)), len(table) - 2)
    return table[: cut + 1].sum(axis=0), table[cut + 1 :].sum(axis=0), cut


def _apart(one: NDArray[np.int64], other: NDArray[np.int64]) -> float:
    """``_ratio`` of the rates of two rows."""
    return _ratio(*(float(row[1] / max(row[0], 1)) for row in (one, other)))


def _by_kind(tally: Occurrence) -> Dependence | None:
    table = tally.by_kind[:UNKNOWN_KIND]
    used = np.flatnonzero(table[:, 0])
    if len(used) < 2:
        return None
    found = homogeneity(table[used, 1], table[used, 0])
    rates = _rates(table[used])
    worst, best = int(used[int(np.argmax(rates))]), int(used[int(np.argmin(rates))])
    low, high = float(rates.min()), float(rates.max())
    names = KIND_NAMES[worst], KIND_NAMES[best]
    text = (
        f"It depends on the access before: {_of(table[worst])} reads wrong after {names[0]}, {_of(table[best])} "
        f"after {names[1]}"
    )
    suggestion = "A failure tied to the access before it is often a driver that turns round late, or data held over."
    return Dependence("the access before", found.p, _ratio(low, high), text, suggestion)


def _by_age(tally: Occurrence, tick_s: float) -> Dependence | None:
    used = np.flatnonzero(tally.by_age[:, 0])
    if len(used) < 2:
        return None
    table = tally.by_age[used]
    trend = cochran_armitage(table[:, 1], table[:, 0], used)
    early, late, cut = _halves(table)
    edge = float(2.0 ** (int(used[cut]) + 1)) * tick_s
    split = f"{_of(early)} reads wrong before {edge:.3g} s, {_of(late)} after"
    text = f"It depends on the time since the cell was written: {split}"
    suggestion = (
        "Values lost with age are often a sign of a leaking cell or of missing refresh." if trend.statistic > 0 else ""
    )
    return Dependence("time since written", trend.p, _apart(early, late), text, suggestion)


def _by_moved(tally: Occurrence) -> Dependence | None:
    suggestion = "Failures just after a change of region are often a sign of a select that comes late or goes late."
    says = "It depends on whether the access before went to the same region: {} reads wrong if so, {} after a change"
    return _two("change of region", tally.by_moved, says, suggestion)
