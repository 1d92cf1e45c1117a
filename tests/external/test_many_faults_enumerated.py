"""Enumeration, polynomial and quadrature must give the same posterior; and the posterior must make sense."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from tests.reference.brute_force import (
    SOUND,
    ChipState,
    Marginals,
    beta_binomial_check,
    driver_states,
    log_prior_of_bad,
    log_sum,
    marginals,
    marginals_poly,
)

Card = tuple[list[str], list[list[ChipState]], list[list[list[float]]], tuple[float, float], list[float]]


@st.composite
def cards(draw: st.DrawFn) -> Card:
    """Up to four chips of up to five states each, up to four path states, any likelihoods (some impossible)."""
    paths = draw(st.integers(1, 4))
    sizes = draw(st.lists(st.integers(1, 4), min_size=1, max_size=4))
    weight = st.floats(1e-3, 1.0)
    states = [[SOUND, *(ChipState(f"bad{i}", draw(weight)) for i in range(size))] for size in sizes]
    level = st.one_of(st.floats(-2000.0, 0.0), st.floats(-5.0, 0.0), st.just(-math.inf))
    loglik = [[[draw(level) for _ in chip] for chip in states] for _ in range(paths)]
    for row in loglik[0]:
        row[-1] = -3000.0  # at least one explanation is possible
    beta = (draw(st.floats(0.05, 20.0)), draw(st.floats(0.05, 50.0)))
    return [f"p{i}" for i in range(paths)], states, loglik, beta, [draw(weight) for _ in range(paths)]


def numbers(result: Marginals) -> list[float]:
    """All that a result says, in one row."""
    flat = [p for row in result.chip_state for p in row]
    return [*result.path, *result.chip_bad, *flat, *result.bad_count]


@settings(max_examples=300, deadline=None)
@given(cards())
def test_enumeration_and_polynomial_agree(card: Card) -> None:
    slow, fast = marginals(*card), marginals_poly(*card)
    assert numbers(fast) == pytest.approx(numbers(slow), abs=1e-9)
    assert fast.log_evidence == pytest.approx(slow.log_evidence, abs=1e-9)


@settings(max_examples=300, deadline=None)
@given(cards())
def test_probabilities_are_probabilities(card: Card) -> None:
    result = marginals_poly(*card)
    sums = [result.path, result.bad_count, *result.chip_state]
    assert [math.fsum(row) for row in sums] == pytest.approx([1.0] * len(sums), abs=1e-9)
    assert math.fsum(result.chip_bad) == pytest.approx(
        math.fsum(k * p for k, p in enumerate(result.bad_count)), abs=1e-9
    )


@pytest.mark.parametrize("beta", [(1.0, 1.0), (2.0, 8.0), (1.5, 30.0)])
def test_a_third_way_integrates_over_the_share(beta: tuple[float, float]) -> None:
    """Given the share of bad chips the chips are independent; integrate numerically over the share."""
    sound, broken = [-1.0, -6.0, -2.5, -9.0], [-4.0, -0.5, -2.0, -1.0]
    states = [[SOUND, ChipState("unlisted")]] * 4
    table = [[[s, g] for s, g in zip(sound, broken, strict=True)]]

    def joint(share: float, bad: int | None) -> float:
        product = float(stats.beta.pdf(share, *beta))
        for chip, (s, g) in enumerate(zip(sound, broken, strict=True)):
            healthy = 0.0 if chip == bad else (1.0 - share) * math.exp(s)
            product *= healthy + share * math.exp(g)
        return product

    evidence = integrate.quad(joint, 0.0, 1.0, args=(None,), epsabs=0.0, epsrel=1e-12)[0]
    expected = [
        integrate.quad(joint, 0.0, 1.0, args=(chip,), epsabs=0.0, epsrel=1e-12)[0] / evidence for chip in range(4)
    ]
    result = marginals_poly(["sound"], states, table, beta, [1.0])
    assert result.chip_bad == pytest.approx(expected, abs=1e-9)
    assert result.log_evidence == pytest.approx(math.log(evidence), abs=1e-9)


def test_the_prior_is_beta_binomial() -> None:
    assert beta_binomial_check() < 1e-11


@pytest.mark.parametrize("chips", [1, 4, 40])
def test_without_evidence_the_prior_comes_back(chips: int) -> None:
    states = [[SOUND, ChipState("stuck", 3.0), ChipState("unlisted", 1.0)]] * chips
    beta = (1.0, 9.0)
    result = marginals_poly(["sound"], states, [[[0.0] * 3] * chips], beta, [1.0])
    assert result.chip_bad == pytest.approx([0.1] * chips)
    assert result.chip_state[0] == pytest.approx([0.9, 0.075, 0.025])
    assert result.bad_count == pytest.approx([float(stats.betabinom.pmf(k, chips, *beta)) for k in range(chips + 1)])


def test_the_sixth_bad_chip_is_cheap_once_five_are_plain() -> None:
    """Forty chips, one of them with the same faint evidence, among sound chips or beside five that are plainly bad."""
    states = [[SOUND, ChipState("unlisted")]] * 40
    faint, plain, sound = [0.0, 1.0], [-50.0, 0.0], [0.0, -20.0]

    def of_first(rows: list[list[float]]) -> float:
        return marginals_poly(["sound"], states, [rows], (1.0, 19.0), [1.0]).chip_bad[0]

    alone = of_first([faint] + [sound] * 39)
    sixth = of_first([faint] + [plain] * 5 + [sound] * 34)
    assert alone < 0.05 < 0.2 < sixth
    ratio = math.exp(1.0 + log_prior_of_bad(40, 6, (1.0, 19.0)) - log_prior_of_bad(40, 5, (1.0, 19.0)))
    assert sixth == pytest.approx(ratio / (1.0 + ratio), rel=1e-3)


# A card of four chips of one lane each: U1 and U2 hold D0 and D1 of one region, U3 and U4 D0 and D1 of another. A lane
# stuck low in the driver spoils every read of a 1 on that lane in both regions; a chip spoils its own only.

READS_OF_ONE = 30
NOISE, HARD = 1e-4, 0.999


def likelihood(failures: int, rate: float) -> float:
    """log likelihood of one order of `failures` among the reads of a 1."""
    return failures * math.log(rate) + (READS_OF_ONE - failures) * math.log1p(-rate)


def unlisted(failures: int) -> float:
    """log likelihood with the rate of failure unknown, all rates alike."""
    return -math.log(READS_OF_ONE + 1) - math.log(math.comb(READS_OF_ONE, failures))


def four_chips(failures: list[int]) -> tuple[list[str], Marginals]:
    """Diagnose the card from how many of the reads of a 1 failed, chip by chip."""
    paths, priors = driver_states(["D0", "D1"], ["low"], (0.5, 20.0), 2)
    states = [[SOUND, ChipState("stuck low", 1.0), ChipState("unlisted", 1.0)]] * 4
    loglik = []
    for path in paths:
        table = []
        for chip, count in enumerate(failures):
            if f"D{chip % 2} low" in path:  # the lane spoils every 1, whatever the chip holds
                table.append([likelihood(count, HARD)] * 3)
            else:
                table.append([likelihood(count, NOISE), likelihood(count, HARD), unlisted(count)])
        loglik.append(table)
    slow = marginals(paths, states, loglik, (1.0, 9.0), priors)
    assert numbers(marginals_poly(paths, states, loglik, (1.0, 9.0), priors)) == pytest.approx(numbers(slow), abs=1e-9)
    return paths, slow


def test_a_lane_bad_in_both_regions_speaks_for_the_driver_but_not_surely() -> None:
    paths, result = four_chips([READS_OF_ONE, 0, READS_OF_ONE, 0])
    lane = result.path[paths.index("D0 low")]
    assert lane > result.path[paths.index("sound")] > 0.01
    assert result.chip_bad[0] == pytest.approx(result.chip_bad[2])
    assert result.chip_bad[1] < 0.1  # seen right, thirty times


def test_a_lane_bad_in_one_region_only_is_the_chip() -> None:
    paths, result = four_chips([READS_OF_ONE, 0, 0, 0])
    assert result.chip_bad[0] > 0.999
    assert result.path[paths.index("sound")] > 0.999


def test_two_chips_failing_now_and_then_do_not_convict_the_driver() -> None:
    paths, result = four_chips([10, 0, 17, 0])
    assert result.path[paths.index("sound")] > 0.999
    assert min(result.chip_bad[0], result.chip_bad[2]) > 0.999
    assert result.chip_state[0][2] > 0.999  # bad in a way that the list does not have


def test_driver_states_have_their_own_beta_binomial() -> None:
    names, weights = driver_states(["D0", "D1", "D2"], ["low", "high"], (1.0, 9.0), 3)
    assert len(names) == 3**3
    assert math.fsum(weights) == pytest.approx(1.0)
    assert log_sum([]) == -math.inf


def test_tables_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="one figure per chip and state"):
        marginals(["sound"], [[SOUND, ChipState("bad")]], [[[0.0]]], (1.0, 1.0), [1.0])
    with pytest.raises(ValueError, match="exactly one state that is not bad"):
        marginals(["sound"], [[ChipState("bad")]], [[[0.0]]], (1.0, 1.0), [1.0])
    for method in (marginals, marginals_poly):
        with pytest.raises(ValueError, match="every likelihood is nought"):
            method(["sound"], [[SOUND, ChipState("bad")]], [[[-math.inf, -math.inf]]], (1.0, 1.0), [1.0])
