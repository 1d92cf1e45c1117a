"""The proof of repair against Fisher's exact test as scipy has it, simulation, and success-run tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from busledger.decoder.diagnosis import clean_run_chance, clean_run_needed


@given(st.integers(1, 40), st.integers(0, 400), st.integers(0, 400))
@settings(max_examples=80)
def test_the_chance_is_fishers_one_sided_p(failures: int, right: int, clean: int) -> None:
    """Before: ``failures`` wrong and ``right`` right; after: none wrong of ``clean``."""
    _, p = fisher_exact([[failures, right], [0, clean]], alternative="greater")
    assert clean_run_chance(failures, failures + right, clean) == pytest.approx(p, rel=1e-6)


@pytest.mark.parametrize(("alpha", "success_run"), [(0.05, 59), (0.01, 90)])
def test_many_failures_before_ask_for_the_success_run(alpha: float, success_run: int) -> None:
    """A rate of 5 % known very well: 59 clean accesses for 95 %, 90 for 99 % (success-run theorem, ln a / ln 0.95)."""
    assert math.ceil(math.log(alpha) / math.log(0.95)) == success_run
    assert clean_run_needed(50_000, 1_000_000, alpha) == pytest.approx(success_run, abs=1)


@pytest.mark.parametrize(("failures", "eligible"), [(1, 100), (3, 500), (24, 4500)])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_what_is_needed_is_the_least_that_does(failures: int, eligible: int, alpha: float) -> None:
    needed = clean_run_needed(failures, eligible, alpha)
    assert clean_run_chance(failures, eligible, needed) <= alpha
    assert clean_run_chance(failures, eligible, needed - 1) > alpha


def test_an_unrepaired_fault_is_called_proved_no_more_often_than_promised() -> None:
    """20 000 pairs of runs with nothing repaired: "proved at 95 %" may come out in at most 5 %."""
    rng = np.random.default_rng(9)
    proved, pairs = 0, 20_000
    before = rng.binomial(1000, 0.002, pairs)
    after = rng.binomial(3000, 0.002, pairs)
    for k, now in zip(before.tolist(), after.tolist(), strict=True):
        if k and not now:
            proved += clean_run_chance(k, 1000, 3000) <= 0.05
    assert proved / pairs <= 0.05
