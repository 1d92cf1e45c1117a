"""Likelihoods in closed form: how well a fault explains what was read.

A fault that acts at rate ρ leaves h hits and m misses among its chances. Two
ideas of ρ are weighed: *hard* (a Beta(10 000, 1), a spike just under 1, so that
a rare sampling slip does not acquit) and *now and then* (a Beta(0.4, 1): low
rates are likelier than high ones). The marginal likelihood of h and m is

    ∫ ρ^h (1 − ρ)^m Beta(ρ; a, b) dρ = B(h + a, m + b) / B(a, b),

the Beta-binomial without its coefficient (Gelman et al., *Bayesian Data
Analysis*, ch. 2, from memory). A wrong read that the fault does not explain is
a stray: strays happen at a small rate of their own, and each may show any of
the patterns that the lanes can make. "None of these" is a fault nobody listed
in some place (a lane, a chip, a region, anywhere): it fails there at any rate,
and every wrong read may show any pattern of that place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from scipy.special import betaln, logsumexp

__all__ = ["HARD", "SOMETIMES", "Noise", "Place", "Tally", "log_hard", "log_none", "log_rate", "log_sometimes"]

LN2 = math.log(2.0)
HARD = (1.0e4, 1.0)
SOMETIMES = (0.4, 1.0)
_NOISE = (0.5, 5.0e4)


class Tally(NamedTuple):
    """What a replay counted: see replay_kernel."""

    hits: int = 0
    misses: int = 0
    other: int = 0
    explained: int = 0
    unsure_bits: int = 0
    contradicted: int = 0

    def plus(self, other: Tally) -> Tally:
        """Both together."""
        return Tally(*(a + b for a, b in zip(self, other, strict=True)))


class Noise(NamedTuple):
    """The wrong reads to be explained among all compared ones; ``pattern_bits`` = lanes of a read.

    ``lenient``: more faults may follow, so a stray costs what it would cost as
    part of something unlisted, not the price of a miracle.
    """

    wrong: int
    compared: int
    pattern_bits: int
    lenient: bool = False

    def log_strays(self, strays: int) -> float:
        """Log probability of ``strays`` unexplained wrong reads."""
        strays = max(0, strays)
        pattern = math.log(2.0**self.pattern_bits - 1.0)
        if self.lenient:
            rate = max(self.wrong, 1) / max(self.compared, 1)
            return strays * (math.log(min(rate, 0.5)) - pattern)
        a, b = _NOISE
        return float(betaln(a + strays, b + self.compared - strays) - betaln(a, b)) - strays * pattern


def log_rate(hits: int, misses: int, prior: tuple[float, float]) -> float:
    """Log marginal likelihood of hits and misses under a Beta prior of the rate."""
    a, b = prior
    return float(betaln(hits + a, misses + b) - betaln(a, b))


def log_hard(tally: Tally, noise: Noise) -> float:
    """The fault acts always: a chance at which it did not show as predicted counts against it."""
    against = tally.misses + tally.other
    found = log_rate(tally.hits, against, HARD) - tally.unsure_bits * LN2
    return found + noise.log_strays(noise.wrong - tally.explained)


def log_sometimes(tally: Tally, noise: Noise) -> float:
    """The fault comes and goes at some rate."""
    found = log_rate(tally.hits, tally.misses, SOMETIMES) - tally.unsure_bits * LN2
    return found + noise.log_strays(noise.wrong - tally.explained + 2 * tally.contradicted)


class Place(NamedTuple):
    """A place for an unlisted fault: its share of the prior, reads compared there, its lanes,
    the wrong reads that lie in it (``events`` without repeats of a cell's last read)."""

    share: float
    compared: int
    lanes: int
    wrong: int
    events: int


def log_none(places: list[Place], noise: Noise) -> float:
    """Log marginal likelihood of "none of these", averaged over the places (shares sum to 1)."""
    found = []
    for place in places:
        pattern = math.log(max(2.0**place.lanes - 1.0, 1.0))
        rate = log_rate(place.events, max(place.compared - place.wrong, 0), (0.5, 1.0))
        strays = noise.log_strays(noise.wrong - place.wrong)
        found.append(math.log(place.share) + rate - place.events * pattern + strays)
    return float(logsumexp(found)) if found else -math.inf


def shares(weights: Mapping[object, float]) -> dict[object, float]:
    """Log weights → probabilities that sum to 1."""
    total = float(logsumexp(list(weights.values()))) if weights else 0.0
    return {key: math.exp(value - total) for key, value in weights.items()}
