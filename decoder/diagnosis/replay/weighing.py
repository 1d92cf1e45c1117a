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
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.habits_kernel import log_spells
from busledger.decoder.diagnosis.replay.memory_kernel import ASLEEP, AWAKE
from busledger.decoder.special_functions import betaln

__all__ = [
    "HARD",
    "LOG_SLIP",
    "REGIONS_APART",
    "SOMETIMES",
    "Noise",
    "Tally",
    "hours_of",
    "log_chances",
    "log_excuse",
    "log_hard",
    "log_hard_each",
    "log_rate",
    "log_sometimes",
    "log_sometimes_each",
    "log_sum",
]

LN2 = math.log(2.0)
# All of these but the shares of the habits doubled at once, and halved at once (six cards, as in search.py): the same
# parts named, a chance moved by 0.018 at most.
# Beta priors; judged, as those of faults/priors.toml, which this room lies below. HARD: a miss in ten thousand chances
# is a slip of the sampling, of which sound captures show about so many. SOMETIMES: see above; 0.4 puts a third of its
# weight below a rate of 1 in 16. _NOISE: a stray in 100 000 reads, known to little more than its order.
HARD = (1.0e4, 1.0)
SOMETIMES = (0.4, 1.0)
_NOISE = (0.5, 5.0e4)
# A wrong read where the fault had an open chance, but with a value that the replay did not foresee (several of its
# acts may have met in one cell), or a right one where it was believed to have acted: any pattern, at this price on top.
EXCUSE = math.log(0.01)  # judged
_MEET = 0.5  # of the accesses before a read that a fault hit, those after which a second act of it shows. Judged

# Shares of the habits: one rate, eight rates, bursts; judged, as likely as not that a fault keeps to one rate.
_HABITS = (0.5, 0.2, 0.3)
# Of lanes and address lines that come and go and that several regions share, those that hurt each at a rate and at
# times of its own: how hard the chips of a row pull, how many lines move with it and what the program does there differ
# from row to row. Judged.
REGIONS_APART = 0.2
_HABIT_FROM = 2  # hits: one has no habit
# Windows that a fault sleeps and that a burst lasts, in the mean: a few very short bursts, some longer ones, or long
# spells of both.
_SPELLS = ((512.0, 6.0), (512.0, 32.0), (384.0, 256.0))

# A fault is taken to come in bursts from so many hits on, of which that share falls into windows in which it is at work
# at a rate no lower than that. Judged: a first look does not yet tell all of its chances there from misses.
_BURSTS_FROM, _BURST_HITS, _BURST_RATE = 8, 0.8, 0.15
_HALF = 0.5

# A settled select sampled at the wrong level: channels are skewed by a sample at the most, and settled means that the
# line rested through the strobe; one in a thousand is generous (our estimate).
LOG_SLIP = math.log(1e-3)

Counts = NDArray[Any]


class Tally(NamedTuple):
    """What a replay counted: see replay_kernel."""

    hits: int = 0
    misses: int = 0
    other: int = 0
    explained: int = 0
    unsure_bits: int = 0
    contradicted: int = 0
    excused: int = 0
    two_ways: int = 0
    both_or_none: int = 0

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


    def log_strays_each(self, strays: NDArray[np.float64]) -> NDArray[np.float64]:
        """``log_strays`` of many, float64."""
        strays = np.maximum(0.0, strays)
        pattern = math.log(2.0**self.pattern_bits - 1.0)
        if self.lenient:
            rate = max(self.wrong, 1) / max(self.compared, 1)
            return strays * (math.log(min(rate, 0.5)) - pattern)
        a, b = _NOISE
        found: NDArray[np.float64] = betaln(a + strays, b + self.compared - strays) - betaln(a, b) - strays * pattern
        return found


def log_sum(logs: Sequence[float]) -> float:
    """log Σ exp; of nothing −∞."""
    top = max(logs, default=-math.inf)
    if top == -math.inf:
        return top
    exp = math.exp
    return top + math.log(sum([exp(value - top) for value in logs]))


@lru_cache(maxsize=1 << 16)
def log_rate(hits: int, misses: int, prior: tuple[float, float]) -> float:
    """Log marginal likelihood of hits and misses under a Beta prior of the rate."""
    a, b = prior
    return float(betaln(hits + a, misses + b) - betaln(a, b))


def log_hard(tally: Tally, extra_misses: int = 0) -> float:
    """The fault acts always: a chance at which it did not show as predicted counts against it.

    Strays are left to the caller (``Noise.log_strays``), as they are in ``log_sometimes``.
    """
    against = tally.misses + tally.other + extra_misses
    return log_rate(tally.hits, against, HARD) - tally.unsure_bits * LN2


def log_chances(hits: Counts, misses: Counts, total: tuple[int, int], two_ways: int = 0) -> float:
    """Log marginal likelihood of hits and misses of a fault that comes and goes.

    Four ideas of its habits, averaged: one rate throughout; a rate of its own in each of eight spans, where it sleeps
    (rate 0) with chance one half, which lets warming up be what it is; and bursts, a few short ones or spells as long
    as the sleep between them (``habits_kernel``).
    ``hits``, ``misses``: int64 or float64[windows]; ``total``: their sums, counted exactly;
    ``two_ways``: the hits that an act now or an act then would both explain, which have the chance
    1 − (1 − ρ)² = ρ (2 − ρ).
    """
    share = two_ways / max(1, total[0])
    if total[0] < _HABIT_FROM:
        return _even(total, share)
    return _log_habits(hits.tobytes(), misses.tobytes(), hits.dtype.char + misses.dtype.char, total, share)


def _even(total: tuple[int, int], share: float) -> float:
    return math.log(_HABITS[0]) + float(_awake(np.float64(total[0]), np.float64(total[1]), share))


@lru_cache(maxsize=1 << 12)  # many faults, and one under several sets of shared faults, act in the same reads
def _log_habits(hit: bytes, missed: bytes, kinds: str, total: tuple[int, int], share: float) -> float:
    hits, misses = np.frombuffer(hit, kinds[0]), np.frombuffer(missed, kinds[1])
    even = _even(total, share)
    # By spans an act then counts in another span than an act now, so there no hit is taken to have two ways.
    coarse = math.log(_HABITS[1]) + _by_span(hits.reshape(8, -1).sum(1), misses.reshape(8, -1).sum(1))
    spells = _by_spells(hits.astype(np.float64).tobytes(), misses.astype(np.float64).tobytes())
    bursts = [math.log(_HABITS[2] / len(_SPELLS)) + log for log, _ in spells]
    return log_sum([even, coarse, *bursts])


@lru_cache(maxsize=1 << 8)  # how likely it is and when it was at work are asked one after the other
def _by_spells(hit: bytes, missed: bytes) -> tuple[tuple[float, bytes], ...]:
    """Of each kind of spells the log marginal likelihood of hits and misses (float64 a window), and a bit a window:
    whether the fault was more likely at work in it than not."""
    hits, misses = np.frombuffer(hit, np.float64).copy(), np.frombuffer(missed, np.float64).copy()
    awake, forward = np.zeros((2, len(hits)))
    found = []
    for sleep, last in _SPELLS:
        log = log_spells(hits, misses, 1.0 / sleep, 1.0 / last, *SOMETIMES, awake, forward)
        found.append((log, np.packbits(awake > _HALF).tobytes()))
    return tuple(found)


def hours_of(chances: Counts) -> NDArray[np.uint8] | None:
    """In which windows a fault was at work, by its hits and misses (int64[windows, 2]): ``ASLEEP`` or ``AWAKE`` of
    memory_kernel; None of one that does not come in bursts."""
    hits, misses = chances[:, 0].astype(np.float64), chances[:, 1].astype(np.float64)
    there = float(misses[hits > 0].sum())
    if hits.sum() < max(_BURSTS_FROM, _BURST_RATE / 2.0 * (hits.sum() + there)):
        return None  # where it acted it mostly did not
    _, at_work = max(_by_spells(hits.tobytes(), misses.tobytes()), key=lambda one: one[0])
    awake = np.unpackbits(np.frombuffer(at_work, np.uint8), count=len(hits)).view(np.bool_)
    seen, missed = float(hits[awake].sum()), float(misses[awake].sum())
    most = seen > _BURST_HITS * hits.sum() and missed < _HALF * misses.sum()
    if not most or seen < _BURST_RATE * (seen + missed):
        return None
    return np.where(awake, np.uint8(AWAKE), np.uint8(ASLEEP))


def _awake(hits: Any, misses: Any, share: float) -> Any:
    a, b = SOMETIMES
    rate = (hits + a) / (hits + misses + a + b)
    found = betaln(hits + a, misses + b) - betaln(a, b) + share * hits * np.log(2.0 - rate)
    return np.minimum(found, 0.0)


def _by_span(hits: Counts, misses: Counts) -> float:
    awake = _awake(hits, misses, 0.0)
    found = np.where(hits > 0, awake, np.logaddexp(0.0, awake)) - LN2
    return float(found.sum())


def log_sometimes(
    tally: Tally, chances: Counts | None, pattern_bits: int, extra_misses: int = 0,
    hours: NDArray[np.uint8] | None = None, log_unknown: float | None = None, apart: Sequence[Counts] = (),
) -> float:  # fmt: skip
    """The fault comes and goes.

    ``pattern_bits``: lanes of the part; ``extra_misses``: chances missed that
    no window is known of; ``chances`` None: one rate throughout is all that is
    weighed (quick); ``hours``: in which windows it was taken to be at work; ``log_unknown``: log probability of what it
    led to that nobody knew, None = a half for each bit; ``apart``: of a lane that several regions share, the chances
    of each.
    """
    odd = tally.excused + tally.contradicted
    total = (tally.hits + odd, tally.misses + extra_misses)
    if chances is None:
        found = float(_awake(np.float64(total[0]), np.float64(total[1]), tally.two_ways / max(1, total[0])))
    else:
        found = log_chances(chances[:, 0], chances[:, 1] + extra_misses / chances.shape[0], total, tally.two_ways)
        if len(apart) > 1 and not odd:
            each = _by_region(apart) + (log_rate(0, extra_misses, SOMETIMES) if extra_misses else 0.0)
            if each > -math.inf:
                found = log_sum([math.log1p(-REGIONS_APART) + found, math.log(REGIONS_APART) + each])
    excuses = odd * (EXCUSE - math.log(max(2.0**pattern_bits - 1.0, 1.0)))
    unknown = -tally.unsure_bits * LN2 if log_unknown is None else log_unknown
    return found + unknown + excuses + _log_both_or_none(tally, chances, hours)


def _by_region(apart: Sequence[Counts]) -> float:
    """Of a lane that hurts each region at a rate and times of its own; -inf where only one shows it."""
    totals = [(int(c[:, 0].sum()), int(c[:, 1].sum())) for c in apart]
    if sum(hits > 0 for hits, _ in totals) < 2:
        return -math.inf
    return sum(
        log_chances(c[:, 0], c[:, 1], total) if total[0] >= _HABIT_FROM else log_rate(*total, SOMETIMES)
        for c, total in zip(apart, totals, strict=True)
    )


def _log_both_or_none(tally: Tally, chances: Counts | None, hours: NDArray[np.uint8] | None) -> float:
    """Log of the chance that a fault at work met both the write and the read of a cell, or neither of them, for each of
    the right reads that show just that, which count twice: ρ² + (1 − ρ)². Those that show that it did not meet the
    write alone, 1 − ρ (1 − ρ), count once. One that meets nearly all pays next to nothing."""
    if not tally.both_or_none or chances is None or hours is None:
        return 0.0
    hits, misses = chances[hours == AWAKE].sum(axis=0).tolist()
    a, b = SOMETIMES
    rate = (hits + a) / (hits + misses + a + b)
    return tally.both_or_none / 2.0 * math.log(rate * rate + (1.0 - rate) * (1.0 - rate))


def log_excuse(tally: Tally) -> float:
    """Log of the chance that a fault which comes and goes gave, where it acted, what the replay does not foresee: of
    one that acts often several acts meet in one cell as often."""
    rate = tally.hits / max(1, tally.hits + tally.misses)
    return max(EXCUSE, math.log(max(rate, 1e-9) * _MEET))


def log_hard_each(tallies: NDArray[np.float64]) -> NDArray[np.float64]:
    """``log_hard`` of many: float64[faults, columns of a Tally]."""
    hits, misses, other, _, unsure, *_ = tallies.T
    a, b = HARD
    found: NDArray[np.float64] = betaln(hits + a, misses + other + b) - betaln(a, b) - unsure * LN2
    return found


def log_sometimes_each(tallies: NDArray[np.float64], pattern_bits: NDArray[np.float64]) -> NDArray[np.float64]:
    """``log_sometimes`` of many with one rate throughout: float64[faults, columns of a Tally], lanes of each part."""
    hits, misses, _, _, unsure, contradicted, excused, two_ways, _ = tallies.T
    odd = excused + contradicted
    total = hits + odd
    excuses = odd * (EXCUSE - np.log(np.maximum(2.0**pattern_bits - 1.0, 1.0)))
    found: NDArray[np.float64] = _awake(total, misses, two_ways / np.maximum(1.0, total)) - unsure * LN2 + excuses
    return found
