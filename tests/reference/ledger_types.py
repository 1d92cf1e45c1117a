"""The words of the plain ledger: what goes in, what comes out, and the choices where the design is silent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["ram", "rom", "io"]
Space = Literal["memory", "io"]
ToldBy = Literal["address", "select"]
SharedEntry = Literal["strict", "written"]
Verdict = Literal["agrees", "mismatch", "unknown", "stale", "disagrees", "skipped"]

WRITES = ("write", "io-write", "dma-write")
READS = ("read", "opcode-fetch", "io-read", "dma-read")
NEITHER = ("int-ack", "refresh", "idle", "halt")


@dataclass(frozen=True)
class Region:
    """The addresses that one chip select answers for; `end` is inclusive."""

    name: str
    start: int
    end: int
    kind: Kind = "ram"
    image: Sequence[int] | None = None
    """One word per address from `start` on (bytes will do where data is eight wide). Only a ROM may have one."""
    space: Space = "memory"
    lanes: int | None = None
    """Mask of the data lanes that the region's chips hold; all of them if None."""


@dataclass(frozen=True)
class Access:
    """One transfer, in the order of sampling edges."""

    kind: str
    """A kind of the contract; see WRITES, READS and NEITHER. The io kinds are in the io space whatever `space` says."""
    address: int
    data: int = 0
    address_unknown: int = 0
    data_unknown: int = 0
    """Bits that were x, z, unsettled or not wired."""
    space: Space = "memory"
    after_gap: bool = False
    """Samples are missing just before this access."""
    selected: frozenset[int] | None = None
    """With told_by='select': the regions whose selects were seen active; None where the clips did not tell."""


@dataclass(frozen=True)
class Choices:
    """Readings that the design leaves open. The defaults never accuse sound memory."""

    shared_entry: SharedEntry = "strict"
    """What a first write to an entry of several cells teaches.

    strict: any of the cells may have taken it and the others are as unknown as before, so nothing becomes known.
    written: the entry is taken to hold only what was seen written to it. This can accuse sound memory whose
    contents date from before the capture.
    """
    stale_right_is_compared: bool = True
    """Whether the read that makes stale bits known again is itself counted as compared."""


@dataclass(frozen=True)
class Judgement:
    """What the ledger says of one access. Masks and values are over data bits."""

    verdict: Verdict
    """'skipped' for everything that is not judged: writes, io, outside, reads at a doubtful address, other kinds."""
    region: int = -1
    expected: int = 0
    """Levels of the bits in `known` and `stale`; other bits are 0."""
    known: int = 0
    """Bits that the ledger knew just before the access."""
    stale: int = 0
    """Bits that it had known before a gap and not since."""
    compared: int = 0
    """Bits that were held against the ledger: known in it and read without doubt (or confirmed by this read)."""
    mismatch: int = 0
    """Compared bits that read wrong."""


@dataclass
class LaneCount:
    """One lane of one region."""

    lane: str
    compared: int = 0
    low_for_high: int = 0
    high_for_low: int = 0


@dataclass
class RegionCount:
    """One region, under the names of the contract's JSON."""

    name: str
    writes: int = 0
    reads: int = 0
    reads_compared: int = 0
    mismatches: int = 0
    reads_unknown: int = 0
    reads_stale: int = 0
    reads_disagree: int = 0
    lanes: list[LaneCount] = field(default_factory=list)


@dataclass(frozen=True)
class Result:
    """All that the ledger has to say."""

    judgements: list[Judgement]
    regions: list[RegionCount]

    @property
    def mismatch_total(self) -> int:
        """The contract's sum over regions."""
        return sum(region.mismatches for region in self.regions)
