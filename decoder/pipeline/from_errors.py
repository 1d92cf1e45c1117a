"""``errors``: from the lines that a memory test printed to an answer, without a capture.

The list becomes accesses (``listed_accesses``), the ledger compares them, and the same engine weighs them as weighs a
capture; ``list_words`` says what this kind of evidence leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import Profile
from busledger.decoder.bus.columns import Kind
from busledger.decoder.errors import BoardError, UsageError
from busledger.decoder.errors_list import ErrorList, MachineBus, pattern_of, read_errors
from busledger.decoder.findings import CaptureFinding, CheckResult
from busledger.decoder.ledger import AccessLog, Counter, Ledger, RegionMap
from busledger.decoder.pipeline.check import cycle_counts
from busledger.decoder.pipeline.list_words import ListFacts, cannot_tell, clip_step, doubts, taken
from busledger.decoder.pipeline.listed_accesses import MOST_ROWS, ListedAccesses
from busledger.decoder.pipeline.request import Request, bus_and_board, marks_of
from busledger.decoder.progress import Progress, silent

if TYPE_CHECKING:
    from busledger.decoder.diagnosis import Diagnosis
    from busledger.decoder.findings import RegionCounts

__all__ = ["ErrorsRequest", "check_errors"]

_PERFECT = (0, -1, 0, 0, -0.5)  # merit: one fault explains the list, and no other way of testing needs a trial
_WORTH_SAYING = 0.02  # probability of a suspect
_TICK_S = 1e-9  # a microsecond an access, as such machines need; no sentence is made of it


@dataclass(frozen=True)
class ErrorsRequest:
    """A list and what is known of it.

    ``tested``: ranges gone over, both ends included, empty = not said; ``passes``: how often; ``cut``: the list does
    not hold all errors, only those between its first and its last; ``order`` and ``decimal`` as ``read_errors`` has
    them.
    """

    source: str | Path
    board: str | Path | Board
    tested: tuple[tuple[int, int], ...] = ()
    passes: int | None = None
    cut: bool = False
    order: tuple[str, ...] | None = None
    decimal: bool = False
    stdin: IO[bytes] | None = None


@dataclass(frozen=True)
class _Weighed:
    way: str
    found: Diagnosis
    counts: tuple[RegionCounts, ...]
    kinds: NDArray[np.int64]


def check_errors(request: ErrorsRequest, progress: Progress = silent) -> CheckResult:
    """Read the list, weigh it, and put it into the contract's words; ``coverage["from_list"]`` says how it was read.

    Raises
    ------
    BoardError, ProfileError
        the board file, or its bus, is wrong, or holds no memory that can be tested.
    UsageError
        the list cannot be read or holds no error; the tested ranges hold no memory, or too much.
    """
    profile, board = bus_and_board(Request(capture=str(request.source), board=request.board))
    assert board is not None  # a request without one is refused
    board, left = _plain_memory(board)
    memory = [r for r in board.regions if _testable(r)]
    if not memory:
        raise BoardError(
            "the board file has no memory that a test could write to",
            where=board.path,
            expected='a [[region]] of kind = "ram"',
        )
    ranges = tuple((r.start, r.end) for r in memory)
    bus = MachineBus(profile.address_bits, profile.data_bits, ranges)
    listed = read_errors(request.source, bus, order=request.order, decimal=request.decimal, stdin=request.stdin)
    accesses = _accesses(request, listed, board, profile)
    weighed, others = _best(accesses, board, profile, progress)
    facts = ListFacts(
        listed=listed,
        accesses=accesses,
        board=board,
        way=weighed.way,
        otherwise=_otherwise(weighed, others),
        tested=request.tested,
        cut=request.cut or listed.cut,
        outside=int(len(listed) - bus.holds(listed.address).sum()),
        left_out=left,
        decimal=request.decimal,
    )
    found = weighed.found
    result = CheckResult(
        capture=CaptureFinding(
            path=str(request.source),
            duration_s=0.0,
            channels=0,
            samples=len(listed),
            resolution_s=0.0,
            warnings=doubts(facts),
        ),
        profile=profile.name,
        board=board.name or None,
        cycles=cycle_counts(weighed.kinds, 0),
        regions=weighed.counts,
        mismatch_total=sum(region.mismatches for region in weighed.counts),
        suspects=found.suspects,
        parts=found.parts,
        unexplained=found.unexplained,
        cleared=found.cleared,
        coverage={**found.coverage, "from_list": {"taken": taken(facts), "cannot_tell": cannot_tell(facts)}},
        next_steps=(*found.next_steps, clip_step(facts)),
    )
    return marks_of(profile, board).said(result)


def _testable(region: Region) -> bool:
    return region.kind == "ram" and region.space == "memory" and not region.shared


def _plain_memory(board: Board) -> tuple[Board, tuple[str, ...]]:
    """The board for a list, which knows addresses only, and the regions left out of it.

    A region that answers on a condition is taken as always there if nothing else may answer at its addresses; banks
    that share addresses cannot be told apart, and are left out.
    """
    banked = [r for r in board.regions if r.when is not None]
    if not banked:
        return board, ()
    shares = {
        r.name
        for r in banked
        for s in board.regions
        if s is not r and s.space == r.space and s.start <= r.end and r.start <= s.end
    }
    kept = tuple(replace(r, when=None) for r in board.regions if r.name not in shares)
    names = {r.name for r in kept}
    buffers = tuple(replace(b, serves=tuple(n for n in b.serves if n in names)) for b in board.buffers)
    return replace(board, regions=kept, buffers=buffers), tuple(sorted(shares))


def _accesses(request: ErrorsRequest, listed: ErrorList, board: Board, profile: Profile) -> ListedAccesses:
    """What the test must have done: everything tested, and every error that lies in memory."""
    memory = [r for r in board.regions if _testable(r)]
    wide = profile.data_bits if int(max(listed.wrote.max(), listed.read.max())) > 0xFF else min(profile.data_bits, 8)
    step = wide // 8
    address = listed.address - listed.address % step if step > 1 else listed.address
    inside = np.zeros(len(listed), np.bool_)
    pieces, regions = [], []
    for r in memory:
        mine = (address >= r.start) & (address <= r.end)
        inside |= mine
        gone_over = _within(r, request.tested) if request.tested else [(r.start, r.end)] if mine.any() else []
        if 2 * sum(end - start + 1 for start, end in gone_over) > MOST_ROWS * step:
            raise UsageError(
                f"{r.name} is larger than can be weighed at once",
                expected=f"at most {MOST_ROWS // 2:,} addresses in all",
                hint="Say with --tested a smaller range around the errors, and list its errors only.",
            )
        words = [np.arange(start + -start % step, end + 1, step, dtype=np.int64) for start, end in gone_over]
        found = np.union1d(np.concatenate([*words, np.zeros(0, np.int64)]), address[mine]).astype(np.int64)
        pieces.append(found)
        wrong = int(np.bitwise_or.reduce((listed.wrote ^ listed.read)[mine])) if mine.any() else 0
        regions.append(np.full(len(found), wrong, np.int64))
    words_all, failing = np.concatenate(pieces), np.concatenate(regions)
    words_all, first = np.unique(words_all, return_index=True)
    right = _known_right(words_all, request, listed)
    pattern = pattern_of(address[inside], listed.wrote[inside], wide, 0 if step == 1 else step.bit_length() - 1)
    made = ListedAccesses(
        words=words_all,
        right=right,
        address=address[inside],
        wrote=listed.wrote[inside],
        read=listed.read[inside],
        pattern=pattern,
        failing=failing[first],
        passes=request.passes,
        data_bits=wide,
        bus_bits=profile.data_bits,
        even_low=profile.even_byte == "low",
    )
    if request.tested and not right.any() and not request.cut and not listed.cut:
        spans = ", ".join(f"{r.start:04X}-{r.end:04X}" for r in memory[:6])
        raise UsageError("--tested names no address of the board's memory", expected=f"ranges in {spans}")
    if 2 * len(words_all) * made.rounds > 4 * MOST_ROWS:
        raise UsageError(
            f"{len(words_all):,} addresses written {made.rounds} times are more than can be weighed at once",
            hint="Say with --tested a smaller range around the errors, and list its errors only.",
        )
    return made


def _within(region: Region, tested: tuple[tuple[int, int], ...]) -> list[tuple[int, int]]:
    cut = [(max(start, region.start), min(end, region.end)) for start, end in tested]
    return [(start, end) for start, end in cut if start <= end]


def _known_right(words: NDArray[np.int64], request: ErrorsRequest, listed: ErrorList) -> NDArray[np.bool_]:
    """bool a word: it was tested, and would be listed had it been wrong."""
    right = np.zeros(len(words), np.bool_)
    for start, end in request.tested:
        right |= (words >= start) & (words <= end)
    if request.cut or listed.cut:
        right &= (words >= listed.address.min()) & (words <= listed.address.max())
    return right


def _best(
    accesses: ListedAccesses, board: Board, profile: Profile, progress: Progress
) -> tuple[_Weighed, list[_Weighed]]:
    """The way of testing under which most of the list is explained (the likeliest, where several do), and the others
    that were tried: where what was written follows from the address, each way has its own address faults."""
    best: _Weighed | None = None
    tried = []
    for way in accesses.ways:
        weighed = _weigh(accesses, way, board, profile, progress)
        tried.append(weighed)
        if best is None or _merit(weighed) > _merit(best):
            best = weighed
        if not accesses.pattern.rule and _merit(weighed) >= _PERFECT:
            break
    assert best is not None  # there is always one way
    return best, [one for one in tried if one is not best]


def _otherwise(best: _Weighed, others: list[_Weighed]) -> tuple[tuple[str, str], ...]:
    """(way, summary): address faults that explain the list as well, had the test gone another way."""
    known = {(s.scope, s.region, s.address_lines) for s in best.found.suspects}
    found = []
    for other in others:
        if _merit(other)[:4] == _merit(best)[:4]:
            mine = [s for s in other.found.suspects if s.address_lines and s.probability >= _WORTH_SAYING]
            found += [(other.way, s.summary) for s in mine if (s.scope, s.region, s.address_lines) not in known][:1]
    return tuple(found)


def _merit(weighed: _Weighed) -> tuple[int, int, int, int, float]:
    """Larger is better: all explained, by few faults, that no read speaks against, and that are always there."""
    found = weighed.found
    leaders = {s.place: s for s in reversed(found.suspects)}.values()
    against = sum(s.contradicted for s in leaders)
    passing = sum(s.intermittent for s in leaders)
    return -found.unexplained, -len(leaders), -against, -passing, -round(found.none_of_these, 2)


def _weigh(accesses: ListedAccesses, way: str, board: Board, profile: Profile, progress: Progress) -> _Weighed:
    from busledger.decoder.diagnosis import CoverageCounter, Evidence, ProfileFacts, TrafficCounter, diagnose

    facts = ProfileFacts(profile.address_bits, profile.data_bits, 0)
    region_map = RegionMap(board.regions, (), profile.data_bits, even_byte=profile.even_byte)
    ledger, counter, log = Ledger(region_map, profile.address_bits), Counter(region_map), AccessLog()
    coverage = CoverageCounter(board, profile.address_bits, profile.data_bits, 0)
    traffic = TrafficCounter(len(board.regions), profile.data_bits)
    kinds = np.zeros(len(Kind), np.int64)
    try:
        for cycles in accesses.blocks(way):
            region_map.locate(cycles, region_map.spaces(cycles))
            cycles, compared = region_map.by_owner(cycles, ledger.feed(cycles))
            kinds += np.bincount(cycles.kind, minlength=len(Kind))
            kept = log.append(cycles, compared)
            if kept is not None:
                coverage.feed(*kept)
            traffic.feed(cycles)
            counter.feed(cycles, compared)
        counts = counter.counts(ledger.stories())
        evidence = Evidence(
            board, facts, counts, log, _TICK_S, traffic=traffic, coverage=coverage, all_agree=log.all_agree
        )
        return _Weighed(way, diagnose(evidence, progress), counts, kinds)
    finally:
        log.close()
