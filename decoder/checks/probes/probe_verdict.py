"""From channel tallies to what is healthy and what makes every other answer doubtful."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from busledger.decoder.checks.probes import probe_kernel as kernel
from busledger.decoder.checks.probes.clip_findings import Seen, clip_findings, has_stopped
from busledger.decoder.checks.probes.clock_verdict import clock_of, steadiest
from busledger.decoder.checks.probes.probe_counts import FEW_MOVES, ProbeCounts
from busledger.decoder.checks.results import ChannelHealth, CheckFinding, ClockFinding, ProbesResult, worst_first
from busledger.decoder.figures import count, plural
from busledger.decoder.findings import WarningFinding

__all__ = ["probe_doubts", "probes_result"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py; two clips
# exchanged and a strobe's clip off, too).
TOGETHER = 0.98
"""Two clips on one pin change in the same sample but for skew, which parts one change in fifty at the most where a bus
is sampled six times a half period (judged)."""
RUNT_SHARE = 0.02
"""Of the changes; drivers that take turns make them on sound data lines, so that more is a word about the channel, not
a doubt (judged; the bundled cards show up to 267 in 10 575)."""
ENOUGH_SAMPLES = 4.0
"""Samples in the shortest interval that matters (common practice)."""
EVEN = 24.3
"""Chi-square of changes that have nothing to do with the clock, over eight parts of its period: above this in 1 of 1000
(7 degrees of freedom; NIST/SEMATECH e-Handbook, table of the chi-square distribution)."""
ENOUGH_PHASES = 1024
"""Data lines of a Z80 whose memory answers at any time are spread to 0.6 … 1.3 of the mean (shared/cards/many-06),
which makes a chi-square of 50 from 1024 changes."""
FAIR_SHARE, EVERYWHERE = 0.25, 0.75
"""Of 48 pulses at any moment six are expected in each of eight parts; less than a quarter of that comes in one part in
fifty (Poisson). Those of drivers lie in one part or two (measured: 4 of 4 cards in one, 99 % and more of them)."""
_MUST_MOVE = ("clock", "strobe")



def probes_result(counts: ProbeCounts) -> ProbesResult:
    """The health of all channels."""
    clock_channel = counts.clock if counts.clock >= 0 else steadiest(counts)
    clock = clock_of(counts, clock_channel) if clock_channel >= 0 else None
    channels = tuple(_health(counts, c, clock_channel) for c in range(len(counts.names)))
    sample_ns = counts.ns(counts.grid_ticks) if counts.grid_ticks is not None else None
    half = clock.period_ns / 2 / sample_ns if clock is not None and sample_ns else None
    bursts = _burst_count(counts)
    findings = _findings(counts, channels, clock, half, bursts)
    return ProbesResult(
        channels=channels,
        clock=clock,
        sample_ns=sample_ns,
        seen_ns=counts.ns(counts.span[1] - counts.span[0]),
        samples_per_half_clock=None if half is None else round(half, 2),
        rate_enough=None if half is None else half >= ENOUGH_SAMPLES,
        glitch_bursts=bursts,
        findings=findings,
        warnings=tuple(probe_doubts(findings)),
    )


def probe_doubts(findings: tuple[CheckFinding, ...]) -> list[WarningFinding]:
    """The findings that make other answers doubtful, one line each."""
    return [
        WarningFinding(code=f"probe-{f.code}", time_s=f.first_time_s, text=f.text)
        for f in findings
        if f.weight == "doubt"
    ]


def _level(counts: ProbeCounts, c: int) -> int:
    return int((counts.levels[c // 64] >> np.uint64(c % 64)) & np.uint64(1))


def _health(counts: ProbeCounts, c: int, clock: int) -> ChannelHealth:
    row = counts.channel[c]
    start, stop = counts.span
    span = max(stop - start, 1)
    high = int(row[kernel.HIGH_TIME]) + (stop - max(int(row[kernel.LAST]), start) if _level(counts, c) else 0)
    lost = int(row[kernel.UNKNOWN_TIME]) + (
        stop - int(row[kernel.UNKNOWN_SINCE]) if row[kernel.UNKNOWN_SINCE] >= 0 else 0
    )
    moves, runts = int(row[kernel.MOVES]), int(row[kernel.RUNTS])
    mates = _mates(counts, c)
    fits = _fits(counts, c, clock)
    verdict = "good"
    if lost >= 0.5 * span:
        verdict = "unknown"
    elif not moves:
        verdict = "never moved, high" if _level(counts, c) else "never moved, low"
    elif mates:
        verdict = "moves only with another"
    elif fits is False:
        verdict = "fits no bus"
    elif runts >= FEW_MOVES and runts >= RUNT_SHARE * moves:
        verdict = "many runts"
    name = counts.names[c]
    return ChannelHealth(
        channel=name,
        line=counts.lines.get(name),
        moves=moves,
        high_share=round(min(high / span, 1.0), 4),
        unknown_share=round(min(lost / span, 1.0), 4),
        runts=runts,
        pulses_of_two=int(row[kernel.OF_TWO]),
        shortest_ns=counts.ns(int(row[kernel.SHORTEST])) if row[kernel.SHORTEST] >= 0 else None,
        moves_only_with=mates,
        fits_clock=fits,
        verdict=verdict,
        runts_anywhere=_at_any_moment(counts, c),
    )


def _mates(counts: ProbeCounts, c: int) -> tuple[str, ...]:
    """Channels that change whenever this one does, the same way, and never without it."""
    pairs, n = counts.pairs, len(counts.names)
    mine = pairs[c][c]
    if mine < 8:
        return ()
    return tuple(
        counts.names[d]
        for d in range(n)
        if d != c and pairs[c][d] >= TOGETHER * mine and pairs[d][c] >= TOGETHER * pairs[d][d] and pairs[d][d] >= 8
    )


def _fits(counts: ProbeCounts, c: int, clock: int) -> bool | None:
    """Whether the channel changes at some moments of the clock more than at others; None where that cannot be said."""
    phase = counts.phase[c]
    total = int(phase.sum())
    if counts.clock < 0 or c == clock or total < ENOUGH_PHASES:
        return None
    expected = total * counts.room
    return float(((phase - expected) ** 2 / expected).sum()) > EVEN


def _at_any_moment(counts: ProbeCounts, c: int) -> bool | None:
    """Whether pulses of one sample come at any moment of the clock, as noise does; None where there is no clock.

    Drivers that take turns on a line make theirs where the bus turns round: in one or two parts of eight.
    """
    runts = counts.runt_phase[c]
    if counts.clock < 0 or c == counts.clock or not runts.any():
        return None
    room = counts.room
    used = runts >= FAIR_SHARE * room * int(runts.sum())
    return float(room[used].sum()) >= EVERYWHERE


def _burst_count(counts: ProbeCounts) -> int:
    """Moments in which at least half of all moving channels showed a pulse of one sample."""
    moving = int(np.count_nonzero(counts.channel[:, kernel.MOVES]))
    return int(counts.bursts[max(4, (moving + 1) // 2) :].sum())


def _findings(
    counts: ProbeCounts,
    channels: tuple[ChannelHealth, ...],
    clock: ClockFinding | None,
    half: float | None,
    bursts: int,
) -> tuple[CheckFinding, ...]:
    found: list[CheckFinding] = []

    def say(
        code: str, weight: str, text: str, lines: tuple[str, ...] = (), count: int = 0, when: float | None = None
    ) -> None:
        found.append(
            CheckFinding(code=code, weight=weight, text=text, lines=lines, count=count, first_time_s=when)  # type: ignore[arg-type]
        )

    if half is not None and half < ENOUGH_SAMPLES and clock is not None:
        need = ENOUGH_SAMPLES * 2e3 / clock.period_ns
        # Where strobes tell when data count, the clock itself may be finer than the sampling.
        strobe = _shortest_strobe(counts, channels)
        fine = strobe is not None and strobe >= ENOUGH_SAMPLES
        say("slow-sampling", "note" if fine else "doubt", f"only {math.floor(10 * half) / 10:.1f} samples in half a "
            f"period of {clock.channel}; {need:.0f} MHz would give {ENOUGH_SAMPLES:.0f}"
            + (f" (strobes last for {strobe:.1f} and more)" if fine else ""), (clock.channel,))  # fmt: skip
    if bursts >= 3:
        say("loose-ground", "doubt", f"half of the channels or more glitched in the same moment, {bursts} times: "
            "look at the ground clip", (), bursts)  # fmt: skip
    if clock is not None and clock.dropouts:
        silent = f"{clock.channel} is" if counts.clock >= 0 else "all channels are"
        often = "once, for " if clock.dropouts == 1 else f"{count(clock.dropouts)} times, the longest for "
        say("dropout", "doubt", f"{silent} silent {often}"
            f"{clock.longest_dropout_s * 1e6:.1f} µs: samples are missing there, or the clock stood still",
            (clock.channel,), clock.dropouts, clock.first_dropout_s)  # fmt: skip
    for gap in counts.gaps[:1]:
        say(
            "gap",
            "doubt",
            f"{plural(len(counts.gaps), 'span')} without samples in the capture",
            (),
            len(counts.gaps),
            counts.seconds(gap[0]),
        )
    for health, c in zip(channels, range(len(channels)), strict=True):
        _channel_findings(counts, health, c, say)
    seen = [_walked_by(counts, _seen(counts, health, c)) for c, health in enumerate(channels)]
    for code, weight, channel, text, times, tick in clip_findings(seen, counts.span, counts.moment):
        say(code, weight, text, (channel,), times, None if tick is None else counts.seconds(tick))
    _pair_findings(counts, channels, say)
    return worst_first(found)


def _shortest_strobe(counts: ProbeCounts, channels: tuple[ChannelHealth, ...]) -> float | None:
    """Samples that a pulse of the shortest strobe lasts for, in the mean; None where none is known to be one."""
    span, found = counts.span[1] - counts.span[0], []
    for health in channels:
        line = counts.profile.lines.get(_line(counts, health)) if counts.profile is not None else None
        if line is not None and line.role == "strobe" and health.moves >= FEW_MOVES and counts.grid_ticks:
            share = 1 - health.high_share if line.active_low else health.high_share
            found.append(share * span / (health.moves / 2) / counts.grid_ticks)
    return min(found, default=None)


def _channel_findings(counts: ProbeCounts, health: ChannelHealth, c: int, say: object) -> None:
    assert callable(say)
    role = _role(counts, health)
    name = (health.channel,)
    if health.verdict == "unknown":
        say(
            "unknown-channel",
            "doubt",
            f"{health.channel} is unknown for {100 * health.unknown_share:.0f} % of the capture",
            name,
        )
    elif health.verdict.startswith("never moved"):
        level = "high" if _level(counts, c) else "low"
        say("never-moved", "doubt" if role in _MUST_MOVE and _required(counts, health) else "note",
            f"{health.channel} never moved, always {level}", name)  # fmt: skip
    elif health.verdict == "fits no bus":
        say("fits-no-bus", "doubt", f"{health.channel} changes at any moment of the clock alike: no line of a bus does",
            name, health.moves)  # fmt: skip
    said = f"{health.channel} shows {count(health.runts)} pulses of a single sample in {count(health.moves)} changes"
    if health.runts >= 3 and role in ("clock", "strobe", "control"):
        first = int(counts.channel[c, kernel.RUNT_FIRST])
        say("runts", "doubt", said,
            name, health.runts, counts.seconds(first))  # fmt: skip
    elif health.verdict == "many runts" and role is None:
        say("runts", "note", said,
            name, health.runts)  # fmt: skip


def _pair_findings(counts: ProbeCounts, channels: tuple[ChannelHealth, ...], say: object) -> None:
    assert callable(say)
    told: set[str] = set()
    for health in channels:
        if not health.moves_only_with or health.channel in told:
            continue
        group = (health.channel, *health.moves_only_with)
        told.update(group)
        roles = {_role(counts, h) for h in channels if h.channel in group}
        # Neighbouring address lines that a program always moves together look the same, and so do the
        # two sides of a driver, or a select and what it switches.
        # An address line may be the other way in all cycles of one status (an address of refresh, say).
        doubtful = not {"address"} <= roles <= {"address", "status"} and "other" not in roles
        say("moves-together", "doubt" if doubtful and roles != {None} else "note",
            f"{', '.join(group)} always moved together: two clips on one pin, or shorted clips"
            + ("" if doubtful else ", or the program never used them apart"), group, health.moves)  # fmt: skip


def _seen(counts: ProbeCounts, health: ChannelHealth, c: int) -> Seen:
    row = counts.channel[c]
    return Seen(
        health.channel,
        _line(counts, health),
        _role(counts, health),
        health.moves,
        health.runts,
        int(row[kernel.LAST]),
        int(row[kernel.LONGEST]),
        _at_any_moment(counts, c),
        health.pulses_of_two,
    )


def _walked_by(counts: ProbeCounts, seen: Seen) -> Seen:
    """The same with the steps that went without it, of an address line that rests: nobody asks it of others."""
    if seen.role != "address" or not counts.walk.knows(seen.channel):
        return seen
    if not seen.moves:
        return replace(seen, missed=counts.walk.passed()[seen.channel])
    if has_stopped(seen, counts.span):
        return replace(seen, missed=counts.walk.missed()[seen.channel])
    return seen


def _line(counts: ProbeCounts, health: ChannelHealth) -> str:
    return health.line or health.channel


def _role(counts: ProbeCounts, health: ChannelHealth) -> str | None:
    if counts.profile is None:
        return None
    line = counts.profile.lines.get(_line(counts, health))
    return line.role if line is not None else "other"


def _required(counts: ProbeCounts, health: ChannelHealth) -> bool:
    line = counts.profile.lines.get(_line(counts, health)) if counts.profile is not None else None
    return line is not None and line.required
