"""The statistics at their edges, and what they say of planted patterns."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.statistics import (
    clopper_pearson,
    cochran_armitage,
    dispersion,
    failure_runs,
    holm,
    homogeneity,
    rate_below,
)


def test_no_accesses_exclude_nothing() -> None:
    assert rate_below(0) == 1.0
    assert rate_below(5, failures=5) == 1.0
    with pytest.raises(ValueError, match="3 failures in 2 accesses"):
        clopper_pearson(3, 2)


def test_bounds_fall_with_the_run_and_rise_with_failures() -> None:
    assert rate_below(1000) < rate_below(100) < rate_below(10)
    assert rate_below(1000, 0.95) < rate_below(1000, 0.99)
    assert rate_below(1000) < rate_below(1000, failures=1) < rate_below(1000, failures=2)


def test_what_does_not_vary_has_no_trend_no_bursts_no_difference() -> None:
    assert cochran_armitage([0, 0, 0], [5, 5, 5]) == (0.0, 1.0)
    assert cochran_armitage([5, 5], [5, 5]) == (0.0, 1.0)
    assert cochran_armitage([], []) == (0.0, 1.0)
    assert dispersion([], []) == (1.0, 1.0)
    assert dispersion([5, 5], [5, 5]) == (1.0, 1.0)
    assert homogeneity([], []).p == 1.0 and homogeneity([0, 0, 0], [9, 9, 9]).p == 1.0
    assert failure_runs(0, 0, 10).p == 1.0 and failure_runs(1, 5, 5).p == 1.0
    assert len(holm([])) == 0


def test_a_planted_trend_is_rising() -> None:
    rising = cochran_armitage([1, 3, 6, 12, 20], [1000] * 5)
    falling = cochran_armitage([20, 12, 6, 3, 1], [1000] * 5)
    assert rising.statistic > 4 and rising.p < 1e-4
    assert falling.statistic == pytest.approx(-rising.statistic)


def test_planted_bursts_are_seen_and_scattered_failures_are_not() -> None:
    rng = np.random.default_rng(1)
    scattered = rng.random(20_000) < 0.01
    bursts = np.zeros(20_000, np.bool_)
    for at in rng.integers(0, 19_900, 10):
        bursts[at : at + 20] = True
    for failed, seen in ((scattered, False), (bursts, True)):
        windows = failed.reshape(20, -1).sum(axis=1)
        runs = int(failed[0]) + int(np.count_nonzero(failed[1:] & ~failed[:-1]))
        assert (dispersion(windows, [1000] * 20).p < 1e-3) is seen
        assert (failure_runs(runs, int(failed.sum()), len(failed)).p < 1e-3) is seen


def test_small_groups_are_joined_before_they_are_compared() -> None:
    joined = homogeneity([0, 0, 1, 0, 9], [3, 4, 3, 90, 900])
    assert 0 < joined.p <= 1
    assert homogeneity([1, 0, 0], [3, 3, 3]).p == 1.0


@pytest.mark.parametrize("rate", [0.001, 0.02])
def test_false_alarms_are_as_rare_as_promised(rate: float) -> None:
    """600 healthy sequences of one rate: about 5 % of the tests may fall below 0.05."""
    rng = np.random.default_rng(7)
    trend, spread = [], []
    for _ in range(600):
        counts = rng.binomial(2000, rate, 12)
        trend.append(cochran_armitage(counts, [2000] * 12).p)
        spread.append(dispersion(counts, [2000] * 12).p)
    assert 0.02 < np.mean(np.array(trend) < 0.05) < 0.08
    assert 0.02 < np.mean(np.array(spread) < 0.05) < 0.085
