"""Where the data lines really stand still around a sampling edge, seen in the capture itself.

A fast part's published window may be narrower than one sample although the bus it sits on is slow: 20 ns of a
14 MHz part, on a board whose memory answers 130 ns early. The sheet allows data to be there sooner, so what
counts is the bus's own pace. Movements of the data lines are counted by their distance from the edge: those
that settle lie before a quiet stretch, those that release the bus after it. In the quiet stretch a level is sure.
So it is where a window of one to two samples ends with the strobe and the bus is released in the sample of its edge.
Where the lines are seen to settle until the last sample before the edge, and to stand still from there past the edge,
that sample is read: the sample before it shows what the bus carried before. It is read, too, where channels lag so
that no rest shows, but memory hardly agrees with itself a sample earlier; what moves after it is in doubt then.

Where no speed grade is named and the slowest one promises the data more than two samples early, it is read there; a
quicker part may still be settling. What moves after that sample is in doubt then, unless the bus is seen to move there
all the time, as it does where it is released in the sample before the one that shows the edge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.bus.extractor import CycleExtractor
from busledger.decoder.bus.layout import Layout
from busledger.decoder.bus.profile import Profile
from busledger.decoder.bus.ranges import line_names
from busledger.decoder.bus.windows import Offsets, Windows
from busledger.decoder.capture import Capture
from busledger.decoder.errors import CaptureError

__all__ = ["find_eyes"]

_CYCLES = 64
_REACH = 6  # samples around an edge that are looked at
_QUIET = 0.002  # of the edges: a slow chip now and then is to be seen as movement, not to close the eye
# The sample to read, counted from the one that first shows the edge: surely before it, else the last before it. Never
# an earlier one: what is quiet there, with movement between it and the edge, is what the lines showed before.
_CANDIDATES = (-2, -1)
_LATE = 0.01  # of the edges: so many bits may become unknown without much being lost. Judged
# Share of reads that give something else than the access before, past which a moment of sampling may be the wrong one,
# to which part of it another moment must bring that, and share of the reads that are of addresses which ever do so: a
# chip that is truly slow spoils its own addresses alone, and may seem sound a sample later. Judged.
_DISAGREE, _BETTER, _SPREAD = 0.05, 0.25, 0.7
_ACCESSES = (Kind.READ, Kind.WRITE, Kind.OPCODE_FETCH)


def find_eyes(
    profile: Profile,
    layout: Layout,
    blocks: Sequence[Capture],
    tick_fs: int,
    grid_ticks: float | None,
    grade: str | None = None,
) -> Mapping[str, Offsets]:
    """Strobe → where to read at its end, for strobes whose published set-up time is shorter than two samples, in the
    slowest grade or in a quicker one.

    Parameters
    ----------
    blocks : the beginning of the capture, on ``layout``'s lines
    tick_fs, grid_ticks, grade : as ``CycleExtractor`` takes them

    Empty where nothing is sampled too slowly, and where no stretch of two samples is quiet: then what the
    published window says stands, with its doubts.
    """
    windows = Windows(profile, tick_fs, grid_ticks, grade)
    narrow, late = windows.narrow_ends(), windows.late_ends()
    if grid_ticks is None or not (narrow or late) or not blocks:
        return {}

    def read_with(eyes: Mapping[str, Offsets]) -> Cycles:
        extractor = CycleExtractor(profile, layout, tick_fs, grid_ticks, grade, eyes=eyes)
        parts = [extractor.feed(block) for block in blocks]
        return Cycles.concat([*parts, extractor.finish()])

    try:
        cycles = read_with({})
    except CaptureError:
        return {}  # nothing to be seen; whoever decodes in earnest says so
    found = {}
    moved = _movements(profile, layout, blocks)
    by_name = {strobe.name: strobe for strobe in profile.strobes}
    for strobe in (*narrow, *late):
        rules = [k for k, rule in enumerate(profile.rules) if rule.strobe == strobe]
        edges = cycles.time[np.isin(cycles.rule, rules)]
        count = _by_distance(edges, moved, grid_ticks)
        half = round(0.5 * grid_ticks)
        if _settles_to_the_last(edges.size, count):
            found[strobe] = Offsets(-half, -half, round(1.5 * grid_ticks))
            continue
        if strobe in late:
            if count is not None and count[_REACH - 1] <= max(1, _LATE * edges.size):
                found[strobe] = windows.late(by_name[strobe])
            elif count is not None:
                last = Offsets(-half, -half, half)
                if _agrees_better(cycles, read_with({strobe: last}), rules):
                    found[strobe] = last
            continue
        at = _quiet_sample(edges.size, count)
        if at is not None:
            low, high = round((at - 0.5) * grid_ticks), round((at + 1.5) * grid_ticks)
            found[strobe] = Offsets(round((at + 0.5) * grid_ticks), low, high)
    return found


def _movements(profile: Profile, layout: Layout, blocks: Sequence[Capture]) -> NDArray[np.int64]:
    """Ticks at which any data line moved."""
    names = [
        name
        for source in profile.datas
        for piece in source.pieces
        if piece.latch is None
        for name in line_names(piece.lines)
    ]
    mask = layout.mask(names)
    times = np.concatenate([block.time for block in blocks])
    levels = np.concatenate([block.levels for block in blocks]) & mask
    unknown = np.concatenate([block.unknown for block in blocks]) & mask
    moved = ((levels[1:] != levels[:-1]) | (unknown[1:] != unknown[:-1])).any(axis=1)
    return np.asarray(times[1:][moved])


def _by_distance(edges: NDArray[np.int64], moved: NDArray[np.int64], grid: float) -> NDArray[np.int64] | None:
    """How many movements lie ``_REACH`` samples before an edge, one fewer, and so on; None of too few of either."""
    if edges.size < _CYCLES or moved.size < _CYCLES:
        return None
    count = np.zeros(2 * _REACH + 1, np.int64)
    after = np.searchsorted(edges, moved)
    for index in (after - 1, after):
        there = (index >= 0) & (index < edges.size)
        place = np.rint((moved[there] - edges[index[there]]) / grid).astype(np.int64)
        count += np.bincount(place[np.abs(place) <= _REACH] + _REACH, minlength=count.size)
    return count


def _settles_to_the_last(edges: int, count: NDArray[np.int64] | None) -> bool:
    """Whether levels come as late as the last sample before the edge's, and nothing moves in that one and the next.
    What leaves the bus there, a sample early as its channel is, has nothing that moves in the sample before it."""
    if count is None:
        return False
    before, last, edge, after = count[_REACH - 2 : _REACH + 2].tolist()
    quiet = max(1, _QUIET * edges)
    return bool(before >= last > max(1, _LATE * edges) and edge <= quiet and after <= quiet)


def _agrees_better(cycles: Cycles, other: Cycles, rules: Sequence[int]) -> bool:
    """Whether memory hardly agrees with itself as ``cycles`` have it, and far better as ``other`` have the same.

    Counted of the reads of one strobe whose address was the last access's of another cycle before: what was read or
    written then is due now, in memory that is sound for the most part.
    """
    at, odd, spread = _disagreements(cycles, rules)
    of_other, odd_of_other, _ = _disagreements(other, rules)
    if min(at, of_other) < _CYCLES or odd <= _DISAGREE * at or spread < _SPREAD * at:
        return False
    return odd_of_other * at < _BETTER * odd * of_other


def _disagreements(cycles: Cycles, rules: Sequence[int]) -> tuple[int, int, int]:
    """(reads whose address was accessed before, those that give something else, those of addresses that ever do)."""
    asked = np.isin(cycles.rule, rules) & np.isin(cycles.kind, _ACCESSES) & (cycles.address_unknown == 0)
    rows = np.flatnonzero(asked)
    order = rows[np.argsort(cycles.address[rows], kind="stable")]
    same = cycles.address[order[1:]] == cycles.address[order[:-1]]
    read = same & (cycles.kind[order[1:]] != Kind.WRITE)
    known = ~(cycles.data_unknown[order[1:]] | cycles.data_unknown[order[:-1]])
    differ = (cycles.data[order[1:]] ^ cycles.data[order[:-1]]) & known != 0
    odd = np.unique(cycles.address[order[1:]][read & differ])
    there = read & np.isin(cycles.address[order[1:]], odd)
    return int(np.count_nonzero(read)), int(np.count_nonzero(read & differ)), int(np.count_nonzero(there))


def _quiet_sample(edges: int, count: NDArray[np.int64] | None) -> int | None:
    """The sample, counted from the edge's, at which and after which next to nothing moves; None if there is none."""
    if count is None:
        return None
    quiet = count <= max(1, _QUIET * edges)
    return next((at for at in _CANDIDATES if quiet[at + _REACH] and quiet[at + 1 + _REACH]), None)
