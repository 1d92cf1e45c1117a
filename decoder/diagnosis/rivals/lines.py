"""Captures that the lines themselves refuse, before any read is looked at: a clip on another line, or on none."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.rivals.rival import CannotJudge
from busledger.decoder.diagnosis.rivals.words import counted
from busledger.decoder.findings import RegionCounts

__all__ = ["line_at_rest", "on_another_line", "stretches"]

# Judged: what no program leaves alone.
_BUSY = 100  # changes of a line that is at work
_LONG = 1000  # transfers without a change
_LEAST = 3  # lines at work beside it, at the least
_SWEPT = 0.75  # of the addresses that the moving lines make, what a sweep visits at the least
_WALKED = 8  # address lines A0 to A7: a program walks through them wherever it is


def on_another_line(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    """An address clip and a data clip exchanged: what is called data is none, and no address is right."""
    if evidence.exchanged is None:
        return None
    lines, sentence = evidence.exchanged
    if not {*lines} & {*signs.address_lines.values()} or not {*lines} & {*signs.data_lines.values()}:
        return None
    return CannotJudge(
        "clips-exchanged",
        f"the clips on {lines[0]} and {lines[1]} are exchanged: {sentence.partition(': ')[2].partition(';')[0]}",
        f"exchange the clips on {lines[0]} and {lines[1]} (or their lines in the wiring) and check again",
        fault="clips-exchanged",
        lines=lines,
    )


def _wrong(region: RegionCounts, lane: str) -> int:
    return sum(one.low_for_high + one.high_for_low for one in region.lanes if one.lane == lane)


def stretches(regions: Sequence[Region], half: int) -> list[int]:
    """Which regions are one, by the first of them: those with a hole of just ``half`` between. Without a board file a
    memory whose line is never seen at its other level looks so."""
    found = list(range(len(regions)))
    by_start = sorted(found, key=lambda r: (regions[r].space, regions[r].start))
    for one, two in pairwise(by_start):
        if regions[one].space == regions[two].space and regions[two].start == regions[one].end + 1 + half:
            found[two] = found[one]
    return found


def _swept_past(evidence: Evidence, bit: int) -> bool:
    """Whether a region was gone through on the lines below and above the address bit, nearly every address of those
    that they make: short programs and tests of a few cells leave a line alone, too."""
    seen: dict[int, list[NDArray[np.uint32]]] = {}
    stretch = stretches(evidence.board.regions, 1 << bit)
    for cycles, _ in evidence.log.blocks():
        sure = (cycles.region >= 0) & (cycles.address_unknown == 0)
        for region in np.unique(cycles.region[sure]).tolist():
            there = np.unique(cycles.address[sure & (cycles.region == region)])
            seen.setdefault(stretch[region], []).append(there)
    for parts in seen.values():
        cells = np.unique(np.concatenate(parts))
        moving = int(np.bitwise_or.reduce(cells) & ~np.bitwise_and.reduce(cells))
        if moving >> (bit + 1) and len(cells) >= _SWEPT * 2.0 ** moving.bit_count():
            return True
    return False


def _walked_past(evidence: Evidence, line: str) -> bool:
    """Whether the channels' own check saw a program go on past an address line, in several places."""
    probes = evidence.probes
    if probes is None:
        return False
    doubted = {name for f in probes.findings if f.code == "clip-off" and f.weight == "doubt" for name in f.lines}
    return any(health.channel in doubted and (health.line or health.channel) == line for health in probes.channels)


def line_at_rest(evidence: Evidence, signs: CaptureSigns) -> CannotJudge | None:
    """A data line, or an address line that sweeps went past, that never moved while its neighbours did. A data
    line that a read shows wrong (of a ROM, then) is weighed against a line that is stuck."""
    if signs.profile.family == "chip":
        return None  # what one chip holds may leave a line alone
    for lines, rest_of, least in (
        (signs.data_lines, signs.data_bit, len(signs.data_lines) - 1),
        ({b: line for b, line in signs.address_lines.items() if b < _WALKED}, signs.address_bit, _WALKED - 1),
    ):
        rests = {bit: rest_of(bit) for bit in lines}
        still = [bit for bit, rest in rests.items() if rest.moves == 0 and rest.of >= _LONG]
        busy = sum(rest.moves >= _BUSY for rest in rests.values())
        lane = f"D{still[0]}" if still and lines is signs.data_lines else None
        if lane is not None and any(_wrong(region, lane) for region in evidence.counts):
            continue
        past = lane is None and len(still) == 1 and _walked_past(evidence, lines[still[0]])
        if lane is None and len(still) == 1 and not past and not _swept_past(evidence, still[0]):
            continue
        if len(still) == 1 and busy >= (_LEAST if past else max(_LEAST, least)):
            line = lines[still[0]]
            return CannotJudge(
                "clip-off",
                f"the clip on {line} has come off: it never moved in {counted(rests[still[0]].of, 'cycle')}, fetches "
                "and all, while the other lines did",
                f"look at the clip on {line}, put it back, and capture again; nothing is said of the card until then",
                fault="clip-off",
                lines=(line,),
            )
    return None
