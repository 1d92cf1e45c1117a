"""Exact posteriors for a small card with many faults: by enumeration, and by summing over the number of bad chips.

The frame. A *path* (bus lanes, driver) is in one of a few states. Given that state the chips are independent except
that how many of them are bad is unknown: the share of bad chips has a Beta(a, b) prior and is integrated out, so that

    P(these k of n chips are bad, the others sound) = B(k + a, n - k + b) / B(a, b).

A chip is sound or in one of its bad states, each with a weight (its share among that chip's bad states). What the
capture says is given as log likelihoods, `loglik[path][chip][state]`: the chip's own lanes under this path state.

    P(path, states | capture)  ~  P(path) * P(which chips are bad) * product of the bad states' weights * likelihoods

`marginals` adds up every combination; `marginals_poly` gives the same sums in a number of steps that grows with the
square of the number of chips, and is meant as a reference algorithm for cards of any size.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.stats import betabinom

NONE = -math.inf

LogLikelihoods = Sequence[Sequence[Sequence[float]]]
"""By path state, by chip, by state of the chip."""


@dataclass(frozen=True)
class ChipState:
    """One thing that a chip may be. `weight` is its share among the chip's bad states (any scale), unused if sound."""

    name: str
    weight: float = 1.0
    bad: bool = True


SOUND = ChipState("sound", 1.0, bad=False)


@dataclass(frozen=True)
class Marginals:
    """What is believed after the capture."""

    path: list[float]
    """P(path state), in the order given."""
    chip_bad: list[float]
    """P(chip is bad)."""
    chip_state: list[list[float]]
    """P(state) by chip."""
    bad_count: list[float]
    """P(k chips are bad), k from 0 to the number of chips."""
    log_evidence: float
    """log P(capture), summed over everything."""


def log_sum(terms: Iterable[float]) -> float:
    """log of the sum of exponentials; the sum of nothing is 0, whose log is minus infinity."""
    values = [term for term in terms if term != NONE]
    if not values:
        return NONE
    top = max(values)
    return top + math.log(math.fsum(math.exp(value - top) for value in values))


def log_beta(a: float, b: float) -> float:
    """log of Euler's Beta function."""
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def log_prior_of_bad(chips: int, bad: int, beta: tuple[float, float]) -> float:
    """log P(these `bad` of `chips` chips are bad and the others are not), the share of bad chips integrated out."""
    a, b = beta
    return log_beta(bad + a, chips - bad + b) - log_beta(a, b)


def _logs(weights: Sequence[float]) -> list[float]:
    """Weights to logs of probabilities that sum to one."""
    total = math.fsum(weights)
    return [math.log(weight / total) if weight > 0 else NONE for weight in weights]


def _state_priors(states: Sequence[ChipState]) -> list[float]:
    """log P(state | bad) for the bad states and 0 for the sound one."""
    if sum(not state.bad for state in states) != 1:
        raise ValueError("a chip needs exactly one state that is not bad")
    total = math.fsum(state.weight for state in states if state.bad)
    priors: list[float] = []
    for state in states:
        if not state.bad:
            priors.append(0.0)
        else:
            priors.append(math.log(state.weight / total) if state.weight > 0 else NONE)
    return priors


def _possible(evidence: float) -> float:
    """Refuse a capture that no combination can have given: there is nothing to share out."""
    if evidence == NONE:
        raise ValueError("no path state and chip states can have given this capture (every likelihood is nought)")
    return evidence


def _check(path_states: Sequence[str], chip_states: Sequence[Sequence[ChipState]], loglik: LogLikelihoods) -> None:
    """Refuse tables whose shapes do not fit one another."""
    if len(loglik) != len(path_states):
        raise ValueError(f"{len(loglik)} tables of likelihoods for {len(path_states)} path states")
    for name, table in zip(path_states, loglik, strict=True):
        if [len(row) for row in table] != [len(states) for states in chip_states]:
            raise ValueError(f"path state {name!r}: its likelihoods do not have one figure per chip and state")


def marginals(
    path_states: Sequence[str],
    chip_states: Sequence[Sequence[ChipState]],
    loglik: LogLikelihoods,
    beta: tuple[float, float],
    path_priors: Sequence[float],
) -> Marginals:
    """Posterior by full enumeration: every path state with every combination of chip states. For small cards only."""
    _check(path_states, chip_states, loglik)
    chips = len(chip_states)
    priors = [_state_priors(states) for states in chip_states]
    log_paths = _logs(path_priors)
    joint: list[tuple[int, tuple[int, ...], float]] = []
    for path in range(len(path_states)):
        for combination in itertools.product(*(range(len(states)) for states in chip_states)):
            bad = sum(chip_states[chip][state].bad for chip, state in enumerate(combination))
            weight = log_paths[path] + log_prior_of_bad(chips, bad, beta)
            for chip, state in enumerate(combination):
                weight += priors[chip][state] + loglik[path][chip][state]
            joint.append((path, combination, weight))
    evidence = _possible(log_sum(weight for _, _, weight in joint))
    by_path = [0.0] * len(path_states)
    by_state = [[0.0] * len(states) for states in chip_states]
    by_count = [0.0] * (chips + 1)
    for path, combination, weight in joint:
        share = math.exp(weight - evidence)
        by_path[path] += share
        for chip, state in enumerate(combination):
            by_state[chip][state] += share
        by_count[sum(chip_states[chip][state].bad for chip, state in enumerate(combination))] += share
    return Marginals(by_path, _bad(chip_states, by_state), by_state, by_count, evidence)


def _bad(chip_states: Sequence[Sequence[ChipState]], by_state: list[list[float]]) -> list[float]:
    return [
        math.fsum(p for p, state in zip(row, states, strict=True) if state.bad)
        for row, states in zip(by_state, chip_states, strict=True)
    ]


def marginals_poly(
    path_states: Sequence[str],
    chip_states: Sequence[Sequence[ChipState]],
    loglik: LogLikelihoods,
    beta: tuple[float, float],
    path_priors: Sequence[float],
) -> Marginals:
    """The same posterior from the polynomial  product over chips of (s + g z), whose z^k term has k bad chips.

    s is the chip's likelihood if sound, g the weighted sum over its bad states. Only the number of bad chips ties the
    chips together, so a table forward[c][k] (the first c chips, k of them bad) and a table backward[c][k] (all that
    may follow, the Beta-binomial weight of the final number included) give every marginal.
    """
    _check(path_states, chip_states, loglik)
    chips = len(chip_states)
    priors = [_state_priors(states) for states in chip_states]
    log_paths = _logs(path_priors)
    parts = [_one_path(chip_states, priors, table, beta) for table in loglik]
    path_weights = [log_path + part.log_evidence for log_path, part in zip(log_paths, parts, strict=True)]
    evidence = _possible(log_sum(path_weights))
    by_path = [math.exp(weight - evidence) for weight in path_weights]
    shares = list(zip(by_path, parts, strict=True))
    by_state = [
        [math.fsum(p * part.chip_state[c][s] for p, part in shares) for s in range(len(states))]
        for c, states in enumerate(chip_states)
    ]
    by_count = [math.fsum(p * part.bad_count[k] for p, part in shares) for k in range(chips + 1)]
    return Marginals(by_path, _bad(chip_states, by_state), by_state, by_count, evidence)


def _one_path(
    chip_states: Sequence[Sequence[ChipState]],
    priors: list[list[float]],
    table: Sequence[Sequence[float]],
    beta: tuple[float, float],
) -> Marginals:
    """The chips' marginals and the log likelihood of the capture, given one state of the path."""
    chips = len(chip_states)
    sound: list[float] = []
    broken: list[float] = []
    for states, prior, row in zip(chip_states, priors, table, strict=True):
        sound.append(next(x for state, x in zip(states, row, strict=True) if not state.bad))
        broken.append(log_sum(p + x for state, p, x in zip(states, prior, row, strict=True) if state.bad))
    forward = [[0.0]]
    for s, g in zip(sound, broken, strict=True):
        before = [NONE, *forward[-1], NONE]  # one place of padding on each side
        forward.append([log_sum((before[k + 1] + s, before[k] + g)) for k in range(len(before) - 1)])
    backward = [[log_prior_of_bad(chips, k, beta) for k in range(chips + 1)]]
    for s, g in zip(reversed(sound), reversed(broken), strict=True):
        after = backward[0]
        backward.insert(0, [log_sum((s + after[k], g + after[k + 1])) for k in range(len(after) - 1)])
    evidence = backward[0][0]
    if evidence == NONE:  # this path state cannot have given the capture; its share will be nought
        return Marginals([1.0], [0.0] * chips, [[0.0] * len(row) for row in table], [0.0] * (chips + 1), NONE)
    by_state: list[list[float]] = []
    for chip, (states, prior, row) in enumerate(zip(chip_states, priors, table, strict=True)):
        others_if_sound = log_sum(f + backward[chip + 1][k] for k, f in enumerate(forward[chip]))
        others_if_bad = log_sum(f + backward[chip + 1][k + 1] for k, f in enumerate(forward[chip]))
        by_state.append(
            [
                math.exp(p + x + (others_if_bad if state.bad else others_if_sound) - evidence)
                for state, p, x in zip(states, prior, row, strict=True)
            ]
        )
    by_count = [math.exp(f + backward[-1][k] - evidence) for k, f in enumerate(forward[-1])]
    return Marginals([1.0], _bad(chip_states, by_state), by_state, by_count, evidence)


def driver_states(
    lanes: Sequence[str], kinds: Sequence[str], beta: tuple[float, float], at_most: int
) -> tuple[list[str], list[float]]:
    """Path states of one driver with up to `at_most` bad lanes, and their priors (to be normalised by the caller).

    The share of bad lanes of the driver has its own Beta prior; the kinds of a bad lane are equally likely.
    """
    names, weights = ["sound"], [math.exp(log_prior_of_bad(len(lanes), 0, beta))]
    for bad in range(1, at_most + 1):
        each = math.exp(log_prior_of_bad(len(lanes), bad, beta)) / len(kinds) ** bad
        for which in itertools.combinations(lanes, bad):
            for how in itertools.product(kinds, repeat=bad):
                names.append(", ".join(f"{lane} {kind}" for lane, kind in zip(which, how, strict=True)))
                weights.append(each)
    return names, weights


def beta_binomial_check(chips_up_to: int = 40) -> float:
    """Largest relative difference from scipy.stats.betabinom over a grid; it should be rounding only."""
    worst = 0.0
    for chips in range(1, chips_up_to + 1):
        for beta in ((1.0, 1.0), (0.5, 4.5), (1.0, 9.0), (0.2, 20.0), (3.0, 2.0)):
            for bad in range(chips + 1):
                ours = math.comb(chips, bad) * math.exp(log_prior_of_bad(chips, bad, beta))
                theirs = float(betabinom.pmf(bad, chips, *beta))
                worst = max(worst, abs(ours - theirs) / theirs)
    return worst


if __name__ == "__main__":
    print(f"Beta-binomial against scipy, largest relative difference: {beta_binomial_check():.2e}")
