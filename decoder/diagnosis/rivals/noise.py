"""Clips that show pulses of one sample: what they spoil cannot be foretold, but that they do can be seen."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.checks import ChannelHealth, usual_pulses
from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP, SOMETIMES, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.false_cycles import log_false_cycles
from busledger.decoder.diagnosis.rivals.rival import CannotJudge, Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.unseen_writes import Unseen, foretold_by_rules, log_unseen, restless
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["noisy_clips", "ringing_pulses", "rings_at_all", "rings_throughout"]

# Judged, and they matter: see sampling.py.
_RINGING, _SOME_RING = 0.2, 0.01  # of a strobe's changes that are such pulses: all cycles are in doubt, some may be
_FEW_WRONG = 50  # reads for one that comes wrong: what is rarer than that is judged all the same
_NEARLY_ALL = 0.9  # of the lanes of all regions
_SETTLING = 0.05  # of a data line's changes: what a driver that settles makes
_ALONE = 0.01  # the same, where no other data line shows any: drivers settle on all of their lines
_MANY_RUNTS = 24
_HURT = (0.5, 0.1, 0.02, 0.004, 0.0008)  # share of a noisy clip's pulses that hurt the read they fall in, all as likely
_TIMES = (16.0, 4.0, 1.0, 0.25)  # the same for pulses at any moment, against one in as many as a cycle has samples
_SELECTS = 64  # bits of ``Rows.selected``
_BEYOND = 8.0  # times the runts of the other channels


def rings_throughout(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    """A strobe or clock with pulses of one sample at so many of its edges that every cycle is in doubt, where many
    reads come wrong; or at some of them, where few do, and on every lane. No fault of a memory card makes a processor's
    strobe ring."""
    reads = sum(region.reads for region in evidence.counts)
    wrong = sum(region.mismatches + region.reads_disagree for region in evidence.counts)
    some = [health for health in _ringing(evidence, signs) if health.runts >= _SOME_RING * health.moves]
    ringing = [health for health in some if health.runts >= _RINGING * health.moves]
    if _FEW_WRONG * wrong < reads:
        # A few wrong reads are a fault's, unless they spare no lane of any region, and are fewer than the pulses.
        ringing = [health for health in some if wrong <= health.runts] if _everywhere(evidence) else []
    if not ringing:
        return None
    worst = max(ringing, key=lambda health: health.runts / health.moves)
    lines = [_line_of(health) for health in ringing]
    named = " and ".join([", ".join(lines[:-1]), lines[-1]] if len(lines) > 1 else lines)
    return CannotJudge(
        "ringing",
        f"{named} {'ring' if len(lines) > 1 else 'rings'}: {_line_of(worst)} shows "
        f"{counted(worst.runts, 'pulse')} of a single sample in {counted(worst.moves, 'change')}, and no cycle can be "
        "cut out for sure at such edges",
        f"shorten the ground lead of the clip on {named}, or add a series resistor, and capture again",
        fault="clip-noisy",
        lines=tuple(lines),
    )


def rings_at_all(evidence: Evidence) -> bool:
    """Whether a strobe or clock shows so many pulses of one sample that some cycles may have been cut out at one: what
    clipped lines show in a few of them is no fault then."""
    signs = evidence.signs
    return signs is not None and any(h.runts >= _SOME_RING * h.moves for h in _ringing(evidence, signs))


def _everywhere(evidence: Evidence) -> bool:
    """Whether nearly every lane of every region came wrong at times: what is wrong with a card spares most of it, a
    cycle that is cut out at the wrong moment spares nothing."""
    asked = [lane for region in evidence.counts for lane in region.lanes if lane.compared]
    wrong = sum(lane.low_for_high + lane.high_for_low > 0 for lane in asked)
    return bool(asked) and wrong >= _NEARLY_ALL * len(asked)


def _ringing(
    evidence: Evidence, signs: CaptureSigns, roles: tuple[str, ...] = ("strobe", "clock")
) -> Iterator[ChannelHealth]:
    for health in evidence.probes.channels if evidence.probes is not None else ():
        line = signs.profile.lines.get(_line_of(health))
        if line is not None and line.role in roles and health.runts >= _MANY_RUNTS:
            yield health


def _line_of(health: ChannelHealth) -> str:
    return health.line or health.channel


def ringing_pulses(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Strobes with pulses of one sample: a cycle may be cut out at one of them, and take what the bus carries then."""
    rows = story.rows
    bad = rows.wrong != 0
    news = bad & (story.repeat != kernel.SAME)
    if not news.any():
        return
    lines = [*_ringing(story.study.evidence, signs, roles=("strobe", "clock", "control"))]
    lines = [health for health in lines if health.runts >= _SOME_RING * health.moves]
    if not lines:
        return
    index = rows.index[bad]
    worst = max(lines, key=lambda health: health.runts / health.moves)
    names = [_line_of(worst), *(_line_of(health) for health in lines if health is not worst)]
    said = " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]
    yield Rival(
        fault="clip-noisy",
        scope="clip",
        lines=tuple(names),
        log_prior=prior_of("clip-noisy", chips=True),
        log_own=_log_spoilt(story, signs, names) + _seen(worst.runts) + _unhurt(story, worst, 0xFFFFFFFF),
        explains=len(index),
        summary=f"{said} {'ring or their clips are' if len(names) > 1 else 'rings or its clip is'} loose: {names[0]} "
        f"shows {counted(worst.runts, 'pulse')} of a single sample in {counted(worst.moves, 'change')}, and no cycle "
        "can be cut out for sure at such edges",
        next_step=f"Shorten the ground lead of the clip on {said}, or add a series resistor; then capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index),
    )


def _log_spoilt(story: Story, signs: CaptureSigns, lines: Sequence[str]) -> float:
    """Log probability of which reads come wrong by pulses of the ``lines``: by cycles that are cut out at one; or, of
    the line that tells writes from reads, by writes that were taken for reads, which are news to nobody but us."""
    cut = log_false_cycles(story)
    behaviour = signs.profile.file.behaviour
    if behaviour is None or behaviour.direction not in lines:
        return cut
    rows = story.rows
    told = (rows.compared != 0) & (rows.wrong == 0)
    news = (rows.wrong != 0) & (story.repeat != kernel.SAME)
    # Nobody writes to a ROM: what comes wrong from one may be anything.
    ram = np.array([region.kind != "rom" for region in story.regions] or [False], np.bool_)[rows.region]
    odd = sum(int(lanes).bit_count() for lanes in rows.compared[news & ~ram]) * math.log(2.0)
    told, news = told & ram, news & ram
    often = restless(rows, np.zeros(len(rows), np.bool_), writes_too=True)
    unseen = log_unseen(story, Unseen(np.flatnonzero(told | news), news, np.flatnonzero(news), often)) - odd
    return log_sum([cut, unseen]) - math.log(2.0)


def _seen(runts: float) -> float:
    """Nats that pulses of one sample add: at the most they prove the noise, which says nothing of a read yet."""
    return min(-prior_of("clip-noisy", chips=True), max(0.0, runts) / 10.0)


def _unhurt(story: Story, health: ChannelHealth, lanes: int) -> float:
    """Nats that all other explanations lose: that so many pulses should have hurt not one read."""
    reads = int(np.count_nonzero(story.rows.compared & np.uint32(lanes)))
    rates = _rates(story, health)
    return -log_sum([reads * math.log1p(-rate) - math.log(len(rates)) for rate in rates])


def _rates(story: Story, health: ChannelHealth) -> list[float]:
    """How often pulses may hurt a read, one as likely as the other. What share of the pulses hurts the read that it
    falls in is known to three powers of ten only; of those that come at any moment, one in as many as a cycle has
    samples lies in the one that counts, give or take what several or a look at more of them make of it."""
    evidence = story.study.evidence
    signs, probes = evidence.signs, evidence.probes
    transfers = signs.transfers if signs is not None else 0
    often = health.runts / max(1, transfers, health.runts)
    shares: tuple[float, ...] = _HURT
    if signs is not None and probes is not None and probes.sample_ns and health.runts_anywhere:
        samples = (signs.span[1] - signs.span[0]) * evidence.tick_s * 1e9 / (max(1, transfers) * probes.sample_ns)
        shares = tuple(min(0.5, times / max(1.0, samples)) for times in _TIMES)
    return [often * share for share in shares]


def noisy_clips(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Data clips that show pulses of one sample, many more than the other channels."""
    probes = story.study.evidence.probes
    if probes is None:
        return
    of_line = {health.line or health.channel: health for health in probes.channels}
    for bit, line in signs.data_lines.items():
        health = of_line.get(line)
        usual = _usual(signs.data_lines.values(), of_line, health)
        if health is not None and health.runts >= max(_MANY_RUNTS, _BEYOND * usual, _settling(health, usual)):
            yield from _noisy(story, health, line, usual, 1 << bit)
    for bit, line in signs.address_lines.items():
        usual = _usual(signs.address_lines.values(), of_line, of_line.get(line))
        if line in of_line and of_line[line].runts >= max(_MANY_RUNTS, _BEYOND * usual):
            yield from _noisy_address(story, of_line[line], line, usual, bit)


def _settling(health: ChannelHealth, usual: int) -> float:
    """Pulses of one sample that a data line's drivers may make: none where pulses come at any moment of the clock."""
    return 0.0 if health.runts_anywhere else (_SETTLING if usual else _ALONE) * health.moves


def _usual(like: Iterable[str], of_line: Mapping[str, ChannelHealth], one: ChannelHealth | None) -> int:
    """Pulses that such lines usually show, at such moments as ``one`` shows its own."""
    pulses = ((of_line[name].runts, of_line[name].pulses_of_two) for name in like if name in of_line)
    return usual_pulses(pulses, anywhere=one is not None and bool(one.runts_anywhere))


def _noisy(story: Story, health: ChannelHealth, line: str, usual: int, lane: int) -> Iterator[Rival]:
    rows = story.rows
    hit = rows.wrong == np.uint32(lane)
    if not hit.any():
        return
    asked = rows.compared & np.uint32(lane) != 0
    news = hit & (story.repeat != kernel.SAME)
    asked &= news | (rows.wrong & np.uint32(lane) == 0)
    first = story.repeat == kernel.FIRST
    ways = [_log_lane(rows.take(asked), news[asked], lane, told[asked]) for told in (story.since >= 0, first)]
    ways.append(_log_pulses(news[asked], first[asked], _rates(story, health)))
    ways.append(_log_rule_broken(story, np.flatnonzero(asked), news, lane))
    yield _noise(story, health, line, usual, hit, log_sum(ways) - math.log(len(ways)), lane)


def _log_pulses(hit: NDArray[np.bool_], first: NDArray[np.bool_], rates: list[float]) -> float:
    """Log probability of which reads come wrong, if pulses hurt each at one of the ``rates``, and as often the write
    before a ``first`` read, which is then known wrongly."""
    found = []
    for rate in rates:
        both = 1.0 - (1.0 - rate) ** 2
        found.append(0.0)
        for kind, chance in ((first, both), (~first, rate)):
            hits = int(np.count_nonzero(hit & kind))
            found[-1] += hits * math.log(chance) + (int(np.count_nonzero(kind)) - hits) * math.log1p(-chance)
    return log_sum(found) - math.log(len(found))


def _log_rule_broken(story: Story, asked: NDArray[np.intp], hit: NDArray[np.bool_], lane: int) -> float:
    """The same, where memory was filled by a rule and pulses hit the writes: what was written breaks the rule on the
    lane alone, and what is read does not."""
    rows = story.rows
    ways = []
    for foretold in foretold_by_rules(story, asked):
        broken = (foretold ^ rows.expected[asked]) & rows.compared[asked] == np.uint32(lane)
        first = story.repeat[asked] == kernel.FIRST
        ways.append(_log_of(2 * broken.astype(np.int64) + first, hit[asked]))
    return log_sum(ways) - math.log(len(ways))


def _log_lane(rows: Rows, hit: NDArray[np.bool_], lane: int, written: NDArray[np.bool_]) -> float:
    """Log probability of which reads come wrong on a lane whose clip is noisy.

    Pulses hit reads, and writes, which are then known wrongly. A write that was hit shows the lane odd beside others,
    with which it agrees in most of a program's data: which they are, two at the most, is not known. ``written``: of
    reads that may tell of such a write.
    """
    asked = int(np.bitwise_or.reduce(rows.compared, initial=0)) & ~lane
    own = (rows.expected & np.uint32(lane)) != 0
    odd = [own ^ ((rows.expected & np.uint32(1 << b)) != 0) for b in range(32) if asked >> b & 1]
    ways = [_log_of(written.astype(np.int64), hit)]
    for i, one in enumerate(odd):
        ways += [_log_of(4 * one + 2 * two + written, hit) for two in odd[i:]]
    return log_sum(ways) - math.log(len(ways))


def _log_of(kind: NDArray[np.int64], hit: NDArray[np.bool_]) -> float:
    """Log probability of the hits, where those of each kind (below 8) have a rate of their own."""
    hits, total = np.bincount(kind[hit], minlength=8), np.bincount(kind, minlength=8)
    return sum(log_rate(int(h), int(n - h), SOMETIMES) for h, n in zip(hits, total, strict=True) if n)


def _noisy_address(story: Story, health: ChannelHealth, line: str, usual: int, bit: int) -> Iterator[Rival]:
    """A wrong address bit reads or writes the cell on its other side: what a wrong read gives stood there; or it is
    what the bus kept, as where nobody answers there, or where the processor needs no bus and puts out any address; or
    anything."""
    rows = story.rows
    wrong = rows.wrong != 0
    if not wrong.any() or bit < story.study.cells.shift:
        return
    hit, open_ = either_side(story, partners_of(story, bit))
    odd = wrong & (hit != 1) & (story.repeat != kernel.SAME)
    # Only where the cell on the other side held something else would a wrong bit have shown.
    news = int(np.count_nonzero(wrong & (story.repeat != kernel.SAME)))
    own = log_rate(news, int(np.count_nonzero(open_)), SOMETIMES) + _log_kept_or_any(rows.take(odd))
    own -= LOG_SLIP * _selects_on_the_other_side(rows, story.address[rows.cell] ^ (1 << bit), story.regions)
    yield _noise(story, health, line, usual, wrong, own, 0xFFFFFFFF)


def _selects_on_the_other_side(rows: Rows, there: NDArray[np.int64], regions: Sequence[Region]) -> int:
    """Accesses in which a clipped select comes for the region that the line's other level leads to (the addresses
    ``there``): the decoder saw the line as it was."""
    count = 0
    for r, region in enumerate(regions[:_SELECTS]):
        mark = np.uint64(1 << r)
        came = (rows.selects_seen & mark != 0) & (rows.selected & mark != 0) & (rows.region != r)
        count += int(np.count_nonzero(came & (there >= region.start) & (there <= region.end)))
    return count


def _log_kept_or_any(rows: Rows) -> float:
    """Log probability of what reads give, where a share of them finds nobody who drives the bus."""
    kept = (rows.data ^ rows.kept) & rows.compared == 0
    count = int(np.count_nonzero(kept))
    anything = int(np.bitwise_count(rows.compared[~kept]).sum()) * math.log(2.0)
    return log_rate(count, len(rows) - count, (1.0, 1.0)) - anything


def _noise(
    story: Story, health: ChannelHealth, line: str, usual: int, hit: NDArray[np.bool_], own: float, lanes: int
) -> Rival:
    # That the clip shows such pulses at all is what a card's fault does not foretell: what the card's own settling
    # may make of them is left out.
    bonus = _seen(health.runts - _BEYOND * usual)
    return Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-noisy", chips=True),
        log_own=own + bonus + _unhurt(story, health, lanes),
        explains=int(np.count_nonzero(hit)),
        summary=f"the clip on {line} is noisy: {counted(health.runts, 'pulse')} of a single sample in "
        f"{counted(health.moves, 'change')}",
        evidence=("the other channels show far fewer",),
        next_step=f"Clean and reseat the clip on {line} and its ground, and capture again.",
        stops_judging=lanes == 0xFFFFFFFF,
        index=story.rows.index[hit],
        taken=NotJudged(None, None, lanes),
    )
