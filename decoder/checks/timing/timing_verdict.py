"""Measured times against published limits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from busledger.decoder.board import Chip
from busledger.decoder.bus import Profile
from busledger.decoder.bus.schema import Grade, Limit
from busledger.decoder.checks.lines import Setting
from busledger.decoder.checks.results import CheckFinding, DelayHistogram, LimitResult, TimingResult, worst_first
from busledger.decoder.checks.timing.clock_periods import PERIODS
from busledger.decoder.checks.timing.timing_tally import TimeTally

__all__ = ["ChipAccess", "timing_result"]

HISTOGRAM_BINS = 40
"""On one screen."""
# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
FEW, RARE = 3, 0.003
"""Fewer violations, or a smaller share of the cycles, may be a probe's (judged, as ``buffer_verdict.FEW`` and
``SHARE``: a time has two edges, each of which a stray sample can move)."""
STRAY_SAMPLES, STRAY_SHORTER = 2.5, 4
"""A strobe of no more samples, and so many times shorter than the middle one, is a stray pulse (``bus.tidy_kernel``
drops those of a single sample)."""
CRYSTAL = 0.005
"""Clocks are run at the published limit itself: so much is left to two crystals and the tick (common practice)."""
OVERRUN = 0.03
"""1 MHz parts were run at 1.02 MHz, a clock made for the picture: so much faster a machine still has that grade."""
ONE_CHANNEL = ("cycle", "strobe-width")
FROM_MEMORY = ("data-setup", "data-hold")
"""What the card owes the processor, whichever grade it is. Everything else is the processor's own doing, or follows
from its clock (``access``): late data that still keeps the set-up harms nothing."""
BUFFER_NS = 18.0
"""A data buffer between chip and clip: 74LS244/245 take up to 18 ns (TI TTL Data Book)."""


@dataclass(frozen=True, slots=True)
class ChipAccess:
    """Access times of one chip; ``from_select`` where its select is clipped.

    ``tally`` counts from the later of address and select, ``gated`` from the strobe's begin where
    that is later still: the shortest that the chip itself can have taken.
    """

    region: str
    chip: Chip
    from_select: bool
    tally: TimeTally
    gated: TimeTally


def timing_result(
    profile: Profile,
    tallies: Mapping[tuple[str, str | None], TimeTally],
    chips: list[ChipAccess],
    setting: Setting,
    grade: str | None,
) -> TimingResult:
    """Every limit of the grade that could be measured, violations as findings.

    Raises
    ------
    ProfileError
        The profile has no such grade.
    """
    stated = grade is not None
    chosen = profile.grade(grade) if grade is not None else _fitting(profile, tallies)
    limits, findings, skipped = [], [], []
    for limit in chosen.limits if chosen is not None else ():
        tally = tallies.get((limit.measure, limit.strobe))
        if tally is None or not tally.count:
            skipped.append(f"{limit.symbol} ({limit.meaning}): {_why_not(limit, profile, setting, tally)}")
            continue
        result = _limit(limit, chosen, tally, setting, stated)
        limits.append(result)
        in_time = limit.measure == "access" and chosen is not None and _in_time(chosen, tallies, setting)
        doubtful = limit.doubtful or in_time or not _sure(limit, profile, tally, setting, stated)
        guessed = "" if stated or chosen is None else chosen.name
        strays = _strays(tally, setting) if limit.measure == "strobe-width" else 0
        findings.extend(_findings(result, doubtful, guessed, strays, in_time=in_time))
    for access in chips:
        result = _chip(access, setting)
        limits.append(result)
        findings.extend(_findings(result, not _surely_slow(access, result, setting)))
    return TimingResult(
        profile=profile.name,
        grade=chosen.name if chosen is not None else None,
        sample_ns=setting.sample_ns or None,
        limits=tuple(limits),
        findings=worst_first(findings),
        skipped=tuple(skipped),
    )


def _fitting(profile: Profile, tallies: Mapping[tuple[str, str | None], TimeTally]) -> Grade | None:
    """The slowest grade whose shortest cycle the clock keeps, the fastest if it is too fast for all of them; the first
    where no cycle was measured."""
    if not profile.grades:
        return None
    best: tuple[float, Grade] | None = None
    fastest: tuple[float, Grade] | None = None
    for grade in profile.grades:
        for limit in grade.limits:
            tally = tallies.get((limit.measure, limit.strobe))
            if limit.measure != "cycle" or limit.min is None or tally is None:
                continue
            median = tally.quantile(0.5)
            if median is None:
                continue
            if fastest is None or limit.min < fastest[0]:
                fastest = (limit.min, grade)
            fits = median / tally.width * (1 + OVERRUN) >= limit.min
            if fits and (best is None or limit.min > best[0]):
                best = (limit.min, grade)
    found = best or fastest
    return found[1] if found is not None else profile.grades[0]


def _why_not(limit: Limit, profile: Profile, setting: Setting, tally: TimeTally | None) -> str:
    if not limit.measure:
        return "needs edges inside the CPU or a line that the profile does not follow"
    if limit.measure in ("cycle", "address-delay") and profile.clock.line not in setting.clipped:
        return f"{profile.clock.line or 'the clock'} is not clipped"
    if tally is not None and tally.bounded:
        return f"nothing moved near the edge in any of {tally.bounded} cycles"
    return "no such cycle was seen"


def _needed_hz(samples: float, margin_ns: float, sample_ns: float) -> float:
    """The sample rate that tells the measured value from the limit: at least twice the present one, 1 GHz at most."""
    tell_ns = min(max(abs(margin_ns), 1.0) / samples, sample_ns / 2)
    return min(math.ceil(1e3 / tell_ns) * 1e6, 1e9)


def _figures(tally: TimeTally, setting: Setting) -> dict[str, float | None]:
    return {
        "min_ns": round(setting.ns(tally.lowest[0][0]), 3) if tally.lowest else None,
        "p01_ns": _ns(tally.quantile(0.01), setting),
        "median_ns": _ns(tally.quantile(0.5), setting),
        "p99_ns": _ns(tally.quantile(0.99), setting),
        "max_ns": round(setting.ns(tally.highest[0][0]), 3) if tally.highest else None,
    }


def _ns(count: float | None, setting: Setting) -> float | None:
    return None if count is None else round(setting.ns(count), 3)


def _measured(
    tally: TimeTally,
    setting: Setting,
    limit_ns: float | None,
    limit_is: Literal["min", "max", "none"],
    samples: float,
    leeway_ns: float = 0.0,
) -> dict[str, object]:
    """The keys of a ``LimitResult`` that come from the tally; ``leeway_ns``: what a nominal value may miss it by."""
    doubt_ns = samples * setting.sample_ns
    per_tick = setting.ns(1.0)
    worst = tally.highest if limit_is == "max" else tally.lowest
    margin = None
    violated = maybe = 0
    if limit_ns is not None and worst:
        value = setting.ns(worst[0][0])
        margin = limit_ns - value if limit_is == "max" else value - limit_ns
        above = limit_is == "max"
        sign = 1.0 if above else -1.0
        violated = tally.beyond((limit_ns + sign * (doubt_ns + leeway_ns)) / per_tick, above)
        maybe = max(0, tally.beyond((limit_ns + sign * (leeway_ns - doubt_ns)) / per_tick, above) - violated)
    resolvable = margin is None or abs(margin) > doubt_ns or violated > 0 or leeway_ns > doubt_ns or doubt_ns == 0.0
    width = max(tally.width, round(samples * setting.bin_ticks) if samples < 1 else setting.bin_ticks)
    first, counts = tally.coarse(width, HISTOGRAM_BINS)
    return {
        "limit_ns": limit_ns,
        "limit_is": limit_is,
        "count": tally.count,
        **_figures(tally, setting),
        "uncertainty_ns": round(doubt_ns, 3),
        "margin_ns": None if margin is None else round(margin, 3),
        "violated": violated,
        "maybe": maybe,
        "bounded": tally.bounded,
        "resolvable": resolvable,
        "rate_needed_hz": None if resolvable else _needed_hz(samples, margin or 0.0, setting.sample_ns),
        "extreme_cycles": tuple(index for _, index, _ in worst if index >= 0),
        "extreme_times_s": tuple(setting.seconds(t) or 0.0 for _, _, t in worst),
        "histogram": DelayHistogram(
            bin_ns=setting.ns(width), first_bin=first, counts=counts, uncertainty_ns=round(doubt_ns, 3)
        ),
    }


def _limit(limit: Limit, grade: Grade | None, tally: TimeTally, setting: Setting, named: bool) -> LimitResult:
    limit_is: Literal["min", "max", "none"] = "none"
    if limit.min is not None or limit.max is not None:
        limit_is = "min" if limit.min is not None else "max"
    # A width is between two edges of one channel, whose lateness cancels; a mean of periods divides the rest.
    samples = 1.0 / PERIODS if limit.measure == "cycle" else 1.0 if limit.measure in ONE_CHANNEL else 2.0
    value = limit.min if limit.min is not None else limit.max
    leeway = (CRYSTAL if named else OVERRUN) * value if limit.measure == "cycle" and value is not None else 0.0
    return LimitResult(
        name=limit.symbol,
        meaning=limit.meaning,
        source=limit.source or (grade.source if grade is not None else ""),
        is_mean=limit.measure == "cycle",
        **_measured(tally, setting, value, limit_is, samples, leeway),  # type: ignore[arg-type]
    )


def _chip(access: ChipAccess, setting: Setting) -> LimitResult:
    chip = access.chip
    part = chip.part.name if chip.part is not None else "chip"
    limit_ns = chip.access_ns
    start = "the later of address and select" if access.from_select else "the address (its select is not clipped)"
    return LimitResult(
        name=f"{chip.designator} access",
        meaning=f"{part} in {access.region}: from {start} to its last data change, {BUFFER_NS:.0f} ns for a buffer",
        source="" if chip.part is None else chip.part.source,
        region=access.region,
        component=chip.designator,
        grade=chip.grade,
        **_measured(
            access.tally, setting, None if limit_ns is None else limit_ns + BUFFER_NS,
            "none" if limit_ns is None else "max", 2.0,
        ),  # type: ignore[arg-type]
    )  # fmt: skip


def _surely_slow(access: ChipAccess, result: LimitResult, setting: Setting) -> bool:
    """Whether the chip is too slow even if the strobe, and not the address, let it begin."""
    if result.limit_ns is None:
        return False
    return access.gated.beyond((result.limit_ns + result.uncertainty_ns) / setting.ns(1.0), True) > 0


def _sure(limit: Limit, profile: Profile, tally: TimeTally, setting: Setting, stated: bool) -> bool:
    """Whether a violation is one: of the grade that was stated, or of what every grade asks of the card.

    Which grade the processor is, no capture shows: one that breaks a guessed grade's own figures is another grade.
    """
    if limit.measure == "access":
        return stated
    if stated:
        return True
    if limit.measure not in FROM_MEMORY:
        return False
    same = [
        one.min
        for grade in profile.grades
        for one in grade.limits
        if (one.measure, one.strobe) == (limit.measure, limit.strobe) and one.min is not None
    ]
    doubt = 2.0 * setting.sample_ns
    beyond = tally.beyond((min(same, default=0.0) - doubt) / setting.ns(1.0), above=False)
    return beyond >= FEW and beyond >= RARE * tally.count


def _in_time(grade: Grade, tallies: Mapping[tuple[str, str | None], TimeTally], setting: Setting) -> bool:
    """Whether the data kept its set-up before the strobe's end, as far as can be told: a read that is late after its
    address, but not there, harms nothing. (Access times are published for the shortest cycle and the latest address.)
    """
    doubt = 2.0 * setting.sample_ns
    told = [
        tally.beyond((limit.min - doubt) / setting.ns(1.0), above=False) < max(FEW, RARE * tally.count)
        for limit in grade.limits
        if limit.measure == "data-setup" and limit.min is not None
        if (tally := tallies.get((limit.measure, limit.strobe))) is not None and tally.count
    ]
    return bool(told) and all(told)


def _strays(tally: TimeTally, setting: Setting) -> int:
    """Strobes of a sample or two among strobes many times longer: a line that rings makes such, or a probe, or a
    glitch on the card; of the processor's times they say nothing."""
    middle = tally.quantile(0.5)
    if setting.grid_ticks is None or middle is None or middle < STRAY_SHORTER * STRAY_SAMPLES * setting.grid_ticks:
        return 0
    return tally.beyond(STRAY_SAMPLES * setting.grid_ticks, above=False)


def _often(result: LimitResult, strays: int) -> bool:
    """More often than a probe's own pulses make it so; every odd clock edge is part of many means."""
    each = PERIODS if result.is_mean else 1
    violated = result.violated - strays
    return violated >= FEW * each and violated >= RARE * result.count


def _findings(
    result: LimitResult, doubtful: bool, guessed: str = "", strays: int = 0, *, in_time: bool = False
) -> list[CheckFinding]:
    """``guessed``: the grade, where nobody stated it; ``strays``: violations that are pulses of a sample or two;
    ``in_time``: the data was in time for all that."""
    named = result.component or result.name
    if result.violated and result.limit_ns is not None:
        worst = result.max_ns if result.limit_is == "max" else result.min_ns
        relation = "at most" if result.limit_is == "max" else "at least"
        unsure = "; the strobe may be what lets it drive" if doubtful and result.component else ""
        if doubtful and guessed and not result.component:
            unsure = f"; nobody stated the grade, {guessed} is a guess (--grade)"
        if in_time:
            unsure = f"; its set-up before the strobe's end is kept all the same{unsure}"
        if strays:
            unsure = f", {strays} of them by pulses of a sample or two, as lines make that ring{unsure}"
        return [
            CheckFinding(
                code="chip-slow" if result.component else "limit-violated",
                weight="note" if doubtful else "fault" if _often(result, strays) else "doubt",
                text=f"{result.name} ({result.meaning}): {worst:.0f} ± {result.uncertainty_ns:.0f} ns, {relation} "
                f"{result.limit_ns:.0f} ns is allowed, {result.violated} of {result.count} cycles{unsure}",
                component=result.component,
                region=result.region,
                lines=(named,) if not result.component else (),
                count=result.violated,
                of=result.count,
                first_time_s=min(result.extreme_times_s, default=None),
            )
        ]
    if not result.resolvable and result.limit_ns is not None and result.rate_needed_hz is not None:
        return [
            CheckFinding(
                code="not-resolvable",
                weight="note",
                text=f"{result.name} ({result.meaning}): the limit of {result.limit_ns:.0f} ns cannot be resolved to "
                f"better than ± {result.uncertainty_ns:.0f} ns; {result.rate_needed_hz / 1e6:.0f} MHz would",
                component=result.component,
                region=result.region,
            )
        ]
    return []
