"""The results, frozen, and their JSON form (``busledger.check/1``).

What ``check --json`` prints is ``CheckResult`` dumped by pydantic: field names
here *are* the contract's keys. Add to them freely; never change a meaning.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "CaptureFinding",
    "CaptureSummary",
    "CheckManyResult",
    "CheckResult",
    "Cleared",
    "CycleCounts",
    "Derailed",
    "LaneCounts",
    "NextStep",
    "Part",
    "PartSince",
    "ProgramFinding",
    "RegionCounts",
    "Suspect",
    "Unread",
    "WarningFinding",
    "WitnessFinding",
]

# A kind of fault is a row of the table in diagnosis/faults/kinds.py; a name here without a row there, or the other way
# round, fails the type check or tests/diagnosis/test_kinds.py.
PartFaultName = Literal[
    "stuck-low",
    "stuck-high",
    "floating",
    "bridged",
    "write-lost",
    "dead",
    "address-stuck",
    "address-bridged",
    "select-missing",
    "select-extra",
    "select-swapped",
    "direction-stuck",
    "coupled",
    "slow",
    "leaky",
    "no-answer",
    "unlisted",
]
# What explains mismatches without a bad part on the card.
RivalName = Literal[
    "clip-off",
    "clip-noisy",
    "clips-exchanged",
    "too-slow",
    "device",
    "read-only",
    "mirrored",
    "banked",
    "shared",
    "contents-lost",
    "other-image",
]
FaultName = Literal[PartFaultName, RivalName]
ScopeName = Literal["cell", "chip", "buffer", "bus", "region", "board", "decoder", "clip", "machine"]


class _Finding(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class WarningFinding(_Finding):
    """Something that makes the answer less sure: a code word, when, a sentence."""

    code: str
    time_s: float | None = None
    text: str


class CaptureFinding(_Finding):
    """The recording. ``resolution_s`` is the analyser's sample interval where the
    times lie on a grid, else the file's tick; ``samples`` counts rows of levels."""

    path: str
    duration_s: float
    channels: int
    samples: int
    resolution_s: float
    warnings: tuple[WarningFinding, ...] = ()


class CycleCounts(_Finding):
    """``total`` leaves out idle and refresh; ``by_kind`` counts them."""

    total: int
    by_kind: dict[str, int]
    rejected: int = 0


class LaneCounts(_Finding):
    """One data lane of a region; ``low_for_high`` = read low where high was expected."""

    lane: str
    compared: int
    low_for_high: int
    high_for_low: int


class RegionCounts(_Finding):
    """What the ledger counted in one region.

    What speaks for other traffic than the region's, or for a region that is not plain memory:
    ``reads_never_written`` are reads of cells that nobody was seen to write, ``reads_never_written_disagree`` those
    of them that differ from the read before; ``cells_never_right`` of the ``cells_compared`` never once read right;
    ``cells_read_unwritten`` were read before a write, ``cells_disagree`` read two ways without a write between.
    """

    name: str
    writes: int
    reads: int
    reads_compared: int
    mismatches: int
    reads_unknown: int
    reads_stale: int
    reads_disagree: int
    lanes: tuple[LaneCounts, ...] = ()
    reads_ambiguous: int = 0
    reads_never_written: int = 0
    reads_never_written_disagree: int = 0
    cells_compared: int = 0
    cells_never_right: int = 0
    cells_read_unwritten: int = 0
    cells_disagree: int = 0
    start: int | None = None
    end: int | None = None
    kind: str = "ram"
    inferred: bool = False


class Suspect(_Finding):
    """One fault of one component that would explain mismatches."""

    rank: int
    fault: FaultName
    scope: ScopeName
    component: str | None
    region: str | None
    lanes: tuple[str, ...] = ()
    address_lines: tuple[str, ...] = ()
    address: int | None = None
    intermittent: bool = False
    rate: float | None = None
    rate_95: tuple[float, float] | None = None
    probability: float
    explains: int
    contradicted: int
    summary: str
    evidence: tuple[str, ...] = ()
    place: int = Field(
        default=1,
        description="suspects of one place are alternatives of one another: their probabilities sum to at most 1, and "
        "each place is one thing that is wrong",
    )
    # Additions to the contract's keys.
    other_region: str | None = None
    tied_with: tuple[int, ...] = ()
    first_cycles: tuple[int, ...] = ()
    detail: dict[str, Any] = Field(
        default_factory=dict, description="more of the fault; told: what the bench has said (good, bad, replaced)"
    )


class Part(_Finding):
    """One part of the board: the chance that it is bad and, if it is, its likeliest fault with that fault's share."""

    component: str
    bad: float = Field(description="chance that it is bad, over all explanations; of a card they need not sum to 1")
    fault: FaultName | None = Field(default=None, description="its likeliest fault, if it is bad")
    share: float | None = Field(default=None, description="that fault's share of the ways in which it may be bad")


class PartSince(_Finding):
    """One part that was named in an earlier result, or is named now: what became of it.

    ``state``: ``gone`` (nothing fails where it did), ``still-there``, ``new``, ``not-tried`` (this run has no access in
    which it would have shown), ``in-doubt`` (reads fail where it did, and it is not what they are put down to).
    ``before``, ``now``: the chance that it is bad, None where the result gives none; ``failures`` of ``eligible``
    accesses in this run; ``proved``: 99 or 95 (per cent) where so clean a run proves the repair; ``more_eligible``:
    clean accesses still missing for 95 %. ``component`` is null where ``name`` is words, not a designator.
    """

    component: str | None
    name: str
    state: Literal["gone", "still-there", "new", "not-tried", "in-doubt"]
    before: float | None = None
    now: float | None = None
    failures: int = 0
    eligible: int = 0
    chance: float | None = None
    proved: Literal[95, 99] | None = None
    more_eligible: int | None = None
    text: str


class Cleared(_Finding):
    """A component that the capture shows working, with the evidence."""

    component: str
    lanes: tuple[str, ...] = ()
    evidence: str
    rate_below: float | None = None


class NextStep(_Finding):
    """What to do next, what to clip for it, and the expected gain in bits."""

    text: str
    clip: tuple[str, ...] = ()
    gain_bits: float | None = None


class Derailed(_Finding):
    """Where the machine left its road: the wrong read (or the first fetch from nowhere, or from
    RAM that nothing was written to) and where it then went on."""

    kind: Literal["return", "vector", "pointer", "fetch", "nowhere", "unwritten"]
    cycle: int = Field(description="index of the read to look at, as in cycles --csv")
    time_s: float
    address: int
    went_on_at: int
    went_on_cycle: int
    inferred: bool = Field(description="whether the bus did not tell the fetches and they were inferred")
    sentence: str


class WitnessFinding(_Finding):
    """Whether the processor took the bytes that the clips saw, as far as lengths and jumps tell.

    ``told``: instructions after which the next fetch could have shown another byte; ``agrees`` of them showed the
    clips' byte; ``lanes``: how often each data lane could be told. ``differs``: those that went on as after another
    byte, a sentence each for the first few; ``differs_lanes``: lanes of which one alone explains all of them.
    """

    instructions: int
    told: int
    agrees: int
    lanes: dict[str, int]
    differs: int = 0
    differs_lanes: tuple[str, ...] = ()
    sentences: tuple[str, ...] = ()


class ProgramFinding(_Finding):
    """What the program was doing. ``instructions``: how many were found; ``inferred``: the bus does not tell fetches.

    ``beginning``: how it began after a reset, where one was seen; ``derailed``: where it left its road, if it did.
    """

    processor: str
    instructions: int
    inferred: bool
    beginning: str = ""
    derailed: Derailed | None = None
    witness: WitnessFinding | None = None


class CheckResult(_Finding):
    """Everything ``check`` found. ``schema`` is version 1 of the contract.

    ``judged``: whether the capture could be judged at all; ``not_judged_because`` says why not, and then no part is
    accused and none cleared. ``since``: against an earlier result, where one was given; else empty.
    """

    schema_: Literal["busledger.check/1"] = Field(default="busledger.check/1", alias="schema")
    capture: CaptureFinding
    profile: str
    board: str | None
    cycles: CycleCounts
    regions: tuple[RegionCounts, ...]
    mismatch_total: int
    suspects: tuple[Suspect, ...] = ()
    parts: tuple[Part, ...] = Field(default=(), description="every part of the board file; empty if no read is wrong")
    unexplained: int = 0
    cleared: tuple[Cleared, ...] = ()
    coverage: dict[str, Any] = Field(default_factory=dict)
    next_steps: tuple[NextStep, ...] = ()
    checks: dict[str, Any] = Field(default_factory=dict)
    intermittence: dict[str, Any] = Field(default_factory=dict)
    judged: bool = True
    not_judged_because: str = ""
    since: tuple[PartSince, ...] = Field(default=(), description="what became of each part, with --before")
    active_low: tuple[str, ...] = Field(default=(), description="lines that sentences and tables mark: /RD")
    program: ProgramFinding | None = Field(default=None, description="what the program did, if it is followed")

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    def to_json(self) -> str:
        """The JSON text that ``--json`` prints, keys as in the contract."""
        return self.model_dump_json(by_alias=True, indent=2)


class CaptureSummary(_Finding):
    """One capture. ``start_s``: its start on the joint clock, seconds; ``rate``: wrong reads of the compared ones with
    its exact 95 % interval (Clopper and Pearson, 1934), None where none was compared."""

    path: str
    start_s: float
    duration_s: float
    cycles: int
    reads_compared: int
    mismatches: int
    rate: float | None
    rate_95: tuple[float, float] | None
    first_suspect: str | None
    warnings: int


class Unread(_Finding):
    """A capture that could not be read, and why."""

    path: str
    message: str


class CheckManyResult(_Finding):
    """Each capture, and all of them as one: ``joint`` has the rates and trends over the whole time."""

    schema_: Literal["busledger.check-many/1"] = Field(default="busledger.check-many/1", alias="schema")
    captures: tuple[CaptureSummary, ...]
    unread: tuple[Unread, ...] = ()
    starts_known: bool
    span_s: float
    cycles: int
    reads_compared: int
    mismatch_total: int
    captures_with_mismatches: int
    joint: CheckResult

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    def to_json(self) -> str:
        """The JSON text that ``--json`` prints."""
        return self.model_dump_json(by_alias=True, indent=2)
