"""How many parts of a kind are bad: a share that nobody knows, integrated out.

Each of n like parts is bad with the same unknown chance θ, θ ~ Beta(a, b), and
given θ they are independent. With ``sound`` and ``bad`` the log likelihoods of
what each part showed,

    P = ∫ Beta(θ; a, b) ∏ᵢ ((1 − θ) soundᵢ + θ badᵢ) dθ.

The integrand is a polynomial of degree n in θ against a Beta weight, so that
Gauss-Jacobi quadrature with ⌈(n + 1)/2⌉ nodes is exact (Abramowitz and Stegun,
*Handbook of Mathematical Functions*, 25.4.33 and table 25.8, from memory). Of
parts that show nothing the sum is the Beta-binomial: the sixth bad part is
cheap once five are plain, the first still has to prove itself.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.special_functions import logsumexp, roots_jacobi

__all__ = ["Shared", "sum_over_share"]

Floats = NDArray[np.float64]


class Shared(NamedTuple):
    """``log_total``: log of the sum over all combinations; ``bad``: float64[n], each part's chance of being bad."""

    log_total: float
    bad: Floats


@cache
def _nodes(count: int, a: float, b: float) -> tuple[Floats, Floats]:
    """(θ, log weights) of a quadrature that is exact for polynomials of degree ``count``; the weights sum to 1."""
    x, w = roots_jacobi(max(1, count // 2 + 1), b - 1.0, a - 1.0)
    weight = w / w.sum()
    return (x + 1.0) / 2.0, np.log(weight)


def sum_over_share(sound: Floats, bad: Floats, prior: tuple[float, float], odds: Floats | None = None) -> Shared:
    """Sum over which of n parts are bad.

    Parameters
    ----------
    sound, bad : float64[n], log likelihood of what each part showed, sound or bad
    prior : (a, b) of the Beta prior of the share
    odds : float64[n], log odds that something else (a chip tester) adds for a part being bad; None = nothing
    """
    n = len(sound)
    if n == 0:
        return Shared(0.0, np.zeros(0))
    theta, log_weight = _nodes(n, *prior)
    bad = bad if odds is None else bad + odds
    one = np.log(theta)[:, None] + bad[None, :]
    each = np.logaddexp(np.log1p(-theta)[:, None] + sound[None, :], one)
    whole = log_weight + each.sum(axis=1)
    total = float(logsumexp(whole))
    return Shared(total, np.exp(logsumexp(whole[:, None] + one - each, axis=0) - total))
