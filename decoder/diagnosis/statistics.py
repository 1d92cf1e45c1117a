"""The statistics behind the sentences: intervals, bounds, trends, runs. Counts in, plain numbers out.

scipy's special functions are imported inside the functions, so that a program that needs no statistics does not wait
for them; its ``stats`` take a second to load, and the tests compare with them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Interval",
    "Trial",
    "chi_square_beyond",
    "clean_run_chance",
    "clean_run_needed",
    "clopper_pearson",
    "cochran_armitage",
    "dispersion",
    "failure_runs",
    "fisher",
    "holm",
    "homogeneity",
    "rate_below",
]


class Interval(NamedTuple):
    """A two-sided interval of a rate, with the name of the method for the reader."""

    low: float
    high: float
    confidence: float
    method: str


class Trial(NamedTuple):
    """The result of a test: its statistic and its p-value."""

    statistic: float
    p: float


def clopper_pearson(failures: int, accesses: int, confidence: float = 0.95) -> Interval:
    """The exact interval of a rate (Clopper and Pearson, Biometrika 26, 1934). ``accesses`` >= 1."""
    from busledger.decoder.special_functions import betaincinv

    _counted(failures, accesses)
    tail, right = (1.0 - confidence) / 2.0, accesses - failures
    low = float(betaincinv(failures, right + 1, tail)) if failures else 0.0
    high = float(betaincinv(failures + 1, right, 1.0 - tail)) if right else 1.0
    return Interval(low, high, confidence, "Clopper-Pearson")


def _counted(failures: int, accesses: int) -> None:
    if accesses < 1 or not 0 <= failures <= accesses:
        raise ValueError(f"{failures} failures in {accesses} accesses")


def rate_below(accesses: int, confidence: float = 0.95, failures: int = 0) -> float:
    """The rate that ``failures`` in ``accesses`` exclude: one-sided exact upper bound.

    Without failures it is 1 - (1 - confidence)**(1 / accesses), about
    3 / accesses at 95 % (the rule of three; Hanley and Lippman-Hand, JAMA 249, 1983).
    1.0 where there were no accesses: nothing is excluded.
    """
    if accesses <= 0 or failures >= accesses:
        return 1.0
    if failures == 0:
        return -math.expm1(math.log1p(-confidence) / accesses)
    from busledger.decoder.special_functions import betaincinv

    return float(betaincinv(failures + 1, accesses - failures, confidence))


def clean_run_chance(failures: float, accesses: int, clean: int) -> float:
    """The chance that, with nothing changed, all ``failures`` among ``accesses`` + ``clean`` fall in the first part.

    C(m, k) / C(m + n, k): Fisher's exact test, one-sided (Statistical Methods for Research
    Workers, 5th ed., 1934, section 21.02). ``failures`` may be fractional (bursts count as
    fewer independent ones); the binomials are then those of the Gamma function.
    """
    return math.exp(min(0.0, _log_clean(failures, accesses, clean)))


def clean_run_needed(failures: float, accesses: int, alpha: float) -> int:
    """The smallest clean run whose ``clean_run_chance`` is at most ``alpha``; ``failures`` > 0."""
    high = 1
    while _log_clean(failures, accesses, high) > math.log(alpha):
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        if _log_clean(failures, accesses, middle) > math.log(alpha):
            low = middle
        else:
            high = middle
    return high


def _log_clean(failures: float, accesses: int, clean: int) -> float:
    m, k, n = accesses, min(failures, accesses), clean
    return math.lgamma(m + 1) - math.lgamma(m - k + 1) - math.lgamma(m + n + 1) + math.lgamma(m + n - k + 1)


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Adjusted p-values, float64 in the order given (Holm, Scand. J. Statist. 6, 1979): the k-th smallest of m is
    multiplied by m - k + 1, none below the one before it, none above 1."""
    p = np.asarray(p_values, np.float64)
    order = np.argsort(p, kind="stable")
    factors = np.arange(len(p), 0, -1)
    stepped = np.minimum(np.maximum.accumulate(p[order] * factors), 1.0) if len(p) else p
    adjusted = np.empty_like(p)
    adjusted[order] = stepped
    return adjusted


def cochran_armitage(failures: ArrayLike, accesses: ArrayLike, scores: ArrayLike | None = None) -> Trial:
    """Trend of a rate over ordered windows: z (rising > 0) and two-sided p.

    z = sum s_i (r_i - n_i p) / sqrt(p (1 - p) (sum n_i s_i^2 - (sum n_i s_i)^2 / N)),
    p = R / N (Cochran, Biometrics 10, 1954; Armitage, Biometrics 11, 1955).
    Scores default to 0, 1, 2 …; z = 0, p = 1 where nothing varies.
    """
    r = np.asarray(failures, np.float64)
    n = np.asarray(accesses, np.float64)
    s = np.arange(len(n), dtype=np.float64) if scores is None else np.asarray(scores, np.float64)
    total = float(n.sum())
    if total == 0:
        return Trial(0.0, 1.0)
    rate = float(r.sum()) / total
    spread = float((n * s * s).sum() - (n * s).sum() ** 2 / total)
    variance = rate * (1 - rate) * spread
    if variance <= 0:
        return Trial(0.0, 1.0)
    z = float((s * (r - n * rate)).sum()) / math.sqrt(variance)
    return Trial(z, _two_sided(z))


def dispersion(failures: ArrayLike, accesses: ArrayLike) -> Trial:
    """Index of dispersion of failures over windows, and the p-value that windows of one rate spread so far.

    sum (r_i - n_i p)^2 / (n_i p (1 - p)) is chi-square with k - 1 degrees of
    freedom under one rate (Fisher, Statistical Methods for Research Workers, 1925,
    section 19); divided by k - 1 it is the index: 1 for scattered failures, more for bursts.
    """
    r = np.asarray(failures, np.float64)
    n = np.asarray(accesses, np.float64)
    r, n = r[n > 0], n[n > 0]
    rate = float(r.sum() / n.sum()) if len(n) else 0.0
    if len(n) < 2 or rate in (0.0, 1.0):
        return Trial(1.0, 1.0)
    square = float(((r - n * rate) ** 2 / (n * rate * (1 - rate))).sum())
    return Trial(square / (len(n) - 1), chi_square_beyond(square, len(n) - 1))


def failure_runs(runs: int, failures: int, accesses: int) -> Trial:
    """The chance that ``failures`` scattered over ``accesses`` form so few unbroken runs: exact, one-sided.

    The number of runs of failures is hypergeometric: P(m) = C(k-1, m-1) C(n-k+1, m) / C(n, k)
    (Stevens, Ann. Eugenics 9, 1939). The statistic is the mean length of a run.
    """
    if failures < 1 or runs < 1 or accesses <= failures:
        return Trial(float(failures) / max(runs, 1), 1.0)
    found, chance = _hypergeometric(accesses, accesses - failures + 1, failures)
    return Trial(failures / runs, min(float(chance[found <= runs].sum()), 1.0))


def fisher(failures: Sequence[int], accesses: Sequence[int]) -> Trial:
    """Two groups: odds ratio (first against second) and Fisher's exact two-sided p."""
    a, c = failures
    b, d = accesses[0] - a, accesses[1] - c
    if not (a + b and c + d and a + c and b + d):
        return Trial(math.nan, 1.0)
    ratio = a * d / (b * c) if b * c else math.inf
    found, chance = _hypergeometric(a + b + c + d, a + c, a + b)
    # Tables as likely as this one count with it, rounding or not.
    p = float(chance[chance <= chance[found == a] * (1.0 + 1e-9)].sum())
    return Trial(ratio, min(p, 1.0))


def _hypergeometric(whole: int, marked: int, drawn: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """How many of ``drawn`` are marked, each number that can be, and its chance: C(K, k) C(N - K, n - k) / C(N, n)."""
    from busledger.decoder.special_functions import betaln

    k = np.arange(max(0, drawn - (whole - marked)), min(marked, drawn) + 1)
    rest = whole - marked

    def log_choose(of: int, some: NDArray[np.int64]) -> NDArray[np.float64]:
        found: NDArray[np.float64] = -betaln(some + 1.0, of - some + 1.0) - math.log(of + 1.0)
        return found

    logs = log_choose(marked, k) + log_choose(rest, drawn - k)
    chances = np.exp(logs - logs.max())  # C(N, n) is but their sum
    return k, chances / chances.sum()


def homogeneity(failures: ArrayLike, accesses: ArrayLike, least_expected: float = 5.0) -> Trial:
    """Do groups share one rate? Statistic and p: Fisher's exact test for two groups, else chi-square.

    Groups in which fewer than ``least_expected`` failures or successes are expected
    are joined with their neighbour (Cochran's rule); if that leaves two, the exact
    test is used; if one, p = 1.
    """
    r = np.asarray(failures, np.int64)
    n = np.asarray(accesses, np.int64)
    r, n = r[n > 0], n[n > 0]
    if len(n) > 2:
        r, n = _joined(r, n, least_expected)
    if len(n) < 2 or r.sum() in (0, n.sum()):
        return Trial(0.0, 1.0)
    if len(n) == 2:
        return fisher(r.tolist(), n.tolist())
    found = dispersion(r, n)
    return Trial(found.statistic * (len(n) - 1), found.p)


def _joined(r: NDArray[np.int64], n: NDArray[np.int64], least: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Neighbouring groups joined until each expects ``least`` of both outcomes."""
    rate = r.sum() / n.sum()
    rarer = min(rate, 1 - rate)
    groups: list[list[int]] = []
    for one_r, one_n in zip(r.tolist(), n.tolist(), strict=True):
        if groups and groups[-1][1] * rarer < least:
            groups[-1][0] += one_r
            groups[-1][1] += one_n
        else:
            groups.append([one_r, one_n])
    if len(groups) > 1 and groups[-1][1] * rarer < least:
        last = groups.pop()
        groups[-1][0] += last[0]
        groups[-1][1] += last[1]
    return np.array([g[0] for g in groups], np.int64), np.array([g[1] for g in groups], np.int64)


def _two_sided(z: float) -> float:
    return math.erfc(abs(z) / math.sqrt(2))


def chi_square_beyond(square: float, freedom: int) -> float:
    """The chance of a chi-square of so many degrees of freedom to be larger."""
    from busledger.decoder.special_functions import chdtrc

    return float(chdtrc(freedom, square))
