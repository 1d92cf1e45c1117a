"""What the replay's kernels are handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

from numpy.typing import NDArray

__all__ = [
    "Acts",
    "Aggressors",
    "Bends",
    "BentCounts",
    "BentRows",
    "CellRows",
    "CellState",
    "CellTables",
    "Charges",
    "Counts",
    "CouplingCounts",
    "DecayCounts",
    "Decays",
    "FewCells",
    "Given",
    "LedFault",
    "LedGroups",
    "LedRows",
    "LedWork",
    "PlaceRows",
    "PlainRows",
    "PreparedRows",
    "ReplayRows",
    "RowState",
    "Victim",
]


class ReplayRows(NamedTuple):
    """A block of accesses, as ``rows_kernel.prepare`` fills them; ``cycle`` int64 its index, ``window`` uint16,
    ``rest`` and ``rest_read`` uint32 what the card's last transfer, and its last read, left, ``rest_bus`` what the bus
    carried before."""

    cell: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    lanes: NDArray[Any]
    sure: NDArray[Any]
    kept: NDArray[Any]
    expected: NDArray[Any]
    compared: NDArray[Any]
    wrong: NDArray[Any]
    cycle: NDArray[Any]
    window: NDArray[Any]
    rest: NDArray[Any]
    rest_read: NDArray[Any]
    rest_bus: NDArray[Any]


class CellTables(NamedTuple):
    """A row a cell: ``part`` uint8 (``TAKES_PART``, ``JUDGED``), and int32 the cells that an access to it really
    writes (``w1``, ``w2``) and reads (``r1``, ``r2``), -1 = none. ``hours`` uint8 a window, whether a fault that comes
    in bursts was at work in it (``ASLEEP``, ``AWAKE``; ``ANY_TIME`` = nobody knows)."""

    part: NDArray[Any]
    w1: NDArray[Any]
    w2: NDArray[Any]
    r1: NDArray[Any]
    r2: NDArray[Any]
    hours: NDArray[Any]


class Acts(NamedTuple):
    """What a fault does on ``mask``, the lanes of its part: constants of memory_kernel. Kernels take an int64 row of
    these for each fault."""

    mask: int
    stores: int
    floats: int
    joins: int
    bends: int
    bad_lanes: int
    acts: int


class FewCells(NamedTuple):
    """The cells of each fault that is judged on a few of them: ``begin``, ``end`` int64 a fault into ``cell`` int32,
    those that it may touch, and ``goes`` int32[·, 5], their ``part``, ``w1``, ``w2``, ``r1`` and ``r2``; ``fresh``
    uint32, the ``words`` of every cell before its first access. All of these are laid into the ``CellTables`` and the
    ``CellState``, which are to work in then; of a fault without such cells those stand already."""

    begin: NDArray[Any]
    end: NDArray[Any]
    cell: NDArray[Any]
    goes: NDArray[Any]
    fresh: NDArray[Any]


class CellState(NamedTuple):
    """What is believed of each cell, carried from block to block: ``words`` uint32, ``links`` int32 (columns of
    memory_kernel)."""

    words: NDArray[Any]
    links: NDArray[Any]


class Counts(NamedTuple):
    """Sums, a row a fault: ``hard``, ``some`` int64[TALLY] of the two theories, ``chances`` int64[WINDOWS, 2] hits and
    misses of the latter by window, ``hashes`` uint64[2], ``first`` int64[k] explained cycles (first[0] counts them)."""

    hard: NDArray[Any]
    some: NDArray[Any]
    chances: NDArray[Any]
    hashes: NDArray[Any]
    first: NDArray[Any]


class Given(NamedTuple):
    """Rows out: ``value``, ``sure`` what the hard theory reads, ``explained`` uint8, whether the other explains or
    excuses a wrong read (``EXPLAINS``, ``EXCUSES`` of replay_kernel), ``found`` uint32, the lanes that by the other
    came from a cell whose contents nobody knew, as counted in ``UNSURE_BITS``. Empty where they are not asked for."""

    value: NDArray[Any]
    sure: NDArray[Any]
    explained: NDArray[Any]
    found: NDArray[Any]


class PlainRows(NamedTuple):
    """A block of accesses as the ledger judged them; ``fixed`` bool: nothing can write there (a ROM); ``in_doubt``
    bool: it may have been another cell's."""

    cell: NDArray[Any]
    fixed: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    data_unknown: NDArray[Any]
    width: NDArray[Any]
    verdict: NDArray[Any]
    expected: NDArray[Any]
    known: NDArray[Any]
    in_doubt: NDArray[Any]


class RowState(NamedTuple):
    """Carried from block to block, uint32: ``written``, ``last``, ``last_known`` a cell, ``card_last``, ``card_read``
    a card (a group of regions behind the same data buffer)."""

    written: NDArray[Any]
    last: NDArray[Any]
    last_known: NDArray[Any]
    card_last: NDArray[Any]
    card_read: NDArray[Any]


class PreparedRows(NamedTuple):
    """Rows out: ``lanes`` of the transfer, ``sure`` those with a known level, ``expected`` the level a healthy card
    gives on the lanes ``compared`` (from the ledger, or, for a bit never written, what most of its reads gave),
    ``wrong`` the lanes that differ, ``event`` 1 where a wrong read is not merely the repeat of the cell's last read,
    ``rest`` and ``rest_read`` the levels of the card's last transfer before this one, and of its last read."""

    lanes: NDArray[Any]
    sure: NDArray[Any]
    expected: NDArray[Any]
    compared: NDArray[Any]
    wrong: NDArray[Any]
    event: NDArray[Any]
    rest: NDArray[Any]
    rest_read: NDArray[Any]


class BentRows(NamedTuple):
    """A block of accesses as ``lanes_kernel`` takes them; ``read`` what the capture shows."""

    cell: NDArray[Any]
    region: NDArray[Any]
    is_write: NDArray[Any]
    kept: NDArray[Any]
    rest: NDArray[Any]
    expected: NDArray[Any]
    compared: NDArray[Any]
    read: NDArray[Any]
    wrong: NDArray[Any]
    cycle: NDArray[Any]
    window: NDArray[Any]


class Bends(NamedTuple):
    """Candidates ``begin[r] … end[r]`` of each region: ``does``, uint32 ``mask`` of lanes, int32 ``only`` the one cell
    it concerns, -1 = all."""

    begin: NDArray[Any]
    end: NDArray[Any]
    does: NDArray[Any]
    mask: NDArray[Any]
    only: NDArray[Any]


class BentCounts(NamedTuple):
    """Added to, a row a candidate: ``tally`` int64[TALLY], ``chances`` int32[windows, 2] hits and misses by window,
    ``hashes`` uint64, ``first`` int64[k] the first explained cycles (first[·, 0] counts them)."""

    tally: NDArray[Any]
    chances: NDArray[Any]
    hashes: NDArray[Any]
    first: NDArray[Any]


class CellRows(NamedTuple):
    """A block of accesses of one region; ``data`` what was written or read, ``time`` in ticks."""

    cell: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    sure: NDArray[Any]
    expected: NDArray[Any]
    compared: NDArray[Any]
    wrong: NDArray[Any]
    cycle: NDArray[Any]
    time: NDArray[Any]


class Decays(NamedTuple):
    """What loses its value: cells from ``first_cell`` on, or ``only`` one of them (-1 = all), on the lanes ``mask``,
    towards ``high``; ``refreshes``: a read renews the value."""

    first_cell: int
    only: int
    mask: Any
    high: bool
    refreshes: bool


class Charges(NamedTuple):
    """Carried, one a cell: ``stamp`` int64, its last renewal in ticks (-1 never); ``gone`` uint8, seen decayed since
    its last write; ``kept``, ``lost`` int64, the age in ticks of the oldest value that it was seen to hold (-1 none),
    and of the youngest that was gone (NEVER)."""

    stamp: NDArray[Any]
    gone: NDArray[Any]
    kept: NDArray[Any]
    lost: NDArray[Any]


class DecayCounts(NamedTuple):
    """Added to: ``tally`` int64[5]; ``ages`` int64[2, BINS], reads that came back right and decayed, by age; ``hashes``
    uint64[BINS] of the reads that decay would change; ``first`` int64[k] explained cycles (first[0] counts them)."""

    tally: NDArray[Any]
    ages: NDArray[Any]
    hashes: NDArray[Any]
    first: NDArray[Any]


class Victim(NamedTuple):
    """One bit of one cell, and who may change it: ``slot`` int32 a cell from ``first_cell`` on, the row of that cell
    among the suspected aggressors (-1 = none); ``lanes`` int64, the aggressor's lanes tried."""

    cell: int
    lane: int
    first_cell: int
    slot: NDArray[Any]
    lanes: NDArray[Any]


class Aggressors(NamedTuple):
    """Carried: ``values``, ``known`` uint32 a row; ``belief`` int64[1], the victim's last level (-1 unknown);
    ``fired``, ``theory`` int64 (rows × lanes · WAYS)."""

    values: NDArray[Any]
    known: NDArray[Any]
    belief: NDArray[Any]
    fired: NDArray[Any]
    theory: NDArray[Any]


class CouplingCounts(NamedTuple):
    """Added to: ``hard``, ``some`` int64 (rows × lanes · WAYS × TALLY), ``hashes`` uint64 (rows × lanes · WAYS)."""

    hard: NDArray[Any]
    some: NDArray[Any]
    hashes: NDArray[Any]


class PlaceRows(NamedTuple):
    """A block of accesses; ``word`` int64, the address in words; ``asked`` bool, the wrong reads looked at."""

    cell: NDArray[Any]
    region: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    sure: NDArray[Any]
    expected: NDArray[Any]
    compared: NDArray[Any]
    word: NDArray[Any]
    asked: NDArray[Any]


class LedRows(NamedTuple):
    """Accesses as ``led_kernel`` takes them: columns of ``ReplayRows``."""

    cell: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    lanes: NDArray[Any]
    sure: NDArray[Any]
    kept: NDArray[Any]
    expected: NDArray[Any]
    compared: NDArray[Any]
    wrong: NDArray[Any]
    window: NDArray[Any]
    rest: NDArray[Any]


class LedGroups(NamedTuple):
    """Cells that a fault mixes up, group by group: ``begin`` int64, where each group's members begin, the cell that it
    leads the others to first; of each member ``held`` uint32[·, 2], levels and known lanes before the first access,
    ``place`` int64 among the cells that are accessed, -1 = never, and ``takes`` uint8, whether the first one takes
    writes that are led to it from there; of each group ``nowhere`` uint8, whether it is led to none or its writes
    are, and ``region`` int64, where it is."""

    begin: NDArray[Any]
    held: NDArray[Any]
    place: NDArray[Any]
    takes: NDArray[Any]
    nowhere: NDArray[Any]
    region: NDArray[Any]


class LedFault(NamedTuple):
    """``mask`` and ``floats`` as in ``Acts``; ``least``: for each chance that the fault acts, the chance from which a
    wrong read is explained; ``floor``: what a right read costs at the most."""

    mask: Any
    floats: int
    least: float
    floor: float


class LedWork(NamedTuple):
    """To work in: of each story ``values`` and ``known`` uint32 a member, ``weights`` float64 a scale, ``there`` and
    ``led`` float64; ``found``, ``chance`` and ``idle`` float64 a scale; ``at`` int64[members, 2] and ``touched`` uint8
    of the members."""

    values: NDArray[Any]
    known: NDArray[Any]
    weights: NDArray[Any]
    there: NDArray[Any]
    led: NDArray[Any]
    found: NDArray[Any]
    chance: NDArray[Any]
    idle: NDArray[Any]
    at: NDArray[Any]
    touched: NDArray[Any]
