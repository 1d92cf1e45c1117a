"""What the checks found, frozen, and their JSON forms (``busledger.selects/1`` …).

A hardware fault is a ``CheckFinding`` with its counts; the tables beside the
findings hold what they were drawn from. Times are seconds from the capture's
start; delays are nanoseconds, with the sampling's own uncertainty beside them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.findings import WarningFinding

__all__ = [
    "BufferResult",
    "BuffersResult",
    "ChannelHealth",
    "CheckFinding",
    "ClockFinding",
    "ControlCounts",
    "DecoderResult",
    "DelayHistogram",
    "LanePath",
    "LimitResult",
    "OutputResult",
    "ProbesResult",
    "RegionSelect",
    "RowResult",
    "SelectsResult",
    "TimingResult",
    "Weight",
    "worst_first",
]

Weight = Literal["fault", "doubt", "note"]


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    def to_json(self) -> str:
        """The JSON text that ``--json`` prints."""
        return self.model_dump_json(by_alias=True, indent=2)


class CheckFinding(_Result):
    """One thing found. ``weight``: a fault of the machine, a doubt about the capture, or a note.

    ``count`` of ``of`` chances showed it; ``component`` is the designator of
    the part it speaks of, ``lines`` the lines it was seen on, ``other`` what
    the same observations would fit as well.
    """

    code: str
    weight: Weight
    text: str
    component: str | None = None
    lines: tuple[str, ...] = ()
    region: str | None = None
    other_region: str | None = None
    lanes: tuple[str, ...] = ()
    count: int = 0
    of: int = 0
    first_time_s: float | None = None
    other: tuple[str, ...] = ()


class ParityBit(_Result):
    """A chip for a ninth bit: its lines, odd or even (None where that is not known), and what was looked at.
    ``lanes``: those of its byte; empty = all of the region's."""

    component: str
    region: str
    lanes: tuple[str, ...] = ()
    lines: tuple[str, ...]
    parity: Literal["odd", "even"] | None
    writes: int
    reads: int


class ParityResult(_Result):
    """The ninth bits whose lines are clipped."""

    bits: tuple[ParityBit, ...]
    findings: tuple[CheckFinding, ...]


def worst_first(findings: Iterable[CheckFinding]) -> tuple[CheckFinding, ...]:
    """Faults, then doubts, then notes; those of one weight stay in their order."""
    order: tuple[Weight, ...] = ("fault", "doubt", "note")
    return tuple(sorted(findings, key=lambda f: order.index(f.weight)))


class DelayHistogram(_Result):
    """Delays in bins: ``counts[k]`` lie around ``(first_bin + k) * bin_ns``; the last bin takes all above.

    Every delay is a difference of two sampled edges, so it is known to ± ``uncertainty_ns``.
    """

    bin_ns: float
    first_bin: int
    counts: tuple[int, ...]
    uncertainty_ns: float

    @property
    def total(self) -> int:
        """How many delays were measured."""
        return sum(self.counts)

    def quantile_ns(self, share: float) -> float | None:
        """The delay that ``share`` of them do not exceed, to one bin; None without any."""
        if not self.total:
            return None
        wanted, seen = max(share * self.total, 1.0), 0
        for place, count in enumerate(self.counts):
            seen += count
            if seen >= wanted:
                return (self.first_bin + place) * self.bin_ns
        return None


class RowResult(_Result):
    """One row of a truth table: levels as ``L``/``H`` in the order of the decoder's inputs and outputs.

    ``expected`` has ``?`` where an input that is not clipped decides.
    """

    inputs: str
    expected: str
    count: int
    wrong: int
    first_wrong_s: float | None = None


class OutputResult(_Result):
    """One decoder output. ``missing``: should have been active and was not; ``extra``: the reverse.

    Glitches *passing* are accounted for by the input combinations between two
    addresses; *unexplained* ones by none; *in_strobe* ones had a strobe around
    them, which is what makes them dangerous.
    """

    pin: str
    line: str
    moves: int
    judged: int
    missing: int
    extra: int
    called: int
    first_wrong_s: float | None
    glitches_passing: int
    glitches_unexplained: int
    glitches_in_strobe: int
    widest_glitch_ns: float
    glitch_widths: tuple[int, ...]
    late: int
    delay: DelayHistogram


class DecoderResult(_Result):
    """One decoder against its table."""

    designator: str
    part: str
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    through: tuple[str, ...]
    not_clipped: tuple[str, ...]
    rows_possible: int
    rows_seen: int
    rows: tuple[RowResult, ...]
    judged: int
    not_judged: int
    too_short: int
    two_at_once: int
    output_results: tuple[OutputResult, ...]


class RegionSelect(_Result):
    """A region's select over all cycles: own cycles, those of other regions, and those outside all.

    ``answered``: own reads that came back right, as no idle bus would have made them, with the select seen missing.
    """

    region: str
    select: str
    active_level: int
    cycles: int
    missing: int
    late: int
    extra: dict[str, int]
    outside: int
    answered: int = 0
    first_missing_s: float | None = None
    first_extra_s: float | None = None

    @property
    def data_came(self) -> bool:
        """Whether the data says that the select came all the same: a floating nibble is right once in 16 reads."""
        return self.answered >= 3 and self.answered >= 0.1 * self.missing


class SelectsResult(_Result):
    """``busledger.selects/1``: decoders and region selects."""

    schema_: Literal["busledger.selects/1"] = Field(default="busledger.selects/1", alias="schema")
    active_low: tuple[str, ...] = Field(default=(), description="lines that sentences and tables mark: /RD")
    decoders: tuple[DecoderResult, ...] = ()
    regions: tuple[RegionSelect, ...] = ()
    findings: tuple[CheckFinding, ...] = ()
    skipped: tuple[str, ...] = ()
    judged: bool = True
    not_judged_because: str = Field(default="", description="why the recording says nothing of the card here")


class ControlCounts(_Result):
    """A buffer's direction and enable against what the cycles ask for.

    Each pair is (wrong, of): ``reads_off`` reads of what it serves with the
    buffer off, ``reads_away`` pointing to the card; ``writes_off``,
    ``writes_toward`` likewise; ``elsewhere`` reads outside its regions in which it drives the CPU's side.
    ``overlaps`` and ``two_drivers`` were looked for in ``overlaps_of`` and ``two_drivers_of`` cycles, none where the
    clipped lines do not say whether it drives.
    """

    reads: int
    writes: int
    elsewhere_cycles: int
    reads_off: int
    reads_away: int
    writes_off: int
    writes_toward: int
    elsewhere: int
    overlaps: int
    longest_overlap_ns: float
    two_drivers: int
    overlaps_of: int = 0
    two_drivers_of: int = 0
    first_wrong_s: float | None = None


class LanePath(_Result):
    """One lane from side to side: in reads the far side feeds the near one, in writes the reverse."""

    lane: str
    near: str
    far: str | None
    reads: int
    reads_differ: int
    reads_low: int
    reads_high: int
    reads_kept: int
    writes: int
    writes_differ: int
    writes_low: int
    writes_high: int
    inverted: bool
    verdict: str
    first_wrong_s: float | None
    delay_to_cpu: DelayHistogram
    delay_to_card: DelayHistogram


class BufferResult(_Result):
    """One bus driver.

    ``undriven_reads`` of ``known_reads`` repeat the word that the bus carried before; ``undriven_by_chance`` would if
    the two had nothing to do with each other, and only more than that (``undriven_stands_out``) tells of no driver.
    """

    designator: str
    part: str
    kind: Literal["data", "address"]
    serves: tuple[str, ...]
    control: ControlCounts | None
    lanes: tuple[LanePath, ...]
    undriven_reads: int
    known_reads: int
    undriven_by_chance: float = 0.0
    undriven_stands_out: bool = False


class BuffersResult(_Result):
    """``busledger.buffers/1``."""

    schema_: Literal["busledger.buffers/1"] = Field(default="busledger.buffers/1", alias="schema")
    active_low: tuple[str, ...] = Field(default=(), description="lines that sentences and tables mark: /RD")
    buffers: tuple[BufferResult, ...] = ()
    findings: tuple[CheckFinding, ...] = ()
    skipped: tuple[str, ...] = ()
    judged: bool = True
    not_judged_because: str = Field(default="", description="why the recording says nothing of the card here")


class LimitResult(_Result):
    """One published limit, as measured. ``margin_ns`` is the worst case's distance from it, negative = violated.

    ``resolvable`` is false where the sampling cannot tell a pass from a
    violation; ``rate_needed_hz`` is then the rate that could. ``bounded``
    counts cycles whose value is known only to be at least what was measured.
    ``is_mean``: every value is the mean of many periods.
    """

    name: str
    meaning: str
    limit_ns: float | None
    limit_is: Literal["min", "max", "none"]
    source: str
    count: int
    min_ns: float | None
    p01_ns: float | None
    median_ns: float | None
    p99_ns: float | None
    max_ns: float | None
    uncertainty_ns: float
    margin_ns: float | None
    violated: int
    maybe: int
    bounded: int
    resolvable: bool
    rate_needed_hz: float | None
    extreme_cycles: tuple[int, ...]
    extreme_times_s: tuple[float, ...]
    histogram: DelayHistogram
    is_mean: bool = False
    region: str | None = None
    component: str | None = None
    grade: str | None = None


class TimingResult(_Result):
    """``busledger.timing/1``."""

    schema_: Literal["busledger.timing/1"] = Field(default="busledger.timing/1", alias="schema")
    active_low: tuple[str, ...] = Field(default=(), description="lines that sentences and tables mark: /RD")
    profile: str
    grade: str | None
    sample_ns: float | None
    limits: tuple[LimitResult, ...] = ()
    findings: tuple[CheckFinding, ...] = ()
    skipped: tuple[str, ...] = ()
    judged: bool = True
    not_judged_because: str = Field(default="", description="why the recording says nothing of the card here")


class ChannelHealth(_Result):
    """One channel of the capture. ``runts`` are pulses of one sample, ``pulses_of_two`` those of two;
    ``runts_anywhere``: the former come at any moment of the clock, as noise does, and not where drivers take turns
    (None: not known)."""

    channel: str
    line: str | None
    moves: int
    high_share: float
    unknown_share: float
    runts: int
    shortest_ns: float | None
    moves_only_with: tuple[str, ...] = ()
    fits_clock: bool | None = None
    verdict: str = "good"
    runts_anywhere: bool | None = None
    pulses_of_two: int = 0


class ClockFinding(_Result):
    """The clock channel: period, its spread, and the holes in it."""

    channel: str
    period_ns: float
    period_min_ns: float
    period_max_ns: float
    spread_ns: float
    edges: int
    dropouts: int
    first_dropout_s: float | None
    longest_dropout_s: float


class ProbesResult(_Result):
    """``busledger.probes/1``. ``proposed_wiring``: the text of a [wiring] table, where names say nothing;
    ``proposed_profile``: the bus that it is for, where none was given."""

    schema_: Literal["busledger.probes/1"] = Field(default="busledger.probes/1", alias="schema")
    active_low: tuple[str, ...] = Field(default=(), description="lines that sentences and tables mark: /RD")
    channels: tuple[ChannelHealth, ...] = ()
    clock: ClockFinding | None = None
    sample_ns: float | None = None
    seen_ns: float | None = Field(
        default=None, description="nanoseconds of the capture over which the channels were watched"
    )
    samples_per_half_clock: float | None = None
    rate_enough: bool | None = None
    glitch_bursts: int = 0
    proposed_wiring: str | None = None
    proposed_profile: str | None = None
    findings: tuple[CheckFinding, ...] = ()
    warnings: tuple[WarningFinding, ...] = ()
