"""Intervals, corrections and tests against published worked values and reference libraries.

Newcombe, Statistics in Medicine 17 (1998) 857-872, table I; Hanley and Lippman-Hand, JAMA 249 (1983)
1743; Holm, Scand. J. Statist. 6 (1979) 65; Agresti, Categorical Data Analysis, 2nd ed. (2002), tables
5.3 (alcohol and malformation) and 3.8 (tea tasting); statsmodels; scipy.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import Table
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from busledger.decoder.diagnosis.statistics import (
    clopper_pearson,
    cochran_armitage,
    dispersion,
    failure_runs,
    fisher,
    holm,
    homogeneity,
    rate_below,
)

# failures, trials: Clopper-Pearson (Newcombe 1998, table I, method 5)
NEWCOMBE = [
    (81, 263, (0.2527, 0.3676)),
    (15, 148, (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1684)),
    (1, 29, (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("failures", "trials", "exact"), NEWCOMBE)
def test_intervals_are_newcombes(failures: int, trials: int, exact: tuple[float, float]) -> None:
    found = clopper_pearson(failures, trials)
    assert (round(found.low, 4), round(found.high, 4)) == exact and found.method == "Clopper-Pearson"


@given(st.integers(1, 4000), st.data(), st.sampled_from([0.9, 0.95, 0.99]))
@settings(max_examples=60)
def test_intervals_equal_statsmodels(trials: int, data: st.DataObject, confidence: float) -> None:
    failures = data.draw(st.integers(0, trials))
    low, high = proportion_confint(failures, trials, 1 - confidence, "beta")
    found = clopper_pearson(failures, trials, confidence)
    assert found.low == pytest.approx(low, abs=1e-9) and found.high == pytest.approx(high, abs=1e-9)


def test_the_rule_of_three() -> None:
    """Hanley and Lippman-Hand, JAMA 249, 1983: nothing in n excludes more than about 3 in n."""
    for trials in (30, 100, 1000, 18_210):
        assert rate_below(trials) == pytest.approx(3 / trials, rel=0.06)
        assert rate_below(trials) < 3 / trials
    assert rate_below(20) == pytest.approx(1 - 0.05 ** (1 / 20))


@given(st.integers(2, 5000), st.integers(0, 20))
@settings(max_examples=60)
def test_one_sided_bounds_equal_statsmodels(trials: int, failures: int) -> None:
    if failures < trials:
        _, high = proportion_confint(failures, trials, 0.10, "beta")  # one-sided 95 % = upper end of 90 %
        assert rate_below(trials, failures=failures) == pytest.approx(high, rel=1e-9)


@pytest.mark.parametrize(("rate", "needed"), [(0.05, 59), (0.01, 299), (0.10, 29), (1 / 380, 1137)])
def test_how_long_a_clean_run_must_be(rate: float, needed: int) -> None:
    """59 and 299 are the success-run figures of acceptance sampling (95 % confidence, 95 % and 99 % reliability)."""
    assert rate_below(needed) <= rate < rate_below(needed - 1)


def test_holm_by_hand() -> None:
    """Four p-values 0.01, 0.04, 0.03, 0.005: x4, x3, x2, x1 in rising order, never falling (Holm 1979)."""
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
@settings(max_examples=80)
def test_holm_equals_statsmodels(p_values: list[float]) -> None:
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], abs=1e-12)


def test_a_trend_of_agrestis() -> None:
    """Maternal alcohol and malformation, scores 0, 0.5, 1.5, 4, 7: z = 2.56, p about 0.010 (Agresti, table 5.3)."""
    failures = [48, 38, 5, 1, 1]
    trials = [17066 + 48, 14464 + 38, 788 + 5, 126 + 1, 37 + 1]
    found = cochran_armitage(failures, trials, [0, 0.5, 1.5, 4, 7])
    assert round(found.statistic, 2) == 2.56
    assert found.p == pytest.approx(0.0104, abs=0.0002)


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(1, 60)), min_size=2, max_size=9))
@settings(max_examples=80)
def test_trends_equal_statsmodels(windows: list[tuple[int, int]]) -> None:
    """statsmodels divides by N - 1 where Armitage divides by N; nothing else differs."""
    failures = np.array([r for r, _ in windows])
    trials = failures + [good for _, good in windows]
    found = cochran_armitage(failures, trials)
    if failures.sum() == 0:
        assert found == (0.0, 1.0)
        return
    table = Table(np.array([trials - failures, failures]), shift_zeros=False)
    z = table.test_ordinal_association().zscore
    total = trials.sum()
    assert found.statistic == pytest.approx(z * np.sqrt(total / (total - 1)), abs=1e-9)


@pytest.mark.parametrize(("failures", "accesses"), [(3, 8), (4, 9), (1, 6), (5, 7)])
def test_runs_of_failures_equal_full_enumeration(failures: int, accesses: int) -> None:
    """Every placement of the failures is counted, one by one."""
    from itertools import combinations

    counted: dict[int, int] = {}
    for places in combinations(range(accesses), failures):
        runs = sum(place - 1 not in places for place in places)
        counted[runs] = counted.get(runs, 0) + 1
    total = sum(counted.values())
    for runs in counted:
        wanted = sum(n for m, n in counted.items() if m <= runs) / total
        assert failure_runs(runs, failures, accesses).p == pytest.approx(wanted)


def test_fisher_on_the_tea_tasting() -> None:
    """Agresti, table 3.8: 3 of 4 against 1 of 4: odds ratio 9, two-sided p = 0.486."""
    found = fisher([3, 1], [4, 4])
    assert found.statistic == pytest.approx(9) and found.p == pytest.approx(0.4857, abs=1e-4)


@given(st.lists(st.tuples(st.integers(5, 60), st.integers(5, 200)), min_size=3, max_size=8))
@settings(max_examples=60)
def test_several_groups_equal_scipys_chi_square(groups: list[tuple[int, int]]) -> None:
    from scipy.stats import chi2_contingency

    failures = np.array([r for r, _ in groups])
    trials = failures + [good for _, good in groups]
    rate = failures.sum() / trials.sum()
    if (trials * min(rate, 1 - rate)).min() < 5:
        return  # groups are joined then, which scipy does not do
    square, p, _, _ = chi2_contingency(np.array([failures, trials - failures]), correction=False)
    found = homogeneity(failures, trials)
    assert (found.statistic, found.p) == (pytest.approx(square), pytest.approx(p))
    index = dispersion(failures, trials)
    assert index.statistic == pytest.approx(square / (len(groups) - 1))
