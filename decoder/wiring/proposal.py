"""Proposing a wiring from behaviour: unnamed channels to lines.

The steps, each resting on the one before: the clock or the strobes, the address latch, the data lines (they move
inside a cycle) and the direction, all at once, as whatever behaves most like memory; the address bits by their
carries; the data bits and high address bits by operands that turn up on the address bus; what is left by relation to
the strobes.
Every guess carries a confidence and its reason; what stays undecided is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from busledger.decoder.capture import Capture
from busledger.decoder.wiring.controls import Controls, find_controls
from busledger.decoder.wiring.lines_left import settle_lines
from busledger.decoder.wiring.traffic import Table, unpack
from busledger.decoder.wiring.wanted import Wanted

__all__ = ["Guess", "Proposal", "Wanted", "propose"]

_MOST_ROWS = 1_000_000
_LEAST_INSET_FS = 20e6  # strobes that end together may do so 20 ns apart


@dataclass(frozen=True, slots=True)
class Guess:
    """``channel`` (index into the signals) as ``line``; ``rivals`` are other channels that fit as well."""

    channel: int
    line: str
    confidence: float
    reason: str
    rivals: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposal:
    """Guesses by falling confidence; channels taken for selects; channels and lines that stay undecided."""

    guesses: tuple[Guess, ...]
    selects: tuple[int, ...]
    undecided: tuple[int, ...]
    missing: tuple[str, ...]

    def lines(self) -> Mapping[str, int]:
        """line → channel."""
        return {guess.line: guess.channel for guess in self.guesses}

    def toml(self, names: Sequence[str], sure: float = 0.5) -> str:
        """A [wiring] table that ``check`` takes; guesses below ``sure`` and undecided channels are comments."""
        rows = ["[wiring]"]
        for guess in sorted(self.guesses, key=lambda g: (g.confidence < sure, g.line)):
            mark = "" if guess.confidence >= sure else "# undecided: "
            rivals = f" (or {', '.join(_text(names[r]) for r in guess.rivals)})" if guess.rivals else ""
            rows.append(
                f"{mark}{guess.line} = {_text(names[guess.channel])}  # {guess.confidence:.2f}: {guess.reason}{rivals}"
            )
        rows += [f"# {_text(names[c])} looks like a select: it follows the high address bits" for c in self.selects]
        rows += [f"# {_text(names[c])} stays undecided" for c in self.undecided]
        rows += [f"# no channel found for {line}" for line in self.missing]
        return "\n".join(rows) + "\n"


def _text(name: str) -> str:
    """A TOML basic string: quotes, backslashes and control characters escaped."""
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c for c in escaped) + '"'


def propose(capture: Capture, channels: int, wanted: Wanted, grid_ticks: float | None = None) -> Proposal:
    """A wiring for a capture whose bit k is channel k.

    Parameters
    ----------
    capture
        All ``channels`` in their order, long enough for some thousand cycles; only the first rows are used.
    grid_ticks
        The analyser's sample interval; None for an event-driven capture.
    """
    rows = slice(0, _MOST_ROWS)
    high = unpack(capture.levels[rows], channels)
    best: tuple[Table, Controls] | None = None
    # Edges that belong together may lie a sample apart: data is read one or two samples before its strobe ends, as late
    # as it can be where memory is slow, earlier where it does not stay.
    for samples in (1.5, 0.75) if len(high) else ():
        inset = round(max(_LEAST_INSET_FS / capture.tick_fs, samples * (grid_ticks or 0.0)))
        table = Table.of(capture.time[rows], high, inset) if best is None else replace(best[0], inset=inset)
        controls = find_controls(table, wanted)
        if controls is not None and (best is None or controls.better_than(best[1])):
            best = table, controls
        if grid_ticks is None:
            break
    lines = tuple(dict.fromkeys([*wanted.others(), *wanted.address, *wanted.data]))
    if best is None:
        return Proposal((), (), tuple(range(channels)), lines)
    settled = settle_lines(*best, wanted)
    guesses = sorted((Guess(*row) for row in settled.rows), key=lambda g: (-g.confidence, g.line))
    taken = {g.channel for g in guesses} | set(settled.selects)
    have = {g.line for g in guesses}
    left = tuple(c for c in range(channels) if c not in taken)
    return Proposal(tuple(guesses), settled.selects, left, tuple(n for n in lines if n not in have))
