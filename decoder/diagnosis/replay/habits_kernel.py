"""How well a fault that sleeps and wakes explains hits and misses by window: plain functions of arrays."""

import math

import numba as nb

from busledger.decoder.inner_kernel import inner

_ROUNDS = 3  # of expectation and maximisation: the sum over rates needs the mode to a step of its own only
_FLOOR = 1.0e-9
_SMALL = 1.0e-100  # a sum of both states below which they are divided by it
# The sum over rates (trapezoidal rule, in steps of one standard deviation at the mode: for what is near a Gaussian its
# error is below 1e-8, Trefethen and Weideman 2014, from memory) stops where a term is this far below the greatest.
_SPENT = 8.0
_STEPS = 24


@inner(_nrt=False)
def _forward(hits, misses, log_on, log_off, wakes, sleeps, forward, keep):
    """Log likelihood of all windows at one rate; ``forward``, if ``keep``: the chance of being awake given all windows
    so far.

    The two states are carried as they come and divided by their sum now and then: a window costs no logarithm.
    """
    awake = wakes / (wakes + sleeps)
    asleep = 1.0 - awake
    found = 0.0
    once = math.exp(log_off)
    for i in range(hits.shape[0]):
        if i > 0:
            stays = awake * (1.0 - sleeps) + asleep * wakes
            asleep = asleep * (1.0 - wakes) + awake * sleeps
            awake = stays
        if hits[i] > 0:
            found += hits[i] * log_on + misses[i] * log_off
            asleep = 0.0
        elif misses[i] == 1.0:
            awake *= once
        elif misses[i] == 2.0:
            awake *= once * once
        elif misses[i] > 0:
            awake *= math.exp(misses[i] * log_off)
        both = awake + asleep
        if keep:
            forward[i] = awake / both
        if both < _SMALL:
            found += math.log(both)
            awake /= both
            asleep /= both
    return found + math.log(awake + asleep)


@inner(_nrt=False)
def _asked(misses, wakes, sleeps, awake, forward):
    """Backward: of ``misses``, how many fall into waking windows, by expectation."""
    n = misses.shape[0]
    awake[n - 1] = forward[n - 1]
    asked = awake[n - 1] * misses[n - 1]
    for i in range(n - 2, -1, -1):
        on = forward[i] * (1.0 - sleeps)
        into = on + (1.0 - forward[i]) * wakes
        stays = forward[i] * sleeps
        out_of = stays + (1.0 - forward[i]) * (1.0 - wakes)
        then = awake[i + 1]
        awake[i] = then * on / into if into > 0.0 else 0.0
        if out_of > 0.0:
            awake[i] += (1.0 - then) * stays / out_of
        asked += awake[i] * misses[i]
    return asked


@inner(_nrt=False)
def _at(x, hits, misses, wakes, sleeps, a, b, forward):
    """Log of likelihood × prior × dρ/dx at the rate ρ = 1 / (1 + e^−x)."""
    log_on, log_off = -math.log1p(math.exp(-x)), -math.log1p(math.exp(x))
    return _forward(hits, misses, log_on, log_off, wakes, sleeps, forward, False) + a * log_on + b * log_off


@nb.njit(cache=True, nogil=True, _nrt=False)
def log_spells(hits, misses, wakes, sleeps, a, b, awake, forward):
    """Log marginal likelihood of ``hits`` and ``misses`` (a window each) of a fault with two states.

    Asleep it never acts, awake at one rate with a Beta(``a``, ``b``) prior; from one window to the next it ``wakes``
    or ``sleeps`` with these chances (a hidden Markov chain; Rabiner 1989, "A tutorial on hidden Markov models",
    from memory). The chain is summed by the forward recursion, the rate on a grid of its log odds around the mode,
    which a few rounds of expectation and maximisation find. ``awake``, ``forward``: float64 a window, to work in.
    """
    total, asked = 0.0, 0.0
    for i in range(hits.shape[0]):
        total += hits[i]
        if hits[i] > 0:
            asked += misses[i]
    if total <= 0.0:
        return -math.inf
    rate = (total + a) / (total + asked + a + b)
    for _ in range(_ROUNDS):
        _forward(hits, misses, math.log(rate), math.log1p(-rate), wakes, sleeps, forward, True)
        asked = _asked(misses, wakes, sleeps, awake, forward)
        rate = min(max((total + a) / (total + asked + a + b), _FLOOR), 1.0 - _FLOOR)
    mode = math.log(rate) - math.log1p(-rate)
    step = 1.0 / math.sqrt((total + asked + a + b) * rate * (1.0 - rate))
    top = _at(mode, hits, misses, wakes, sleeps, a, b, forward)
    summed = 1.0
    for side in (-1.0, 1.0):
        for i in range(1, _STEPS + 1):
            here = _at(mode + side * step * i, hits, misses, wakes, sleeps, a, b, forward)
            if here > top:
                summed = summed * math.exp(top - here) + 1.0
                top = here
            else:
                summed += math.exp(here - top)
            if here < top - _SPENT:
                break
    log_beta = math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
    return min(0.0, top + math.log(summed * step) - log_beta)
