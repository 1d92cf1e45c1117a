"""How many of a card's chips are bad, integrated out, against two ways of doing the same sum.

Truth: ``tests/reference/brute_force.py``, which adds up every combination, and scipy's Beta-binomial.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom

from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.shares import sum_over_share
from tests.reference.brute_force import SOUND, ChipState, driver_states, marginals

PRIORS = [(1.0, 1.0), (0.6, 18.0), (0.5, 4.5), (3.0, 2.0)]


@pytest.mark.parametrize("prior", PRIORS)
@pytest.mark.parametrize("chips", [1, 2, 7, 40])
def test_exactly_these_chips_bad_is_the_beta_binomial(chips, prior):
    """Chips that can only be bad, and chips that can only be sound: what is left is the prior of that one set."""
    for bad in {0, 1, chips // 2, chips}:
        plain = np.arange(chips) < bad
        found = sum_over_share(np.where(plain, -np.inf, 0.0), np.where(plain, 0.0, -np.inf), prior)
        wanted = betabinom.logpmf(bad, chips, *prior) - math.log(math.comb(chips, bad))
        assert found.log_total == pytest.approx(wanted, abs=1e-9)
        assert found.bad.tolist() == pytest.approx(plain.astype(float).tolist())


@pytest.mark.parametrize("prior", PRIORS)
def test_chips_that_show_nothing_keep_the_prior(prior):
    found = sum_over_share(np.zeros(12), np.zeros(12), prior)
    assert found.log_total == pytest.approx(0.0, abs=1e-12)
    assert found.bad.tolist() == pytest.approx([prior[0] / sum(prior)] * 12)


def test_no_chips_at_all():
    found = sum_over_share(np.zeros(0), np.zeros(0), (1.0, 1.0))
    assert (found.log_total, len(found.bad)) == (0.0, 0)


def test_what_a_tester_said_multiplies_the_odds():
    """One chip, as likely bad as not, which a tester calls bad at 50 to 1."""
    found = sum_over_share(np.zeros(1), np.zeros(1), (1.0, 1.0), np.array([math.log(50.0)]))
    assert found.bad[0] == pytest.approx(50 / 51)


def test_the_sixth_bad_chip_is_cheaper_than_the_first():
    faint, plain, sound = (0.0, 1.0), (-400.0, 0.0), (0.0, -400.0)

    def of_first(cards):
        s, b = (np.array(column) for column in zip(*cards, strict=True))
        return sum_over_share(s, b, (0.6, 18.0)).bad[0]

    alone, sixth = of_first([faint, *[sound] * 39]), of_first([faint, *[plain] * 5, *[sound] * 34])
    # By hand: five bad of 39 turn Beta(0.6, 18) into Beta(5.6, 52), none of them into Beta(0.6, 57).
    assert sixth == pytest.approx(5.6 * math.e / (5.6 * math.e + 52))
    assert alone == pytest.approx(0.6 * math.e / (0.6 * math.e + 57))
    assert alone < 0.05 < 0.2 < sixth


level = st.one_of(st.floats(-800.0, 0.0), st.floats(-6.0, 0.0))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_four_chips_of_three_bad_states_and_a_driver_as_by_enumeration(data):
    """All sets of chip states times all sets of up to three bad lanes of the driver."""
    lanes = ["D0", "D1", "D2", "D3"]
    paths, priors = driver_states(lanes, ["low"], (0.5, 20.0), 3)
    weights = data.draw(st.lists(st.floats(0.05, 1.0), min_size=3, max_size=3))
    states = [[SOUND, *(ChipState(f"bad{i}", w) for i, w in enumerate(weights))]] * 4
    table = [[[data.draw(level) for _ in range(4)] for _ in lanes] for _ in range(3)]
    # Which of three made-up tables a path goes with does not matter here, but that they differ does.
    loglik = [table[len(name.split(",")) % 3] for name in paths]
    truth = marginals(paths, states, loglik, (0.6, 18.0), priors)

    logs = np.log(np.array(weights) / sum(weights))
    totals, bad, counts = [], [], math.log(sum(priors))
    for prior, rows in zip(priors, loglik, strict=True):
        sound = np.array([row[0] for row in rows])
        broken = np.array([log_sum([*(logs + row[1:])]) for row in rows])
        found = sum_over_share(sound, broken, (0.6, 18.0))
        totals.append(math.log(prior) - counts + found.log_total)
        bad.append(found.bad)
    evidence = log_sum(totals)
    shares = np.exp(np.array(totals) - evidence)
    assert evidence == pytest.approx(truth.log_evidence, abs=1e-6)
    assert shares.tolist() == pytest.approx(truth.path, abs=5e-4)
    assert (shares @ np.array(bad)).tolist() == pytest.approx(truth.chip_bad, abs=5e-4)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(level, level), min_size=1, max_size=9), st.sampled_from(PRIORS))
def test_marginals_are_sums_over_all_sets_of_bad_chips(chips, prior):
    sound, bad = (np.array(column) for column in zip(*chips, strict=True))
    n = len(chips)
    sets = [np.array(which) for which in itertools.product([False, True], repeat=n)]
    each = [
        float(np.where(which, bad, sound).sum())
        + float(betabinom.logpmf(which.sum(), n, *prior))
        - math.log(math.comb(n, int(which.sum())))
        for which in sets
    ]
    found = sum_over_share(sound, bad, prior)
    assert found.log_total == pytest.approx(log_sum(each), rel=1e-9, abs=1e-9)
    share = np.exp(np.array(each) - log_sum(each))
    assert found.bad.tolist() == pytest.approx((share @ np.array(sets, float)).tolist(), abs=1e-9)
