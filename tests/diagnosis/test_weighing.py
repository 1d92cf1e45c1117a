"""The likelihoods in closed form, against numerical integration and against counting by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta

from busledger.decoder.diagnosis.replay.habits_kernel import log_spells
from busledger.decoder.diagnosis.replay.memory_kernel import ASLEEP, AWAKE
from busledger.decoder.diagnosis.replay.weighing import (
    _HABITS,
    _SPELLS,
    EXCUSE,
    HARD,
    SOMETIMES,
    Noise,
    Tally,
    log_chances,
    log_excuse,
    log_hard,
    log_hard_each,
    log_rate,
    log_sometimes,
    log_sometimes_each,
    log_sum,
)


@pytest.mark.parametrize(("hits", "misses"), [(0, 0), (1, 0), (0, 5), (3, 40), (12, 3)])
def test_the_rate_is_integrated_out(hits, misses):
    """Beta-binomial marginal (Gelman et al., Bayesian Data Analysis, ch. 2, from memory) against scipy's quadrature."""
    a, b = SOMETIMES

    def density(u: float) -> float:
        # ρ = u**(1/a) takes the singularity of Beta(0.4, 1) at 0 out: its density a·ρ**(a−1) dρ becomes du.
        rate = u ** (1 / a)
        return rate**hits * (1 - rate) ** misses

    assert b == 1.0
    value, _ = quad(density, 0, 1)
    assert log_rate(hits, misses, SOMETIMES) == pytest.approx(math.log(value), abs=1e-6)


def test_the_hard_prior_is_a_spike_just_under_one():
    assert beta(*HARD).ppf(0.01) > 0.999
    assert log_rate(100_000, 0, HARD) > -3.0
    assert log_rate(1000, 1, HARD) < -9.0


def test_a_hard_fault_pays_for_each_chance_that_it_missed():
    assert log_hard(Tally(hits=50)) > log_hard(Tally(hits=50, misses=1)) + 8
    assert log_hard(Tally(hits=50), extra_misses=1) == log_hard(Tally(hits=50, misses=1))
    assert log_hard(Tally(hits=50, unsure_bits=8)) == pytest.approx(log_hard(Tally(hits=50)) - 8 * math.log(2))


def test_a_wrong_level_at_a_chance_counts_as_a_miss():
    assert log_hard(Tally(hits=50, other=1)) == log_hard(Tally(hits=50, misses=1)) < log_hard(Tally(hits=50)) - 8


def test_the_ideas_of_a_faults_habits_by_hand():
    """One rate; one in each of eight spans, each asleep with chance one half; spells awake, short and long ones."""
    hits, misses = np.zeros(64, np.int64), np.full(64, 5, np.int64)
    hits[20:22] = 3
    spans = 0.0
    for h, m in zip(hits.reshape(8, -1).sum(1), misses.reshape(8, -1).sum(1), strict=True):
        awake = log_rate(int(h), int(m), SOMETIMES)
        spans += log_sum([awake, *([0.0] if h == 0 else [])]) - math.log(2)
    even = log_rate(6, 320, SOMETIMES)
    h, m = hits.astype(float), misses.astype(float)
    spells = [log_spells(h, m, 1 / s, 1 / t, *SOMETIMES, np.empty(64), np.empty(64)) for s, t in _SPELLS]
    a, b, c = _HABITS
    each = math.log(c / len(spells))
    wanted = log_sum([math.log(a) + even, math.log(b) + spans, *(each + spell for spell in spells)])
    assert log_chances(hits, misses, (6, 320)) == pytest.approx(wanted, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 6), st.integers(0, 30)), min_size=1, max_size=7), st.sampled_from(_SPELLS))
def test_spells_awake_against_every_way_in_which_the_windows_could_have_been_spent(windows, spell):
    """The sum over all 2ⁿ ways to be asleep or awake, each with its rate integrated out exactly."""
    sleep, last = spell
    wakes, sleeps = 1 / sleep, 1 / last
    hits, misses = (np.array(column, float) for column in zip(*windows, strict=True))
    found = log_spells(hits, misses, wakes, sleeps, *SOMETIMES, np.empty(len(hits)), np.empty(len(hits)))
    if not hits.any():
        assert found == -math.inf
        return
    every = []
    for way in itertools.product((False, True), repeat=len(hits)):
        awake = np.array(way)
        if hits[~awake].any():
            continue
        log_way = math.log((wakes if way[0] else sleeps) / (wakes + sleeps))
        for before, now in itertools.pairwise(way):
            log_way += math.log((1 - sleeps if now else sleeps) if before else (wakes if now else 1 - wakes))
        every.append(log_way + log_rate(int(hits[awake].sum()), int(misses[awake].sum()), SOMETIMES))
    assert found == pytest.approx(log_sum(every), abs=0.02)


def test_failures_that_crowd_together_are_likelier_in_bursts():
    hits, misses = np.zeros(64, np.int64), np.full(64, 50, np.int64)
    hits[20:22] = 15
    crowded = log_chances(hits, misses, (30, 3200))
    spread = np.zeros(64, np.int64)
    spread[:60:2] = 1
    assert crowded > log_chances(spread, misses, (30, 3200)) + 20
    assert log_chances(spread, misses, (30, 3200)) >= log_rate(30, 3200, SOMETIMES) + math.log(0.5)


def test_a_stray_is_dear_and_more_than_a_few_are_not_believed():
    noise = Noise(wrong=100, compared=10_000, pattern_bits=8)
    assert noise.log_strays(0) > -0.2
    assert noise.log_strays(1) < -14
    assert noise.log_strays(3) < 2.5 * noise.log_strays(1)
    lenient = noise._replace(lenient=True)
    assert lenient.log_strays(100) == pytest.approx(100 * (math.log(0.01) - math.log(255)))


@given(st.lists(st.tuples(*[st.integers(0, 40)] * 9), min_size=1, max_size=6), st.integers(1, 8), st.booleans())
def test_many_at_once_are_weighed_as_one_by_one(each, bits, lenient):
    tallies = [Tally(*values) for values in each]
    table, noise = np.array(each, np.float64), Noise(30, 5000, 8, lenient)
    assert log_hard_each(table) == pytest.approx([log_hard(t) for t in tallies])
    sometimes = log_sometimes_each(table, np.full(len(each), float(bits)))
    assert sometimes == pytest.approx([log_sometimes(t, None, bits) for t in tallies])
    strays = [t.misses - 5 for t in tallies]
    assert noise.log_strays_each(np.array(strays, np.float64)) == pytest.approx([noise.log_strays(n) for n in strays])


def test_an_excuse_costs_a_pattern_and_more():
    chances = np.zeros((64, 2), np.int64)
    plain = log_sometimes(Tally(hits=10, misses=100), chances, 4)
    excused = log_sometimes(Tally(hits=9, misses=100, excused=1), chances, 4)
    assert plain - excused == pytest.approx(math.log(100) + math.log(15))


def test_log_sum():
    assert log_sum([math.log(0.25), math.log(0.5)]) == pytest.approx(math.log(0.75))
    assert log_sum([]) == -math.inf


def test_a_read_that_two_acts_explain_is_likelier_but_never_certain():
    """By hand: at rate one the second way adds nothing; at a low rate it nearly doubles each hit."""
    chances = np.zeros((64, 2), np.int64)
    chances[10:20, 0] = 40  # every chance of these windows hit, none of the others' …
    chances[40:50, 1] = 40
    always = Tally(hits=400, misses=400, two_ways=400)
    assert log_sometimes(always, chances, 8) <= 0.0
    seldom = log_sometimes(Tally(hits=10, misses=10_000, two_ways=10), None, 8)
    once = log_sometimes(Tally(hits=10, misses=10_000), None, 8)
    assert seldom - once == pytest.approx(10 * math.log(2.0), abs=0.02)
    often = log_sometimes(Tally(hits=300, misses=100, two_ways=300), None, 8)
    once = log_sometimes(Tally(hits=300, misses=100), None, 8)
    assert often - once == pytest.approx(300 * math.log(2.0 - 300.4 / 401.4))


def test_what_is_at_work_half_of_the_time_seldom_meets_a_write_and_its_read_alike():
    """ρ² + (1 − ρ)² by hand: ½ at a rate of one half, next to 1 at a rate of next to 1."""
    chances, hours = np.zeros((64, 2), np.int64), np.full(64, ASLEEP, np.uint8)
    chances[10:20], hours[10:20] = (100, 100), AWAKE
    half, quiet = Tally(hits=1000, misses=1000), Tally(hits=1000, misses=1000, both_or_none=100)
    apart = log_sometimes(half, chances, 1, hours=hours) - log_sometimes(quiet, chances, 1, hours=hours)
    assert apart == pytest.approx(50 * math.log(2.0))
    chances[10:20] = 100, 0
    nearly_all = Tally(hits=1000, both_or_none=100)
    apart = log_sometimes(nearly_all._replace(both_or_none=0), chances, 1, hours=hours) - log_sometimes(
        nearly_all, chances, 1, hours=hours)  # fmt: skip
    assert 0.0 < apart < 0.2


def test_what_acts_often_meets_itself_often():
    """One act in a hundred: the excuse costs what it always did. One in two: it shows two acts one time in four."""
    assert log_excuse(Tally(hits=1, misses=99)) == EXCUSE
    assert log_excuse(Tally(hits=50, misses=50)) == pytest.approx(math.log(0.25))
