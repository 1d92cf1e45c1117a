"""Lines as the kernels see them: a word and a bit of ``Capture.levels``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import KIND_NAMES, READ_KINDS, WRITE_KINDS, Cycles, Layout, Profile, parse_condition
from busledger.decoder.capture import Capture

__all__ = [
    "READS",
    "WRITES",
    "Condition",
    "Pins",
    "RuleStrobes",
    "Setting",
    "conditions",
    "fresh_rows",
    "idle_condition",
    "kinds_of_regions",
    "merged",
    "pins",
    "relevant_mask",
    "rule_strobes",
    "sampled_grid",
    "skew_of",
    "ticks",
    "usual_pulses",
]

FEMTOSECONDS_PER_NS = 1_000_000
FINEST_SAMPLE_FS = 2 * FEMTOSECONDS_PER_NS
"""Times on a grid finer than 2 ns are a simulator's events: analysers of this kind take 500 million samples a second at
most (common practice)."""
# By kind of cycle: bool (kinds,).
READS, WRITES = (np.isin(np.arange(len(KIND_NAMES)), kinds) for kinds in (READ_KINDS, WRITE_KINDS))
FALSE_SAMPLE = 1.5
"""Samples up to which a pulse or a pause may be a false one, as the extractor of cycles takes it (``bus.windows``)."""
EVENT_BIN_NS = 5.0
"""Narrowest bin of the histograms, for captures that know each edge more finely; the limits of the profiles are whole
fives of nanoseconds. It bounds what is shown, not what is judged."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What every check must know of the capture.

    Attributes
    ----------
    names : lines in the order of their bits; ``clipped`` those that a channel carries
    words : 64-bit words a row
    tick_fs : femtoseconds a tick; ``grid_ticks`` the sample interval, None if there is no grid
    skew_ticks : how far two channels' edges may lie apart by sampling alone: two samples,
        one for when each was looked at and one for how late each channel is
    bin_ticks : width of a histogram bin, one sample where there is a grid
    """

    names: tuple[str, ...]
    clipped: frozenset[str]
    words: int
    tick_fs: int
    grid_ticks: float | None
    skew_ticks: int
    bin_ticks: int

    @classmethod
    def of(cls, layout: Layout, tick_fs: int, grid_ticks: float | None) -> Setting:
        """The setting of one capture under one layout."""
        names = tuple(layout.names)
        clipped = frozenset(name for name, column in zip(names, layout.select, strict=True) if column >= 0)
        grid = sampled_grid(grid_ticks, tick_fs)
        fine = ticks(EVENT_BIN_NS, tick_fs)
        width = fine if grid is None else max(round(grid), fine)
        words = max(1, (len(names) + 63) // 64)
        return cls(names, clipped, words, tick_fs, grid, skew_of(grid_ticks, tick_fs), max(1, width))

    @property
    def false_ticks(self) -> int:
        """Ticks up to which a pulse or a pause may be one false sample; 0 where nothing was sampled."""
        return 0 if self.grid_ticks is None else round(FALSE_SAMPLE * self.grid_ticks)

    def ns(self, count: float) -> float:
        """Ticks as nanoseconds."""
        return count * self.tick_fs / FEMTOSECONDS_PER_NS

    def seconds(self, count: int) -> float | None:
        """An absolute time in ticks as seconds; None for a negative one, which stands for never."""
        return None if count < 0 else count * self.tick_fs * 1e-15

    @property
    def sample_ns(self) -> float:
        """The sampling's own uncertainty of a difference of two edges, ns; 0 without a grid."""
        return self.ns(self.grid_ticks) if self.grid_ticks is not None else 0.0


@dataclass(frozen=True, slots=True)
class Pins:
    """Lines as arrays: ``word`` int64 and ``bit`` uint64, shape (k,)."""

    word: NDArray[np.int64]
    bit: NDArray[np.uint64]

    def __len__(self) -> int:
        return int(self.word.shape[0])


class RuleStrobes(NamedTuple):
    """Which strobe each of the profile's rules belongs to, for the span kernel.

    ``mask``, ``want`` as in ``Condition``; rule r has the terms ``low[r]:high[r]``; ``from_begin[r]``
    is true where the cycle counts from the strobe's beginning. A ``pause`` of so many ticks is no end of a strobe.
    """

    mask: NDArray[np.uint64]
    want: NDArray[np.uint64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    from_begin: NDArray[np.bool_]
    pause: int = 0


@dataclass(frozen=True, slots=True)
class Condition:
    """An OR of ANDs over levels: term i holds where ``levels & mask[i] == want[i]`` in every word.

    ``mask``, ``want``: uint64, shape (terms, words); no terms = never.
    """

    mask: NDArray[np.uint64]
    want: NDArray[np.uint64]


def sampled_grid(grid_ticks: float | None, tick_fs: int) -> float | None:
    """The sample interval in ticks; None for a capture that knows each edge more finely than an analyser does."""
    return grid_ticks if grid_ticks is not None and grid_ticks * tick_fs >= FINEST_SAMPLE_FS else None


def skew_of(grid_ticks: float | None, tick_fs: int) -> int:
    """How far two channels' edges may lie apart by sampling alone, ticks: two samples, 0 where nothing was sampled."""
    grid = sampled_grid(grid_ticks, tick_fs)
    return 0 if grid is None else 2 * math.ceil(grid)


def pins(names: Sequence[str], lines: Sequence[str]) -> Pins:
    """The arrays for ``lines``, each of which must be in ``names``."""
    numbers = np.asarray([names.index(line) for line in lines], np.int64)
    return Pins(numbers // 64, (numbers % 64).astype(np.uint64))


def relevant_mask(words: int, *groups: Pins) -> NDArray[np.uint64]:
    """uint64, shape (words,): a one for every line of the groups."""
    mask = np.zeros(words, np.uint64)
    for group in groups:
        for word, bit in zip(group.word, group.bit, strict=True):
            mask[word] |= np.uint64(1) << bit
    return mask


def fresh_rows(block: Capture) -> NDArray[np.bool_]:
    """bool, shape (n,): true on the first row after each gap that ends in this block."""
    fresh = np.zeros(len(block), np.bool_)
    for gap in block.gaps:
        row = int(np.searchsorted(block.time, gap.end, side="left"))
        if row < len(block):
            fresh[row] = True
    return fresh


def conditions(profile: Profile, setting: Setting) -> dict[str, Condition]:
    """Each strobe of the profile as a condition over levels.

    Only plain literals (the line at the moment looked at) are taken; a line that is
    not clipped counts as fulfilled, since the cycle that uses the strobe was found all the same.
    """
    return {strobe.name: _condition(strobe.when, profile, setting) for strobe in profile.strobes}


def idle_condition(profile: Profile, setting: Setting) -> Condition:
    """When the bus says itself that a cycle moves no data: what the lines show then need not be right."""
    parts = [_condition(rule.when, profile, setting) for rule in profile.rules if rule.kind == "idle"]
    return merged(parts, setting.words)


def rule_strobes(profile: Profile, setting: Setting) -> RuleStrobes:
    """The strobe conditions of all rules."""
    by_name = conditions(profile, setting)
    first = np.cumsum([0, *(c.mask.shape[0] for c in by_name.values())])
    place = {name: k for k, name in enumerate(by_name)}
    each = [place[rule.strobe] for rule in profile.rules]
    begins = {s.name: s.sample == "begin" for s in profile.strobes}
    every = merged(list(by_name.values()), setting.words)
    return RuleStrobes(
        every.mask,
        every.want,
        first[each].astype(np.int64),
        first[np.asarray(each) + 1].astype(np.int64),
        np.array([begins[rule.strobe] for rule in profile.rules], np.bool_),
        setting.false_ticks,
    )


def kinds_of_regions(cycles: Cycles) -> NDArray[np.intp]:
    """intp (k,): where a flat table of (regions and, last, none of them; kinds of cycle) holds each cycle's entry.

    Negative for cycles outside all regions, which counts from the table's end.
    """
    place = cycles.region.astype(np.intp)
    place *= len(KIND_NAMES)
    place += cycles.kind
    return place


def merged(parts: Sequence[Condition], words: int) -> Condition:
    """Any of ``parts``."""
    if not parts:
        return Condition(np.zeros((0, words), np.uint64), np.zeros((0, words), np.uint64))
    return Condition(np.concatenate([p.mask for p in parts]), np.concatenate([p.want for p in parts]))


def _condition(text: str, profile: Profile, setting: Setting) -> Condition:
    masks, wants = [], []
    for term in parse_condition(text):
        mask, want = np.zeros(setting.words, np.uint64), np.zeros(setting.words, np.uint64)
        for literal in term:
            line = literal.line
            if line not in setting.clipped and profile.lines[line].fallback in setting.clipped:
                line = str(profile.lines[line].fallback)
            if line not in setting.clipped or literal.place:
                continue
            position = setting.names.index(line)
            one = np.uint64(1) << np.uint64(position % 64)
            mask[position // 64] |= one
            if literal.asserted != profile.lines[line].active_low:
                want[position // 64] |= one
        if mask.any():
            masks.append(mask)
            wants.append(want)
    if not masks:
        return Condition(np.zeros((0, setting.words), np.uint64), np.zeros((0, setting.words), np.uint64))
    return Condition(np.stack(masks), np.stack(wants))


def ticks(ns: float, tick_fs: int) -> int:
    """Nanoseconds as ticks, rounded up."""
    return -int(-ns * FEMTOSECONDS_PER_NS // tick_fs)


def usual_pulses(pulses: Iterable[tuple[int, int]], *, anywhere: bool) -> int:
    """What a line of a kind shows that has no loose clip; ``pulses`` of each such line: of one sample, and of two.

    Of pulses that come at any moment of the clock (``anywhere``) those of one sample, on the middle line. Else those of
    two as well, for where drivers take turns a channel that is a little earlier or later than the others sees the
    shorter ones; and on the third line from above, for a status that comes over the data lines at each cycle's
    beginning moves some of them alone (8080: D1, D5 and D7 in a fetch; Intel, User's Manual, status word chart).
    """
    shown = sorted(one if anywhere else one + two for one, two in pulses)
    if not shown:
        return 0
    return shown[len(shown) // 2 if anywhere else max(len(shown) // 2, len(shown) - 3)]
