"""The accesses in which a suspect could have failed, drawn from the access log for the intermittents' tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, assert_never

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus.columns import WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.coverage.coverage_counter import mask_of
from busledger.decoder.diagnosis.evidence import AccessesLike
from busledger.decoder.diagnosis.faults.kind import Looks
from busledger.decoder.diagnosis.faults.kinds import KINDS
from busledger.decoder.diagnosis.intermittence.cell_contents import NOWHERE, CellContents, Strays
from busledger.decoder.diagnosis.intermittence.cell_history import NOTHING_YET, READ_WRONG, CellHistory
from busledger.decoder.diagnosis.intermittence.intermittence import describe, windows_for
from busledger.decoder.diagnosis.intermittence.occurrence import UNKNOWN_KIND, Circumstances, Occurrence
from busledger.decoder.diagnosis.statistics import fisher
from busledger.decoder.findings import Suspect
from busledger.decoder.ledger import Compared, Verdict

__all__ = ["intermittence_of", "shows_of"]

_IS_WRITE = np.isin(np.arange(len(Kind)), np.array(WRITE_KINDS))
_JUDGED = np.isin(np.arange(len(Verdict)), (Verdict.AGREES, Verdict.MISMATCH))
LEAST_PROBABLE = 0.5  # other suspects than the first are described from even chances on, as they are named
# p below which re-reads of a wrong cell are taken to repeat what was written wrong: asked once a suspect, so that one
# sound answer in a hundred loses its re-reads, which costs some power and no truth. Fewer than three give no such p.
TRACE = 0.01
LEAST_REREADS = 3
ROWS_IN_MEMORY = 1_000_000  # reads of one suspect, about 40 bytes each; past that the log is read a second time

Lanes = NDArray[np.uint32]
Shows = Callable[[Lanes, Lanes, int], NDArray[np.bool_]]


def shows_of(looks: Looks) -> Shows | None:
    """Whether an active fault would show in a read: (levels due, levels the idle bus held, mask of its lanes) → rows.

    None where the read alone does not tell: then every read counts.
    """
    match looks:
        case Looks.LOW:
            return lambda due, kept, mask: (due & np.uint32(mask)) != 0
        case Looks.HIGH:
            return lambda due, kept, mask: (~due & np.uint32(mask)) != 0
        case Looks.UNDRIVEN:
            return lambda due, kept, mask: ((due ^ kept) & np.uint32(mask)) != 0
        case Looks.JOINED:
            return lambda due, kept, mask: ((due & np.uint32(mask)) != 0) & ((~due & np.uint32(mask)) != 0)
        case Looks.OLD | Looks.LOST | Looks.ALIAS | Looks.BOTH | Looks.NOTHING | Looks.ANYTHING:
            return None
        case _:
            assert_never(looks)


@dataclass(frozen=True)
class _Reach:
    """Where a suspect acts: regions, lanes, one address or all, and in which reads it would show."""

    regions: NDArray[np.bool_]
    mask: int
    address: int | None
    shows: Shows | None
    strays: Strays


@dataclass
class _Totals:
    """Of all reads in which it could have shown and of the first ones after a write: [reads, failures]."""

    all: NDArray[np.int64]
    fresh: NDArray[np.int64]
    again: NDArray[np.int64]  # re-reads of a cell that had just read wrong

    @property
    def only_fresh(self) -> bool:
        """Wrong data tends to stay until it is written over (Fisher's exact test, 1 %): re-reads say little new."""
        if self.again[0] < LEAST_REREADS or not self.fresh[1]:
            return False
        found = fisher([int(self.again[1]), int(self.fresh[1])], [int(self.again[0]), int(self.fresh[0])])
        return found.p < TRACE and self.again[1] * self.fresh[0] > self.fresh[1] * self.again[0]


def intermittence_of(
    board: Board,
    log: AccessesLike,
    suspects: Sequence[Suspect],
    *,
    address_bits: int,
    data_bits: int,
    tick_s: float,
) -> dict[str, Any]:
    """The ``intermittence`` of ``check --json``: the likeliest intermittent suspect described, and further probable
    ones under ``others``; empty where no suspect is intermittent.

    Reads the log in blocks, twice where there are many such reads: memory does not grow with the capture.
    """
    coming = [s for s in suspects if s.intermittent]
    chosen = [s for i, s in enumerate(coming) if i == 0 or s.probability >= LEAST_PROBABLE][:3]
    cells = CellSpace(board.regions, address_bits, data_bits)
    described: list[dict[str, Any]] = []
    for suspect in chosen:
        found = _describe(board, log, suspect, cells, data_bits, tick_s)
        if found:
            head: dict[str, Any] = {"suspect": suspect.rank, "component": suspect.component, "fault": suspect.fault}
            head |= {"rate": suspect.rate, "rate_95": suspect.rate_95 and list(suspect.rate_95)}
            described.append({**head, **found})
    if not described:
        return {}
    return {**described[0], "others": described[1:]} if len(described) > 1 else described[0]


def _describe(
    board: Board, log: AccessesLike, suspect: Suspect, cells: CellSpace, data_bits: int, tick_s: float
) -> dict[str, Any]:
    reach = _reach(board, suspect, cells, data_bits)
    totals = _Totals(*(np.zeros(2, np.int64) for _ in range(3)))
    held: list[tuple[Circumstances, NDArray[np.uint8]]] | None = []
    for block in _eligible(board, log, reach, cells):
        circumstances, came = block
        _add(totals.all, circumstances.failed)
        _add(totals.fresh, circumstances.failed[came == NOTHING_YET])
        _add(totals.again, circumstances.failed[came == READ_WRONG])
        if held is not None:
            held.append(block)
        if totals.all[0] > ROWS_IN_MEMORY:
            held = None
    kept = totals.fresh if totals.only_fresh else totals.all
    tally = Occurrence(int(kept[0]), windows_for(int(kept[1])), cells.address_bits, data_bits)
    for circumstances, came in held if held is not None else _eligible(board, log, reach, cells):
        tally.feed(_taken(circumstances, came == NOTHING_YET) if totals.only_fresh else circumstances)
    own = [b for b in range(data_bits) if reach.mask >> b & 1]
    return describe(
        tally,
        tick_s,
        lanes=own,
        inside_chip=suspect.scope in ("chip", "cell"),
        astray=reach.strays.any,
        kept_wrong=(int(totals.again[0]), int(totals.again[1])),
        first_reads=totals.only_fresh,
    )


def _add(total: NDArray[np.int64], failed: NDArray[np.bool_]) -> None:
    total += (len(failed), int(np.count_nonzero(failed)))


def _taken(c: Circumstances, rows: NDArray[np.bool_]) -> Circumstances:
    return Circumstances(*(getattr(c, name)[rows] for name in Circumstances.__slots__))


def _reach(board: Board, suspect: Suspect, cells: CellSpace, data_bits: int) -> _Reach:
    names = [r.name for r in board.regions]
    regions = np.zeros(len(names), np.bool_)
    served = [b.serves for b in board.buffers if b.designator == suspect.component]
    told = suspect.detail.get("regions") or ([suspect.region] if suspect.region else [])
    told = [*told, *suspect.detail.get("answers_for", ())]
    reached = told or [n for serves in served for n in serves] or names
    for name in reached:
        if name in names:
            regions[names.index(name)] = True
    bits = [int(lane[1:]) for lane in suspect.lanes if lane[1:].isdigit()]
    mask = mask_of(bits) or (1 << data_bits) - 1
    strays = Strays(board, cells, suspect)
    if strays.any and suspect.other_region in names:
        regions[names.index(suspect.other_region)] = True
    return _Reach(regions, mask, suspect.address, shows_of(KINDS[suspect.fault].looks), strays)


def _eligible(
    board: Board, log: AccessesLike, reach: _Reach, cells: CellSpace
) -> Iterator[tuple[Circumstances, NDArray[np.uint8]]]:
    """Blocks of reads in which it could have shown, with how the cell's last read since its write came out."""
    history = CellHistory(cells.total)
    contents = CellContents(board, cells) if reach.strays.any else None
    mask = np.uint32(reach.mask)
    previous: tuple[int, int, int] | None = None  # kind, address, region of the row before the block
    for cycles, compared in log.blocks():
        if not len(cycles):
            continue
        before_it = _before(cycles, previous)
        previous = int(cycles.kind[-1]), int(cycles.address[-1]), int(cycles.region[-1])
        astray = None if contents is None else _astray(contents, reach, cells, cycles, compared)
        here = np.flatnonzero(reach.regions[cycles.region])
        part, judgement = cycles.take(here), compared.take(here)
        judged = _JUDGED[judgement.verdict]
        wrong = (judgement.mismatch & mask) != 0
        cell = cells.locate(part.region, part.address)
        age, came = history.feed(cell, part.time, _IS_WRITE[part.kind], judged, wrong)
        found = judged & ((judgement.known & mask) != 0)
        if reach.address is not None:
            found &= part.address == np.uint32(reach.address)
        if astray is not None:
            found &= wrong | astray[here]
        elif reach.shows is not None:
            found &= wrong | _showing(reach.shows, judgement, part, reach.mask)
        yield _circumstances(part, judgement, found, wrong, age, [c[here] for c in before_it]), came[found]


def _showing(shows: Shows, compared: Compared, cycles: Cycles, mask: int) -> NDArray[np.bool_]:
    """``shows`` over the known lanes only: rows are grouped by which lanes are known, mostly one group."""
    found = np.zeros(len(cycles), np.bool_)
    for known in np.unique(compared.known).tolist():
        rows = compared.known == known
        found[rows] = shows(compared.expected[rows], cycles.kept[rows], mask & known)
    return found


def _astray(
    contents: CellContents, reach: _Reach, cells: CellSpace, cycles: Cycles, compared: Compared
) -> NDArray[np.bool_]:
    """Rows in which an access gone astray would have read other data: of another cell, or of the idle bus."""
    cell = cells.locate(cycles.region, cycles.address)
    is_write = _IS_WRITE[cycles.kind]
    sure = ~cycles.data_unknown
    lanes = compared.known & np.uint32(reach.mask)
    shows = np.zeros(len(cycles), np.bool_)
    for there, acts in reach.strays.cells_of(cycles.region, cycles.address):
        value, valid = contents.feed(cell, is_write, cycles.data, sure, np.where(is_write, NOWHERE, there))
        found = np.where(there >= 0, (value ^ compared.expected) & valid, cycles.kept ^ compared.expected)
        shows |= acts & ((found & lanes) != 0)
    contents.keep(cell, is_write, cycles.data, sure)
    return shows


def _before(cycles: Cycles, previous: tuple[int, int, int] | None) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Kind, address and region of the access before each one."""
    kind, address, region = previous or (UNKNOWN_KIND, int(cycles.address[0]), int(cycles.region[0]))
    return (
        np.concatenate([[np.uint8(kind)], cycles.kind[:-1]]),
        np.concatenate([[np.uint32(address)], cycles.address[:-1]]),
        np.concatenate([[np.int16(region)], cycles.region[:-1]]),
    )


def _circumstances(
    cycles: Cycles,
    compared: Compared,
    found: NDArray[np.bool_],
    wrong: NDArray[np.bool_],
    age: NDArray[np.int64],
    before: Sequence[NDArray[Any]],
) -> Circumstances:
    kinds, addresses, regions = before
    switching = _popcount(cycles.address ^ addresses) + _popcount((compared.expected ^ cycles.kept) & compared.known)
    return Circumstances(
        time=cycles.time[found],
        failed=wrong[found],
        address=cycles.address[found],
        expected=compared.expected[found],
        known=compared.known[found],
        previous_kind=kinds[found],
        switching=switching[found],
        age=age[found],
        moved=(regions != cycles.region)[found],
    )


def _popcount(x: NDArray[np.uint32]) -> NDArray[np.uint8]:
    ones: NDArray[np.uint8] = np.bitwise_count(x)
    return ones
