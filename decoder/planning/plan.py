"""``plan``: what to clip with few channels, pass by pass, and what each pass can show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from busledger.decoder.board import Board
from busledger.decoder.bus import Profile
from busledger.decoder.diagnosis import KINDS, PossibleFault, possible_faults
from busledger.decoder.errors import UsageError
from busledger.decoder.planning.choose import Choice, choose_lines, expected_gain, groups, merged
from busledger.decoder.planning.clips import ClipPoint, cautions_of, clip_points
from busledger.decoder.planning.question import EarlierSuspect, open_faults
from busledger.decoder.planning.sampling import SamplingNeed, sampling_needs
from busledger.decoder.planning.showing import cannot_show, shows, trigger
from busledger.decoder.planning.sight import Bench, Sight
from busledger.decoder.planning.strobes import shared_controls

__all__ = ["PlanClip", "PlanPass", "PlanRequest", "PlanResult", "make_plan"]

Why = Literal["strobe", "new", "shared"]


class _Finding(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class PlanRequest(_Finding):
    """``channels`` and ``rate_hz`` of the analyser; ``depth`` samples, None where it is not known."""

    channels: int = Field(ge=1)
    rate_hz: float = Field(gt=0)
    depth: int | None = Field(default=None, gt=0)
    question: str | None = None


class PlanClip(_Finding):
    """One channel: its line, why it is clipped, and where."""

    line: str
    why: Why
    points: tuple[ClipPoint, ...] = ()


class PlanPass(_Finding):
    """One pass. ``bits_before`` and ``bits_after``: what all passes joined so far are expected to tell."""

    number: int
    clips: tuple[PlanClip, ...]
    bits_before: float
    bits_after: float
    shows: tuple[str, ...]
    cannot: tuple[str, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines in the order of the clips."""
        return tuple(clip.line for clip in self.clips)


class PlanResult(_Finding):
    """The plan. ``faults``: open ones; ``apart``: groups of them that the whole plan tells apart; ``tied``:
    the likeliest faults that stay together, in words. Bits as in ``busledger.decoder.planning.choose``."""

    schema_: Literal["busledger.plan/1"] = Field(default="busledger.plan/1", alias="schema")
    active_low: tuple[str, ...] = Field(default=(), description="lines that sentences and tables mark: /RD")
    board: str
    profile: str
    question: str | None
    channels: int
    rate_hz: float
    depth: int | None
    depth_s: float | None
    faults: int
    apart: int
    open_bits: float
    bits: float
    shared_lines: tuple[str, ...]
    passes: tuple[PlanPass, ...]
    tied: tuple[str, ...]
    sampling: tuple[SamplingNeed, ...]
    trigger: str
    cautions: tuple[str, ...]


def make_plan(
    board: Board, profile: Profile, request: PlanRequest, suspects: Sequence[EarlierSuspect] | None = None
) -> PlanResult:
    """What to clip, computed from what each set of lines would tell of the open faults.

    Raises
    ------
    UsageError
        fewer channels than the strobes and one line need, or a question about nothing on the board.
    """
    bench = Bench.of(board, profile)
    every = possible_faults(board, profile.address_bits, profile.data_bits)
    faults = merged(bench, open_faults(board, every, request.question, suspects))
    shared = shared_controls(profile)
    room = request.channels - len(shared)
    if room < 1:
        raise UsageError(
            f"{request.channels} channels are too few for this bus",
            expected=f"{len(shared) + 1} or more: every pass needs {', '.join(shared)}",
        )
    choice = choose_lines(bench, faults, lambda taken: room - taken % room, given=frozenset(shared))
    passes = _passes(bench, faults, shared, choice, room)
    whole = groups(bench, faults, {*shared, *choice.lines})
    return PlanResult(
        board=board.name,
        profile=profile.name,
        question=request.question,
        channels=request.channels,
        rate_hz=request.rate_hz,
        depth=request.depth,
        depth_s=None if request.depth is None else request.depth / request.rate_hz,
        faults=len(faults),
        apart=len(whole),
        open_bits=choice.most,
        bits=choice.bits,
        shared_lines=shared,
        passes=passes,
        tied=_tied(board, faults, list(whole.values())),
        sampling=sampling_needs(profile, request.rate_hz),
        trigger=trigger(board, profile, request.question, shared),
        cautions=cautions_of(board),
    )


def _passes(
    bench: Bench, faults: Sequence[PossibleFault], shared: tuple[str, ...], choice: Choice, room: int
) -> tuple[PlanPass, ...]:
    """The lines cut into passes; channels left over in a later pass carry address lines and selects of the first
    one again, low lines before all, as the passes are paired with the first by what the processor asked for."""
    order = bench.lines()
    cuts = [sorted(choice.lines[k : k + room], key=order.index) for k in range(0, len(choice.lines), room)]
    address = [*bench.address.values(), *(r.select for r in bench.board.regions if r.select)]
    again = sorted((n for n in cuts[0] if n in address), key=address.index) if cuts else []
    made: list[PlanPass] = []
    known: set[str] = set(shared)
    bits = expected_gain(bench, faults, known)
    for number, new in enumerate(cuts, start=1):
        fill = tuple(again[: room - len(new)]) if number > 1 else ()
        alone, before = Sight(bench, {*shared, *new, *fill}), Sight(bench, known)
        known |= set(new)
        after = expected_gain(bench, faults, known)
        joined = Sight(bench, known)
        whys: list[tuple[str, Why]] = [(n, "strobe") for n in shared] + [(n, "new") for n in new]
        whys += [(n, "shared") for n in fill]
        made.append(
            PlanPass(
                number=number,
                clips=tuple(PlanClip(line=n, why=why, points=clip_points(bench, n)) for n, why in whys),
                bits_before=bits,
                bits_after=after,
                shows=shows(bench, alone, before, joined, number),
                cannot=cannot_show(bench, joined),
            )
        )
        bits = after
    return tuple(made)


_TIES = 6


def _tied(board: Board, faults: Sequence[PossibleFault], whole: list[list[int]]) -> tuple[str, ...]:
    """Groups of faults that no line of the plan parts, the likeliest first."""
    several = [members for members in whole if len(members) > 1]
    several.sort(key=lambda members: -sum(faults[i].prior for i in members))
    told = []
    for members in several[:_TIES]:
        names = [_words(board, faults[i]) for i in members[:4]]
        more = f" and {len(members) - 4} more" if len(members) > 4 else ""
        told.append("; ".join(names) + more)
    return tuple(told)


def _words(board: Board, fault: PossibleFault) -> str:
    where = fault.component or (board.regions[fault.regions[0]].name if len(fault.regions) == 1 else fault.scope)
    lanes = ",".join(f"D{b}" for b in range(32) if fault.lanes >> b & 1) if fault.lanes.bit_count() < 3 else ""
    lines = ",".join(f"A{b}" for b in fault.lines)
    return " ".join(
        part
        for part in (KINDS[fault.fault].short if fault.fault in KINDS else fault.fault, where, lanes, lines)
        if part
    )
