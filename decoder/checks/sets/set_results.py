"""Several wired sets of one capture, and what lies between them (``busledger.sets/1``)."""

from __future__ import annotations

from typing import Any, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["AddressSpan", "BetweenResult", "CyclesDocument", "LaneBetween", "LineBetween", "SetEntry", "SetsResult"]

R = TypeVar("R", bound=BaseModel)


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class LaneBetween(_Frozen):
    """One data lane in the cycles that both sets saw.

    Of ``compared`` cycles the two levels differ in ``differ``: ``second_low`` times the second set's side is low where
    the first set's is high, ``second_high`` times the other way; in ``reads`` of the reads and ``writes`` of the
    writes. Where the sides are each other's opposite (``BetweenResult.inverted``) the first set's level is turned
    over before it is compared.
    """

    lane: str
    compared: int
    differ: int
    second_low: int
    second_high: int
    reads_compared: int
    reads: int
    writes_compared: int
    writes: int


class LineBetween(_Frozen):
    """An address line that alone differs in ``count`` cycles which are otherwise at the same time."""

    line: str
    count: int


class AddressSpan(_Frozen):
    """Addresses from ``start`` to ``end`` in which ``differ`` of ``compared`` data words differ."""

    start: int
    end: int
    compared: int
    differ: int


class BetweenResult(_Frozen):
    """Two sets' transfers paired by time.

    ``first_cycles`` and ``second_cycles`` count the transfers of each (no idle, refresh or acknowledge cycles).
    ``matched`` of them came at the same time, in the same direction, at the same address as far as both sets know it;
    ``other_address`` at the same time at another one (``address_lines``: where one line alone differs); the rest was
    seen on one side only, by kind. ``same_bus``: whether the pairs agree so far that the sets are two sides of one
    bus; only then ``data_compared`` words are compared and ``lanes`` filled. ``why_not`` says why nothing was
    compared. ``same_channels``: lanes that both sets take from one channel; they are not compared. ``data_outside``
    matched cycles lie outside the regions of a set's board file and are not compared, ``data_apart`` at addresses
    (``apart``) where the two sides have nothing in common while they do elsewhere: the driver between them is off
    there. ``spans`` are the other addresses at which words differ.
    """

    first: str
    second: str
    first_cycles: int
    second_cycles: int
    matched: int = 0
    other_address: int = 0
    address_lines: tuple[LineBetween, ...] = ()
    only_first: dict[str, int] = Field(default_factory=dict)
    only_second: dict[str, int] = Field(default_factory=dict)
    same_channels: tuple[str, ...] = ()
    same_bus: bool = False
    why_not: str | None = None
    by_time_alone: bool = False
    data_compared: int = 0
    data_outside: int = 0
    data_apart: int = 0
    data_differ: int = 0
    inverted: bool = False
    first_difference_s: float | None = None
    lanes: tuple[LaneBetween, ...] = ()
    spans: tuple[AddressSpan, ...] = ()
    apart: tuple[AddressSpan, ...] = ()


class CyclesDocument(_Frozen):
    """``busledger.cycles/1``: the rows of ``cycles --jsonl`` in one array. It is streamed, never built."""

    schema_: Literal["busledger.cycles/1"] = Field(alias="schema")
    cycles: tuple[dict[str, Any], ...]


class SetEntry(_Frozen, Generic[R]):
    """One wired set: its name, its bus, its board file's name, its wiring file, and the result as if it were alone.

    ``result`` is null where the set could not be judged; ``message`` then says why.
    """

    name: str
    profile: str
    board: str | None
    wiring: str | None
    message: str | None = None
    result: R | None = None


class SetsResult(_Frozen, Generic[R]):
    """Every set's result, in the order of the options; ``between`` holds each two of them against each other."""

    schema_: Literal["busledger.sets/1"] = Field(default="busledger.sets/1", alias="schema")
    command: str
    capture: str
    sets: tuple[SetEntry[R], ...]
    between: tuple[BetweenResult, ...] = ()

    def to_json(self) -> str:
        """The JSON text that ``--json`` prints."""
        return self.model_dump_json(by_alias=True, indent=2)
