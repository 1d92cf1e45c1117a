"""How well a fault that sleeps and wakes explains hits and misses by window: a plain function of arrays."""

import math

import numba as nb

from busledger.decoder.inner_kernel import inner

_ROUNDS = 6  # of expectation and maximisation; the rate has settled to three digits by then
_FLOOR = 1.0e-9


@inner()
def _log_beta(a, b):
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


@nb.njit(cache=True, nogil=True)
def log_spells(hits, misses, wakes, sleeps, a, b, awake, forward):
    """Log marginal likelihood of ``hits`` and ``misses`` (a window each) of a fault with two states.

    Asleep it never acts, awake at one rate with a Beta(``a``, ``b``) prior; from one window to the next it ``wakes``
    or ``sleeps`` with these chances (a hidden Markov chain; Rabiner 1989, "A tutorial on hidden Markov models",
    from memory). The chain is summed by the forward recursion at the rate that maximises it; the rate is then
    integrated out as if the waking windows were known: B(h + a, m + b) / B(a, b) over ρ^h (1 − ρ)^m, with h and m
    what falls, by expectation, into waking windows. ``awake``, ``forward``: float64 a window, to work in.
    """
    n = hits.shape[0]
    total = 0.0
    beside = 0.0
    for i in range(n):
        total += hits[i]
        if hits[i] > 0:
            beside += misses[i]
    if total <= 0.0:
        return -math.inf
    start = wakes / (wakes + sleeps)
    rate = (total + a) / (total + beside + a + b)
    found = -math.inf
    asked = beside
    for _ in range(_ROUNDS):
        rate = min(max(rate, _FLOOR), 1.0 - _FLOOR)
        log_on, log_off = math.log(rate), math.log1p(-rate)
        # Forward: ``odds`` is the chance of being awake given all windows so far.
        chance = start
        found = 0.0
        for i in range(n):
            if i > 0:
                chance = chance * (1.0 - sleeps) + (1.0 - chance) * wakes
            seen = hits[i] * log_on + misses[i] * log_off
            if hits[i] > 0:
                found += math.log(chance) + seen
                chance = 1.0
            else:
                both = (1.0 - chance) + chance * math.exp(seen)
                found += math.log(both)
                chance = chance * math.exp(seen) / both
            forward[i] = chance
        # Backward, to the chance of being awake given all windows.
        awake[n - 1] = forward[n - 1]
        for i in range(n - 2, -1, -1):
            on = forward[i] * (1.0 - sleeps)
            into = on + (1.0 - forward[i]) * wakes
            stays = forward[i] * sleeps
            out_of = stays + (1.0 - forward[i]) * (1.0 - wakes)
            then = awake[i + 1]
            awake[i] = then * on / into if into > 0.0 else 0.0
            if out_of > 0.0:
                awake[i] += (1.0 - then) * stays / out_of
        asked = 0.0
        for i in range(n):
            asked += awake[i] * misses[i]
        rate_next = (total + a - 1.0) / (total + asked + a + b - 2.0) if total + a > 1.0 else rate
        if abs(rate_next - rate) < 1.0e-3 * rate:
            break
        rate = rate_next
    rate = min(max(rate, _FLOOR), 1.0 - _FLOOR)
    at_best = total * math.log(rate) + asked * math.log1p(-rate)
    return min(0.0, found + _log_beta(total + a, asked + b) - _log_beta(a, b) - at_best)
