"""What was recorded is not what was on the bus: too slow, ringing strobes, noisy clips, the wrong bus."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals.lines import line_at_rest, on_another_line
from busledger.decoder.diagnosis.rivals.noise import rings_throughout
from busledger.decoder.diagnosis.rivals.other_bus import line_of_another_bus
from busledger.decoder.diagnosis.rivals.rival import CannotJudge, Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import first_of_each
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["capture_verdict", "ringing", "strobe_widths", "too_slow"]

_SAMPLES = 3.5
"""Samples in a strobe below which no level inside it is a sample clear of both edges, each edge and each channel
being known to one sample only."""
# Share of transfers whose lines moved in their window: more of them, and nothing is sure. Strobes of many samples leave
# room for levels that are sure (cards at 16 MHz of the outside world, seeds 31000 to 31029: up to 0.36, none misread).
_DOUBTFUL, _DOUBTFUL_WIDE, _WIDE = 0.3, 0.42, 6.0
# The rest is judged, and matters: all figures of this module doubled at once change the first line of 4 of 10 cases of
# the outside world, halved of 1 (``tests.outside.rivals``, seed 86000: stray, x, three clips, noisy, too slow, ringing,
# device, shared). No other part is named in any.
_CLEAN_LANES, _CLEAN_SHARE = 3, 0.2  # lanes of regions that came right in every one of many reads
# Reads of a region, and shares of them that came wrong, there and in another one: then it was the right moment, which
# is the same for all.
_SPARED, _SPARED_WRONG, _MOSTLY_WRONG = 100, 0.05, 0.5
_ONE_LEVEL = 0.8  # share of lanes seen at one level only, as no test of a memory leaves them
_EVEN = 1000  # transfers
_FEW = 32  # transfers
_SHARE_TOLD = 0.002  # of the time: shares are known to four digits
_DOUBLE = 0.02  # share of impossible cycles past which what they wrote and read is everywhere


def capture_verdict(evidence: Evidence) -> CannotJudge | None:
    """Why the capture as a whole cannot be judged; None where it can."""
    signs = evidence.signs
    if signs is None or not signs.rows:
        return None
    return (
        _too_few_samples(evidence, signs)
        or on_another_line(evidence, signs)
        or line_at_rest(evidence, signs)
        or _no_direction(evidence, signs)
        or _wrong_bus(evidence, signs)
        or line_of_another_bus(evidence, signs.profile)
        or rings_throughout(evidence, signs)
        or _doubtful(evidence, signs)
        or _rings(evidence, signs)
    )


def _too_few_samples(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    widths = strobe_widths(evidence)
    if not widths:
        return None
    line, width = min(widths.items(), key=lambda item: item[1])
    if width >= _SAMPLES:
        return None
    return CannotJudge(
        "too-slow",
        f"sampled too slowly: {line} is active for {width:.1f} samples, and no level can be told for sure in fewer "
        f"than {_SAMPLES:g}",
        f"sample at least {8 / max(width, 0.5):.1f} times as fast, or slow the machine's clock",
        fault="too-slow",
        lines=(line,),
    )


def strobe_widths(evidence: Evidence) -> dict[str, float]:
    """Samples that each clipped strobe, or the clock where there is none, is active for, in the mean, over as much of
    the capture as the channels were watched for.

    Of strobes that idle high and low alike (a clock) the shorter half counts.
    """
    signs, probes = evidence.signs, evidence.probes
    if signs is None or probes is None or not probes.sample_ns or not probes.seen_ns:
        return {}
    lines = signs.profile.lines
    found: dict[str, float] = {}
    strobed = False
    for health in probes.channels:
        line = lines.get(health.line or health.channel)
        if line is None or line.role not in ("strobe", "clock") or health.moves < 2 * _FEW:
            continue
        strobed = strobed or line.role == "strobe"
        share = 1 - health.high_share if line.active_low else health.high_share
        if line.role == "clock":
            share = min(health.high_share, 1 - health.high_share)
        if share < _SHARE_TOLD:
            continue
        found[line.name] = share * probes.seen_ns / (health.moves / 2) / probes.sample_ns
    strobes = {name: width for name, width in found.items() if lines[name].role == "strobe"}
    # Where strobes tell when data count, the clock itself may be finer than the sampling.
    return strobes if strobed else found


def _one_level(evidence: Evidence) -> bool:
    """Whether nearly all lanes were compared at one level only: the other one came too late to be sure of."""
    if evidence.coverage is None:
        return False
    seen = evidence.coverage.levels.sum(axis=1)  # (regions, lanes, levels)
    asked = seen.sum(axis=2) >= _FEW
    one = asked & ~(seen > 0).all(axis=2)
    return bool(one.sum() >= _ONE_LEVEL * max(1, asked.sum()))


def _right_at_one_level(evidence: Evidence) -> int:
    """Lanes of regions that came right throughout, and were compared at one level only."""
    if evidence.coverage is None:
        return 0
    seen = evidence.coverage.levels.sum(axis=1)
    return sum(
        lane.compared >= _FEW and lane.low_for_high == lane.high_for_low == 0 and not levels.all()
        for region, of_region in zip(evidence.counts, seen > 0, strict=True)
        for lane, levels in zip(region.lanes, of_region, strict=True)
    )


def _doubtful(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    if signs.transfers < _FEW:
        return None
    share = signs.unsettled / signs.transfers
    compared, reads = (sum(getattr(r, name) for r in evidence.counts) for name in ("reads_compared", "reads"))
    wrong = sum(region.mismatches + region.reads_disagree for region in evidence.counts)
    if share >= _DOUBTFUL and _one_level(evidence):
        return CannotJudge(
            "too-doubtful",
            f"too doubtful: in {100 * share:.0f} % of {counted(signs.transfers, 'transfer')} the address or the data "
            "moved just when they should count, and what is left to compare is one level only",
            "sample faster",
            fault="too-slow",
        )
    # Reads that agree with what was written long before prove that they were taken at the right moment.
    wide = min(strobe_widths(evidence).values(), default=0.0) >= _WIDE
    if share < (_DOUBTFUL_WIDE if wide else _DOUBTFUL) or (compared >= _FEW and 100 * wrong <= reads):
        return None
    # So do lanes that came right throughout, at both levels, beside others that did not: the wrong moment spares none.
    asked = [lane for region in evidence.counts for lane in region.lanes if lane.compared >= _FEW]
    right = sum(lane.low_for_high == lane.high_for_low == 0 for lane in asked)
    right -= _right_at_one_level(evidence)
    if right >= max(_CLEAN_LANES, _CLEAN_SHARE * len(asked)) or _spares_a_region(evidence):
        return None
    return CannotJudge(
        "too-doubtful",
        f"too doubtful: in {100 * share:.0f} % of {counted(signs.transfers, 'transfer')} the address or the data moved "
        f"just when they should count: the wrong bus profile ({signs.profile.name}), or sampled too slowly",
        "see that the profile is that of the bus that is clipped ('busledger probes' proposes one), then sample faster",
    )


def _spares_a_region(evidence: Evidence) -> bool:
    """Whether one region came right in nearly every read, at both levels, and others mostly did not."""
    if evidence.coverage is None:
        return False
    both = (evidence.coverage.levels.sum(axis=1) > 0).all(axis=2)  # (regions, lanes)
    ram = [region.kind != "rom" for region in evidence.board.regions]  # a ROM tells nothing of the moment of writes
    asked = [
        ((r.mismatches + r.reads_disagree) / r.reads, seen.sum() >= len(r.lanes))
        for r, seen, written in zip(evidence.counts, both, ram, strict=True)
        if written and r.reads_compared >= _SPARED
    ]
    spared = any(share <= _SPARED_WRONG and whole for share, whole in asked)
    return spared and any(share >= _MOSTLY_WRONG for share, _ in asked)


def _rings(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    """Many cycles right after another one, closer than a processor can make them, and reads that come out wrong."""
    spacings = signs.spacings
    total = int(spacings.sum())
    reads = sum(region.reads for region in evidence.counts)
    wrong = sum(region.mismatches + region.reads_disagree for region in evidence.counts)
    if signs.profile.clock.line is None or total < _EVEN or 50 * wrong < reads:
        return None
    double = int(spacings[: max(1, int(spacings.argmax()) - 2)].sum())
    if double < _DOUBLE * total:
        return None
    line = _strobe(signs)
    return CannotJudge(
        "ringing",
        f"{line or 'a strobe'} rings: {counted(double, 'cycle')} of {total} come right after another one, closer than "
        "this bus can make them",
        f"shorten the ground lead of the clip on {line or 'the strobe'}, or add a series resistor, and capture again",
        fault="clip-noisy",
        lines=(line,) if line else (),
    )


def _wrong_bus(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    """A chip's own bus, yet its cycles come as evenly as a processor's clock: the clock was taken for a select."""
    spacings = signs.spacings
    if signs.profile.family != "chip" or signs.transfers < _EVEN:
        return None  # a processor without a clock line among its own may well come so: it does nothing else in a loop
    reads = sum(region.reads for region in evidence.counts)
    wrong = sum(region.mismatches + region.reads_disagree for region in evidence.counts)
    if int(spacings.max()) < 0.99 * int(spacings.sum()) or 50 * wrong < reads:
        return None
    return CannotJudge(
        "wrong-bus",
        f"the wrong bus: {counted(signs.transfers, 'cycle')} of {signs.profile.name} come evenly, one in every period, "
        "as a processor's cycles do and accesses to a chip do not",
        "name the processor's own bus as the profile ('busledger probes' without one proposes it)",
    )


def _no_direction(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    """Only reads, or only writes, from a bus that can tell both."""
    if signs.transfers < _FEW or (signs.reads and signs.writes):
        return None
    if not signs.reads:
        return CannotJudge(
            "no-reads",
            f"{counted(signs.writes, 'write')} and not one read: no processor does that; the clip that tells reads "
            "from writes is off, or on another line",
            "look at the clips on the read and write lines, and at the profile, and capture again",
            fault="clip-off",
        )
    disagree = sum(region.reads_disagree + region.mismatches for region in evidence.counts)
    compared = sum(region.reads_compared for region in evidence.counts)
    if compared and not disagree:
        return None
    if not disagree:
        return CannotJudge(
            "no-writes",
            f"{counted(signs.reads, 'read')} and not one write, so nothing is known that a read could be held against: "
            "the clip that tells writes from reads is off, or the program never wrote",
            "look at the clips on the read and write lines, and capture while a memory test runs",
            fault="clip-off",
        )
    return CannotJudge(
        "no-writes",
        f"{counted(signs.reads, 'read')} and not one write, yet memory changes: the clip that tells writes from reads "
        "is off, or on another line",
        "look at the clips on the read and write lines, and capture again",
        fault="clip-off",
    )


def too_slow(story: Story) -> Iterator[Rival]:
    """Reads that took what the bus carried before, in a capture that has few samples a strobe."""
    evidence = story.study.evidence
    signs = evidence.signs
    widths = strobe_widths(evidence)
    if signs is None or not widths:
        return
    line, width = min(widths.items(), key=lambda item: item[1])
    rows = story.rows
    bad = rows.wrong != 0
    late = bad & (((rows.data ^ rows.kept) & rows.wrong) == 0)
    hits = int(np.count_nonzero(late))
    if width > 6.0 or hits < 3 or 2 * hits < np.count_nonzero(bad):
        return
    right = int(np.count_nonzero((rows.compared != 0) & ~bad))
    yield Rival(
        fault="too-slow",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("too-slow", chips=True),
        log_own=log_rate(hits, right, SOMETIMES),
        explains=hits,
        against=0,
        summary=f"sampled too slowly to be sure: {line} is active for {width:.1f} samples, and "
        f"{counted(hits, 'wrong read')} give what the bus carried just before",
        evidence=(f"{counted(signs.unsettled, 'transfer')} of {signs.transfers} moved within their window",),
        next_step=f"Capture again at {8 / width:.1f} times the rate or more.",
        stops_judging=width < _SAMPLES,
        index=rows.index[late],
        taken=Excused(rows.index[late]),
    )


def ringing(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Strobes that ring: two cycles where the bus had one, so close that no processor makes them."""
    spacings = signs.spacings
    total = int(spacings.sum())
    if total < _FEW:
        return
    usual = int(spacings.argmax())
    least = max(1, usual - 2)
    double = int(spacings[:least].sum())
    rows = story.rows
    gap = np.diff(rows.time, prepend=-(1 << 60))
    gap[~first_of_each(story)] = 1 << 60
    close = gap < (1 << (least - 1))
    bad = rows.wrong != 0
    # A second edge may read or write what the bus carries by then; what it wrote is found out later.
    spoilt = np.zeros(len(rows), np.bool_)
    at = story.since[bad]
    spoilt[np.flatnonzero(bad)[at >= 0]] = close[at[at >= 0]] & rows.is_write[at[at >= 0]]
    hit = bad & (close | spoilt)
    hits = int(np.count_nonzero(hit))
    if double < 3 or not hits:
        return
    misses = int(np.count_nonzero(close & ~bad))
    line = _strobe(signs)
    yield Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,) if line else (),
        log_prior=prior_of("clip-noisy", chips=True),
        log_own=log_rate(hits, misses, SOMETIMES),
        explains=hits,
        against=0,
        summary=f"{line or 'a strobe'} rings: {counted(double, 'cycle')} come right after another one, closer than "
        "this bus can make them",
        evidence=(f"{hits} of the wrong reads are such cycles, or read what one of them wrote",),
        next_step=f"Shorten the ground lead of the clip on {line or 'the strobe'}, or add a series resistor; then "
        "capture again.",
        index=rows.index[hit],
        taken=Excused(rows.index[hit]),
    )


def _strobe(signs: CaptureSigns) -> str | None:
    """The strobe or clock that moves most."""
    named = [n for n in signs.names if n in signs.profile.lines and signs.profile.lines[n].role in ("strobe", "clock")]
    return max(named, key=lambda name: signs.line(name)[0], default=None)
