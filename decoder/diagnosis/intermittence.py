"""How a failure comes and goes: rate, trend, bursts, what it depends on, and what that suggests.

Every test of one suspect goes into one family, corrected by Holm; only what
survives at 5 % is said, and only where the rates differ enough to matter.
Suggestions are worded as suggestions: they name what such a pattern is often
a sign of, not what it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.bus.columns import KIND_NAMES

from .occurrence import UNKNOWN_KIND, Tally
from .statistics import (
    Trial,
    clopper_pearson,
    cochran_armitage,
    dispersion,
    failure_runs,
    fisher,
    holm,
    homogeneity,
)

__all__ = ["Finding", "describe", "windows_for"]

LEVEL = 0.05
LEAST_RATIO = 1.5  # rates closer together than this are not worth a sentence, however sure
LEAST_FOR_BURSTS = 8  # failures; below, windows hold too few for the chi-square
MOST_SAID = 4


@dataclass(frozen=True)
class Finding:
    """One dependence that survived: what on, its corrected p, a sentence, a suggestion (may be empty)."""

    on: str
    p: float
    text: str
    suggestion: str = ""


@dataclass(frozen=True)
class _Candidate:
    on: str
    p: float
    ratio: float
    text: str
    suggestion: str = ""


def windows_for(failures: int) -> int:
    """How many windows of equal eligible accesses: about five failures each, 4 to 20."""
    return int(np.clip(failures // 5, 4, 20))


def describe(
    tally: Tally,
    tick_s: float,
    *,
    lanes: Sequence[int] = (),
    inside_chip: bool = False,
    kept_wrong: tuple[int, int] = (0, 0),
) -> dict[str, Any]:
    """The ``intermittence`` of ``check --json`` for one suspect.

    Parameters
    ----------
    tally : its eligible accesses, all fed
    tick_s : seconds a tick
    lanes : the suspect's own lanes, whose level is not a circumstance
    inside_chip : the suspect is one memory chip, so address bits are its rows and columns
    kept_wrong : of re-reads of a cell that had just read wrong, without a write between: how many, how many wrong

    Returns
    -------
    JSON-able: ``failures``, ``eligible``, ``rate``, ``rate_interval`` (low, high, confidence, method),
    ``first_failure_s``, ``last_failure_s``, ``windows``, ``trend``, ``bursts``, ``depends``,
    ``tests``, ``sentences``, ``suggestions``. Times are seconds from the capture's start.
    """
    if tally.failures == 0 or tally.seen == 0:
        return {}
    candidates = _candidates(tally, tick_s, frozenset(lanes), inside_chip)
    adjusted = holm([c.p for c in candidates])
    said = [
        Finding(c.on, float(p), f"{c.text} ({_p(p)}).", c.suggestion)
        for c, p in zip(candidates, adjusted, strict=True)
        if p < LEVEL and c.ratio >= LEAST_RATIO
    ]
    said.sort(key=lambda f: f.p)
    interval = clopper_pearson(tally.failures, tally.seen)
    trend, spread = _trend(tally), _bursts(tally)
    traced = _trace(kept_wrong)
    rate = tally.failures / tally.seen
    return {
        "failures": tally.failures,
        "eligible": tally.seen,
        "rate": rate,
        "rate_interval": interval._asdict(),
        "first_failure_s": _seconds(tally.first, tick_s),
        "last_failure_s": _seconds(tally.last, tick_s),
        "windows": _windows(tally, tick_s),
        "trend": {"z": trend.statistic, "p": trend.p},
        "bursts": {"index_of_dispersion": spread.statistic, "p": spread.p, "runs_of_failures": tally.runs},
        "depends": [{"on": f.on, "p_holm": f.p, "text": f.text} for f in said],
        "tests": len(candidates),
        "sentences": [
            _rate_sentence(tally),
            _span_sentence(tally, tick_s),
            *traced,
            *(f.text for f in said[:MOST_SAID]),
        ],
        "suggestions": list(dict.fromkeys(f.suggestion for f in said if f.suggestion)),
    }


def _seconds(ticks: int | None, tick_s: float) -> float | None:
    return None if ticks is None else ticks * tick_s


def _odds(rate: float) -> str:
    if rate <= 0:
        return "never"
    return f"1 in {round(1 / rate)}" if rate < 0.5 else f"{100 * rate:.0f} in 100"


def _p(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def _rate_sentence(tally: Tally) -> str:
    low, high, _, method = clopper_pearson(tally.failures, tally.seen)
    return (
        f"{tally.failures} failures in {tally.seen} eligible accesses: {_odds(tally.failures / tally.seen)} "
        f"({method} 95 %: {_odds(low)} to {_odds(high)})."
    )


def _span_sentence(tally: Tally, tick_s: float) -> str:
    assert tally.first is not None and tally.last is not None
    if tally.failures == 1:
        return f"It failed once, {tally.first * tick_s:.4g} s after the capture's start."
    return f"First failure {tally.first * tick_s:.4g} s, last {tally.last * tick_s:.4g} s after the capture's start."


def _trace(kept_wrong: tuple[int, int]) -> list[str]:
    """Whether a cell that read wrong stays wrong until it is written: then the write went astray, not the read."""
    again, wrong = kept_wrong
    if again >= 3 and wrong / again > 0.9:
        return [f"A cell that read wrong kept reading wrong until it was written again ({wrong} of {again} re-reads)."]
    return []


def _windows(tally: Tally, tick_s: float) -> list[dict[str, Any]]:
    opened = [w for w in range(tally.windows) if tally.window_start[w] >= 0]
    ends = [*(int(tally.window_start[w]) for w in opened[1:]), tally.end]
    return [
        {
            "start_s": int(tally.window_start[w]) * tick_s,
            "end_s": end * tick_s,
            "accesses": int(tally.in_window[w, 0]),
            "failures": int(tally.in_window[w, 1]),
        }
        for w, end in zip(opened, ends, strict=True)
    ]


def _trend(tally: Tally) -> Trial:
    return cochran_armitage(tally.in_window[:, 1], tally.in_window[:, 0])


def _bursts(tally: Tally) -> Trial:
    """Dispersion of the failures over the windows beyond a linear trend (chi-square less the trend's share)."""
    from scipy.stats import chi2

    accesses = tally.in_window[:, 0]
    used = int(np.count_nonzero(accesses))
    whole = dispersion(tally.in_window[:, 1], accesses)
    freedom = used - 2
    if freedom < 1 or tally.failures < LEAST_FOR_BURSTS:
        return Trial(1.0, 1.0)
    square = max(whole.statistic * (used - 1) - _trend(tally).statistic ** 2, 0.0)
    return Trial(square / freedom, float(chi2.sf(square, freedom)))


def _candidates(tally: Tally, tick_s: float, own: frozenset[int], inside_chip: bool) -> list[_Candidate]:
    """Every test of the family. Failures in bursts are not so many independent ones: all tests but those of the
    bursts themselves are taken at the larger spread (quasi-likelihood: z over the root of the dispersion)."""
    bursts = _by_burst(tally)
    spread = _spread(tally)
    others = [
        _by_time(tally),
        *_by_address(tally, inside_chip),
        *_by_neighbour(tally, own),
        _by_switching(tally),
        _by_kind(tally),
        _by_age(tally, tick_s),
        _by_moved(tally),
    ]
    return [*bursts, *(replace(c, p=_widened(c.p, spread)) for c in others if c is not None)]


def _spread(tally: Tally) -> float:
    """How many times more the failures vary than independent ones would; 1 where nothing shows that they do."""
    windows = _bursts(tally)
    together = failure_runs(tally.runs, tally.failures, tally.seen)
    return max([1.0, *(found.statistic for found in (windows, together) if found.p < LEVEL)])


def _widened(p: float, spread: float) -> float:
    from scipy.stats import norm

    return p if spread <= 1 else min(1.0, 2 * float(norm.sf(norm.isf(p / 2) / spread**0.5)))


def _rates(table: NDArray[np.int64]) -> NDArray[np.float64]:
    """Failures an access, by row; nan for rows without accesses."""
    with np.errstate(invalid="ignore"):
        return table[:, 1] / np.where(table[:, 0] > 0, table[:, 0], np.nan)


def _ratio(one: float, other: float) -> float:
    """The larger rate over the smaller; infinite if only one of them is 0."""
    low, high = sorted((one, other))
    return float("inf") if low <= 0 < high else (high / low if low > 0 else 1.0)


def _by_time(tally: Tally) -> _Candidate:
    trend = _trend(tally)
    third = max(1, tally.windows // 3)
    early, late = tally.in_window[:third].sum(axis=0), tally.in_window[-third:].sum(axis=0)
    rates = [float(part[1] / max(part[0], 1)) for part in (early, late)]
    rising = trend.statistic > 0
    way = "rises" if rising else "falls"
    text = f"It {way} with time: {_odds(rates[0])} in the first third, {_odds(rates[1])} in the last"
    suggestion = (
        "A rate that rises as the machine runs is often a sign of heat: see whether cooling the part alone stops it."
        if rising
        else "A rate that falls as the machine runs is often a sign of a part that is bad when cold, or of a contact."
    )
    return _Candidate("time since the capture's start", trend.p, _ratio(*rates), text, suggestion)


_CONTACT = (
    "Failures in bursts are often a sign of a contact: reseat the part, clean its pins and socket, "
    "and see whether tapping or bending brings them."
)


def _by_burst(tally: Tally) -> list[_Candidate]:
    spread = _bursts(tally)
    rates = _rates(tally.in_window)
    uneven = (
        f"The failures come in bursts: index of dispersion {spread.statistic:.3g} "
        f"over {tally.windows} windows (1 = scattered)"
    )
    ratio = _ratio(float(np.nanmin(rates)), float(np.nanmax(rates)))
    together = failure_runs(tally.runs, tally.failures, tally.seen)
    joined = f"Failures follow each other: {tally.failures} in {tally.runs} unbroken runs of eligible accesses"
    return [
        _Candidate("bursts over windows", spread.p, ratio, uneven, _CONTACT),
        _Candidate("failures one after another", together.p, together.statistic, joined, _CONTACT),
    ]


def _two(on: str, table: NDArray[np.int64], says: str, suggestion: str) -> _Candidate | None:
    """Fisher's exact test of two rows; ``says`` has places for the two rates."""
    if not table[:, 0].all():
        return None
    rates = _rates(table)
    found = fisher(table[:, 1].tolist(), table[:, 0].tolist())
    text = says.format(_odds(float(rates[0])), _odds(float(rates[1])))
    return _Candidate(on, found.p, _ratio(float(rates[0]), float(rates[1])), text, suggestion)


def _by_address(tally: Tally, inside_chip: bool) -> list[_Candidate | None]:
    suggestion = (
        "Failures that depend on the address within one chip are often inside it: a row, a column or its decoder."
        if inside_chip
        else "Failures that depend on the address point to the address path or to one part of the memory."
    )
    return [
        _two(f"A{bit}", tally.by_address[bit], f"It depends on A{bit}: {{}} when low, {{}} when high", suggestion)
        for bit in range(tally.address_bits)
    ]


def _by_neighbour(tally: Tally, own: frozenset[int]) -> list[_Candidate | None]:
    suggestion = "A failure that depends on another lane's level is often a sign of leakage or a short between lines."
    return [
        _two(f"D{lane}", tally.by_lane[lane], f"It depends on D{lane}: {{}} when low, {{}} when high", suggestion)
        for lane in range(tally.lanes)
        if lane not in own
    ]


def _by_switching(tally: Tally) -> _Candidate | None:
    used = np.flatnonzero(tally.by_switching[:, 0])
    if len(used) < 2:
        return None
    table = tally.by_switching[used]
    trend = cochran_armitage(table[:, 1], table[:, 0], used)
    rates, cut = _halves(table)
    most = int(used[cut])
    text = f"It depends on how many lines switch at once: {_odds(rates[0])} up to {most}, {_odds(rates[1])} above"
    suggestion = (
        "More failures when many lines switch are often a sign of supply or ground: "
        "look at the capacitors beside the part, its ground pin and the card's supply."
        if trend.statistic > 0
        else ""
    )
    return _Candidate("lines switching at once", trend.p, _ratio(*rates), text, suggestion)


def _halves(table: NDArray[np.int64]) -> tuple[list[float], int]:
    """Rates below and above the row at which half of the accesses are reached, and that row."""
    reached = np.cumsum(table[:, 0])
    cut = min(int(np.searchsorted(reached, reached[-1] / 2)), len(table) - 2)
    parts = [table[: cut + 1].sum(axis=0), table[cut + 1 :].sum(axis=0)]
    return [float(p[1] / max(p[0], 1)) for p in parts], cut


def _by_kind(tally: Tally) -> _Candidate | None:
    table = tally.by_kind[:UNKNOWN_KIND]
    used = np.flatnonzero(table[:, 0])
    if len(used) < 2:
        return None
    found = homogeneity(table[used, 1], table[used, 0])
    rates = _rates(table[used])
    worst, best = int(used[int(np.argmax(rates))]), int(used[int(np.argmin(rates))])
    low, high = float(rates.min()), float(rates.max())
    names = KIND_NAMES[worst], KIND_NAMES[best]
    text = f"It depends on the access before: {_odds(high)} after {names[0]}, {_odds(low)} after {names[1]}"
    suggestion = "A failure tied to the access before it is often a driver that turns round late, or data held over."
    return _Candidate("the access before", found.p, _ratio(low, high), text, suggestion)


def _by_age(tally: Tally, tick_s: float) -> _Candidate | None:
    used = np.flatnonzero(tally.by_age[:, 0])
    if len(used) < 2:
        return None
    table = tally.by_age[used]
    trend = cochran_armitage(table[:, 1], table[:, 0], used)
    rates, cut = _halves(table)
    edge = float(2.0 ** (int(used[cut]) + 1)) * tick_s
    split = f"{_odds(rates[0])} before {edge:.3g} s, {_odds(rates[1])} after"
    text = f"It depends on the time since the cell was written: {split}"
    suggestion = (
        "Values lost with age are often a sign of a leaking cell or of missing refresh." if trend.statistic > 0 else ""
    )
    return _Candidate("time since written", trend.p, _ratio(*rates), text, suggestion)


def _by_moved(tally: Tally) -> _Candidate | None:
    suggestion = "Failures just after a change of region are often a sign of a select that comes late or goes late."
    says = "It depends on whether the access before went to the same region: {} if so, {} just after a change"
    return _two("change of region", tally.by_moved, says, suggestion)
