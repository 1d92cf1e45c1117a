"""Steps for what makes the selects, and for what is lost together: pins to measure, lines to clip."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.faults.candidate import Candidate
from busledger.decoder.diagnosis.faults.saying import and_list
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.figures import lane_ranges
from busledger.decoder.findings import NextStep

__all__ = ["Prediction", "clipped_selects", "clipped_stages", "measured"]

# What a step shows if a suspect is guilty: True, False, or None = could be either.
Prediction = Callable[[Candidate], bool | None]
_PROBE = "with a probe that cannot slip to the next pin"


def measured(card: CardView, c: Candidate) -> list[NextStep]:
    """Pins of a named part to measure where what is lost together hangs on one of them."""
    if c.component is None:
        return []
    lines = [f"A{b}" for b in c.lines]
    if c.fault == "address-stuck" and len(lines) > 1:
        text = f"Measure the enable and supply pins of {c.component}, {_PROBE}: "
        return [NextStep(text=f"{text}{lane_ranges(lines)} are lost together, as where one of those is open.")]
    if c.fault == "select-missing" and (c.region is None or c.component != card.regions[c.region].decoder):
        names = and_list([card.regions[r].name for r in c.regions])
        first = f"the pin that takes {and_list(lines)}, then " if lines else ""
        text = f"Measure {first}the supply, enable and input pins of {c.component}, {_PROBE}: "
        lost = f"the selects of {names} are lost together" if len(c.regions) > 1 else f"the select of {names} is lost"
        return [NextStep(text=f"{text}{lost}, as where one of those is open, or stands at the wrong level.")]
    if c.fault == "select-extra" and c.other is None and c.region is not None:
        region = card.regions[c.region]
        chips = [chip.designator for chip in region.chips if chip.designator]
        pins = f", and at the select pins of {and_list(chips)}" if chips else ""
        text = (
            f"Measure {region.select or f'the select of {region.name}'} at {c.component}{pins}, {_PROBE}: if it is "
            "active all the time, power off and follow with a meter what holds it there."
        )
        return [NextStep(text=text)]
    return []


def clipped_selects(evidence: Evidence, card: CardView, gain: Callable[[Prediction], float]) -> list[NextStep]:
    """A select at the decoder's output: wrong if the decoder, or an address line before it, is at fault."""
    steps = []
    for region in card.regions:
        if not region.select or region.select in evidence.clipped_lines:
            continue

        def shows(c: Candidate, r: int = region.index) -> bool | None:
            if c.scope == "decoder":  # a select too many comes beside one that is as it should be
                return r == c.region if c.fault == "select-extra" else r in c.regions
            return c.scope == "board" and any(b not in card.regions[r].bits for b in c.lines)

        text = (
            f"Clip {region.select} (the select of {region.name}): if it comes for all its addresses and for no others, "
            "what makes it is innocent."
        )
        steps.append(NextStep(text=text, clip=(region.select,), gain_bits=round(gain(shows), 3)))
    return steps


def clipped_stages(
    evidence: Evidence, candidates: Sequence[Candidate], gain: Callable[[Prediction], float]
) -> list[NextStep]:
    """What parts decoders that show the same, and the lines that they take: what one makes for another, and an address
    line at a decoder's own pin, held against the bus."""
    accused = dict.fromkeys(c.component for c in candidates if c.scope == "decoder" and c.component)
    decoders = [d for d in evidence.board.decoders if d.designator in accused]
    steps = []
    for first in decoders:
        for line in first.outputs.values():
            second = next((d.designator for d in decoders if d is not first and line in d.inputs.values()), None)
            if second is None or line in evidence.clipped_lines:
                continue
            takes = frozenset(first.inputs.values())

            def away(c: Candidate, name: str = first.designator, own: frozenset[str] = takes) -> bool | None:
                if c.scope == "decoder":
                    return c.component == name
                return any(f"A{b}" in own for b in c.lines) if c.scope == "board" else None

            text = (
                f"Clip {line}, which {first.designator} makes for {second}: if it comes when it should, "
                f"{first.designator} is innocent; if it was due and stayed away, {second} is."
            )
            steps.append(NextStep(text=text, clip=(line,), gain_bits=round(gain(away), 3)))
    for c in candidates:
        if c.scope != "decoder" or not c.lines or not c.component:
            continue
        lines = c.lines

        def stops(other: Candidate, bits: tuple[int, ...] = lines) -> bool | None:
            if other.scope == "decoder":
                return False
            return any(b in bits for b in other.lines) if other.scope == "board" else None

        line = f"A{c.lines[0]}"
        text = (
            f"Power off, clip {line} at {c.component}'s own pin beside {line} of the bus, and capture again: if it "
            f"follows, it is {c.component} or its socket; if not, what lies between."
        )
        steps.append(NextStep(text=text, gain_bits=round(gain(stops), 3)))
    return steps
