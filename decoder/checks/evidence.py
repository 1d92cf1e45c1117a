"""What the checks say of the diagnosis's candidates, and which parts they clear.

A clipped line is decisive: a select that is seen missing on its pin moves the
probabilities by four powers of ten, one that is seen right in every cycle by as
much the other way. Figures are estimates of how often a check would be fooled,
not measurements.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from busledger.decoder.board import Board
from busledger.decoder.checks.buffers.doubtful_reads import WHOLE
from busledger.decoder.checks.results import (
    BufferResult,
    BuffersResult,
    CheckFinding,
    LanePath,
    RegionSelect,
    SelectsResult,
    TimingResult,
)
from busledger.decoder.figures import count
from busledger.decoder.findings import Cleared

__all__ = ["CheckKey", "ChecksEvidence", "gather_evidence"]

# The judged figures of each module of the checks, all doubled at once, and all halved (a select that is open between
# its clip and the chips, seed 86500 of the outside world, ``tests.outside.sensitivity``): no answer and no finding
# changes.
SEEN = 1e4
"""A clip shows the fault itself: fooled in one card of ten thousand (estimate)."""
SEEN_RARELY = 30.0
"""It shows it now and then, as a probe's own pulses do in one card of thirty (estimate)."""
ACQUITTED = 1e-4
"""The other way round: every chance was seen right."""
HINTED = 30.0
"""Late by the figures, or different by a cause that the clips do not name: one card of thirty (estimate)."""
UNLIKELY = 0.05
"""In time with all the sampling's doubt, though a chip that is late now and then may have kept still (estimate)."""
ENOUGH = 8
"""Cycles in which a line must have been judged before it acquits anything: one that is wrong in every second cycle
would be right in all of them one time in 256."""
RARELY = 3
"""Fewer cycles may be a probe's (judged, as ``buffer_verdict.FEW``)."""
SELDOM = 0.01
"""A line wrong in a smaller share of its cycles is no proof of a fault that the data does not show: of 16 392 cycles on
an 1802 whose reads were all right 13 lacked their select, sampled between two of its parts."""


class CheckKey(NamedTuple):
    """Names the candidates of the diagnosis that one check speaks of; a None matches any value."""

    fault: str | None = None
    scope: str | None = None
    component: str | None = None
    region: str | None = None
    lanes: tuple[str, ...] | None = None


@dataclass
class ChecksEvidence:
    """``likelihood_ratios``: how much more probable the observation is under the candidates of the key than
    without that fault. ``sentences``: the words for it. ``cleared``: parts seen working. ``faults``: what
    the checks found wrong by themselves, in words."""

    likelihood_ratios: dict[CheckKey, float] = field(default_factory=dict)
    sentences: dict[CheckKey, str] = field(default_factory=dict)
    cleared: list[Cleared] = field(default_factory=list)
    faults: list[CheckFinding] = field(default_factory=list)

    def add(self, key: CheckKey, ratio: float, sentence: str) -> None:
        """One observation; the strongest word on the same key stands."""
        old = self.likelihood_ratios.get(key)
        if old is None or ratio > old:
            self.likelihood_ratios[key] = ratio
            self.sentences[key] = sentence


def gather_evidence(
    board: Board,
    selects: SelectsResult | None = None,
    buffers: BuffersResult | None = None,
    timing: TimingResult | None = None,
) -> ChecksEvidence:
    """Everything that the given results say; a check that was not run says nothing."""
    evidence = ChecksEvidence()
    if selects is not None:
        _from_regions(evidence, board, selects)
        _from_decoders(evidence, board, selects)
        _stages_of_decoders(evidence, board, selects)
        _clear_decoders(evidence, selects)
    for buffer in buffers.buffers if buffers is not None else ():
        _from_buffer(evidence, buffer, buffers.findings if buffers is not None else ())
    slow = {f.component for f in timing.findings if f.weight == "fault"} if timing is not None else set()
    for limit in timing.limits if timing is not None else ():
        if limit.component is not None and limit.limit_ns is not None and limit.max_ns is not None:
            key = CheckKey("slow", "chip", limit.component, limit.region)
            said = f"{limit.name}: {limit.max_ns:.0f} ± {limit.uncertainty_ns:.0f} ns, {limit.limit_ns:.0f} ns allowed"
            if limit.component in slow:
                evidence.add(key, HINTED, said)
            elif limit.max_ns + limit.uncertainty_ns <= limit.limit_ns:
                evidence.add(key, UNLIKELY, said)
    for result in (selects, buffers, timing):
        if result is not None:
            evidence.faults += [f for f in result.findings if f.weight == "fault"]
    return evidence


def _strength(count: int, of: int) -> float:
    return SEEN if count >= RARELY and count >= SELDOM * of else SEEN_RARELY


def _from_regions(evidence: ChecksEvidence, board: Board, selects: SelectsResult) -> None:
    swapped = {f.region for f in selects.findings if f.code == "select-swapped"}
    swapped |= {f.other_region for f in selects.findings if f.code == "select-swapped"}
    late = {f.region: f for f in selects.findings if f.code == "select-late"}
    unasked = {f.region: f for f in selects.findings if f.code == "select-unasked"}
    cycles: dict[str, int] = {}
    for one in selects.regions:
        cycles[one.region] = cycles.get(one.region, 0) + one.cycles
    every = sum(cycles.values())
    for region in selects.regions:
        if region.cycles < ENOUGH:
            continue
        elsewhere, no_fault = every - cycles[region.region], unasked.get(region.region)
        _one_region(evidence, region, region.region in swapped, elsewhere, no_fault)
        if region.region in late:
            evidence.add(CheckKey("slow", "region", None, region.region), HINTED, late[region.region].text)


def _one_region(
    evidence: ChecksEvidence, region: RegionSelect, swapped: bool, elsewhere: int, unasked: CheckFinding | None
) -> None:
    select, name, extra = region.select, region.region, sum(region.extra.values())
    missing_key, extra_key, swapped_key = (
        CheckKey(f"select-{what}", "decoder", None, name) for what in ("missing", "extra", "swapped")
    )
    right = f"{select} was seen active in all {region.cycles} cycles of {name}"
    if swapped and not region.data_came:
        evidence.add(
            swapped_key, SEEN, f"{select} is exchanged: missing in {region.missing} of {region.cycles} own cycles"
        )
        return
    if region.data_came:
        return  # the clip shows what the card does not do: it speaks for nothing
    if unasked is not None:  # what its decoder is made from may have been away all the same
        evidence.add(missing_key._replace(component=unasked.component), ACQUITTED, unasked.text)
    elif region.missing:
        text = f"{select} was seen inactive in {region.missing} of {region.cycles} cycles of {name}"
        evidence.add(missing_key, _strength(region.missing, region.cycles), text)
    else:
        evidence.add(missing_key, ACQUITTED, right)
    if extra:
        text = f"{select} ({name}) was seen active in {extra} cycles of {', '.join(region.extra)}"
        evidence.add(extra_key, _strength(extra, elsewhere), text)
    elif elsewhere >= ENOUGH:
        evidence.add(extra_key, ACQUITTED, f"{select} was never seen active in {elsewhere} cycles of other regions")
    if not region.missing or not extra:
        evidence.add(swapped_key, ACQUITTED, right if not region.missing else f"{select} never came for another region")


def _from_decoders(evidence: ChecksEvidence, board: Board, selects: SelectsResult) -> None:
    """A select that never came although its decoder's inputs called for it; or for one that did not come either, where
    not all of them are clipped.

    Where address lines are not clipped, such cycles belong to no region and the decoder's table alone tells.
    """
    judged = {region.select for region in selects.regions if region.cycles >= ENOUGH}
    for decoder in selects.decoders:
        wrong = [f for f in selects.findings if f.component == decoder.designator and f.weight == "fault"]
        count = max((f.count for f in wrong if f.code in ("rows-wrong", "output-missing")), default=0)
        quiet = [o.line for o in decoder.output_results if not o.moves and (decoder.not_clipped or o.called)]
        for region in board.regions:
            if count >= ENOUGH and region.select in quiet and region.select not in judged:
                text = (
                    f"{region.select} never came, though {decoder.designator}'s inputs left a select due {count} times"
                )
                evidence.add(CheckKey("select-missing", "decoder", None, region.name), SEEN, text)


def _stages_of_decoders(evidence: ChecksEvidence, board: Board, selects: SelectsResult) -> None:
    """Where one decoder enables another, clips between them tell whose the missing selects are: the one whose outputs
    all were as its inputs asked did not lose them, and one whose output was missing that is no region's select did.

    Where a pin decides whose level nobody knows, outputs that rest are as asked whatever the part does.
    """
    own = {region.select for region in board.regions}
    for decoder in selects.decoders:
        seen = [o for o in decoder.output_results if o.judged >= ENOUGH]
        key = CheckKey("select-missing", "decoder", decoder.designator)
        if decoder.through or len(seen) < len(decoder.outputs):
            continue
        doubtful = bool(decoder.not_clipped) or any("?" in row.expected for row in decoder.rows)
        if not doubtful and not any(o.missing or o.extra for o in seen):
            names = ", ".join(o.line for o in seen)
            evidence.add(key, ACQUITTED, f"{names}: whenever settled, as {decoder.designator}'s inputs asked")
        for o in seen:
            if o.missing and o.line not in own:
                text = f"{o.line} was missing in {o.missing} of the {o.called} moments that asked for it"
                evidence.add(key, _strength(o.missing, o.judged), text)


def _clear_decoders(evidence: ChecksEvidence, selects: SelectsResult) -> None:
    accused = {f.component for f in selects.findings if f.weight == "fault"}
    for decoder in selects.decoders:
        if decoder.designator in accused or decoder.judged < ENOUGH:
            continue
        called = [o for o in decoder.output_results if o.called >= ENOUGH]
        if called:
            evidence.cleared.append(
                Cleared(
                    component=decoder.designator,
                    evidence=f"{', '.join(o.line for o in called)} as its table says in {count(decoder.judged)} "
                    f"settled moments, {decoder.rows_seen} of {decoder.rows_possible} rows seen",
                    rate_below=3.0 / decoder.judged,
                )
            )


_LANE_FAULT = {"stuck-low": "stuck-low", "stuck-high": "stuck-high", "open": "floating"}


def _from_buffer(evidence: ChecksEvidence, buffer: BufferResult, findings: Iterable[CheckFinding]) -> None:
    if buffer.kind != "data":
        _from_address_buffer(evidence, buffer)
        return
    mine = [f for f in findings if f.component == buffer.designator and f.weight == "fault"]
    turned = CheckKey("direction-stuck", "buffer", buffer.designator)
    for finding in mine:
        if finding.code.startswith(("direction-", "enable-missing", "never-toward", "no-transfer")):
            evidence.add(turned, SEEN, finding.text)
    through = [lane for lane in buffer.lanes if _both_levels(lane)]
    # Lanes that differ where the accesses may have been those of other addresses say nothing of the part.
    astray = any(f.component == buffer.designator and f.weight == "doubt" and f.code in WHOLE for f in findings)
    for lane in (one for one in through if not (astray and one.verdict == "differs")):
        _from_lane(evidence, buffer, lane)
    if turned not in evidence.likelihood_ratios:
        _acquit_direction(evidence, buffer, through, turned)
    good = tuple(lane.lane for lane in through if lane.verdict == "good")
    if good and not mine:
        reads, writes = sum(x.reads for x in through), sum(x.writes for x in through)
        evidence.cleared.append(
            Cleared(
                component=buffer.designator,
                lanes=good,
                evidence=f"what went in came out, both levels, in {reads} lane reads and {writes} lane writes",
                rate_below=3.0 / max(reads + writes, 1),
            )
        )


def _both_levels(lane: LanePath) -> bool:
    """Whether the lane was tried with both levels in at least one direction."""
    return min(lane.reads_low, lane.reads_high) >= ENOUGH or min(lane.writes_low, lane.writes_high) >= ENOUGH


def _from_lane(evidence: ChecksEvidence, buffer: BufferResult, lane: LanePath) -> None:
    every = CheckKey(None, "buffer", buffer.designator, None, (lane.lane,))
    if lane.verdict == "good":
        where = f"{lane.reads} reads and {lane.writes} writes through {buffer.designator}"
        text = f"{lane.near} and {lane.far} agree in {where}"
        evidence.add(every, ACQUITTED, text)
    elif lane.verdict in _LANE_FAULT:
        key = CheckKey(_LANE_FAULT[lane.verdict], "buffer", buffer.designator, None, (lane.lane,))
        wrong = lane.reads_differ + lane.writes_differ
        text = f"{lane.far} and {lane.near} differ on the two sides of {buffer.designator} in {wrong} transfers"
        evidence.add(key, SEEN, text)
        if lane.verdict != "open" and not (lane.reads_differ and lane.writes_differ):
            # Seen one way only: an open lane whose line is pulled to that level shows the same.
            evidence.add(key._replace(fault="floating"), SEEN, text)
    elif lane.verdict == "differs":
        evidence.add(every, HINTED, f"{lane.far} and {lane.near} differ on the two sides of {buffer.designator}")


def _acquit_direction(
    evidence: ChecksEvidence, buffer: BufferResult, through: list[LanePath], turned: CheckKey
) -> None:
    if through and all(lane.verdict == "good" for lane in through):
        if all(lane.reads >= ENOUGH and lane.writes >= ENOUGH for lane in through):
            evidence.add(turned, ACQUITTED, f"{buffer.designator} passes data both ways")
        return
    control = buffer.control
    if control is not None and control.reads >= ENOUGH and control.writes >= ENOUGH:
        # The pins ask for the right thing; whether the part obeys is not seen.
        text = f"{buffer.designator}'s control lines were right in {control.reads} reads and {control.writes} writes"
        evidence.add(turned, 0.3, text)


def _from_address_buffer(evidence: ChecksEvidence, buffer: BufferResult) -> None:
    tried = [lane for lane in buffer.lanes if min(lane.writes_low, lane.writes_high) >= ENOUGH]
    bad = [lane for lane in tried if lane.verdict not in ("good", "not exercised")]
    for lane in bad:
        differ = f"{lane.writes_differ} of {lane.writes} cycles differ"
        text = f"{lane.near} does not come through {buffer.designator}: {differ}"
        for scope in ("board", "region"):
            evidence.add(CheckKey("address-stuck", scope, buffer.designator), SEEN, text)
    if tried and not bad:
        text = f"{', '.join(x.near for x in tried)} come through {buffer.designator} in {tried[0].writes} cycles"
        evidence.add(CheckKey("address-stuck", None, buffer.designator), ACQUITTED, text)
        evidence.add(CheckKey("address-bridged", None, buffer.designator), ACQUITTED, text)
        evidence.cleared.append(Cleared(component=buffer.designator, lanes=tuple(x.near for x in tried), evidence=text))
