"""Proposing a wiring from behaviour: unnamed channels to lines.

The steps, each resting on the one before: the clock or the strobes; the data lines (they move inside a
cycle); the direction (an address met again shows another value only in a write); the address bits by their
carries; the data bits by operands that turn up on the address bus; what is left by relation to the strobes.
Every guess carries a confidence and its reason; what stays undecided is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from decoder.capture import Capture
from decoder.wiring.controls import Controls, clocked_controls, strobed_controls
from decoder.wiring.lines_left import settle_lines
from decoder.wiring.traffic import Table, unpack

__all__ = ["Guess", "Proposal", "Wanted", "propose"]

_MOST_ROWS = 1_000_000
_LEAST_INSET_FS = 20e6  # strobes that end together may do so 20 ns apart


@dataclass(frozen=True, slots=True)
class Wanted:
    """The lines to find, by what they do; a name of None is a line the bus does not have.

    ``direction`` is high in a read; the others are asserted at the level that ``active_low`` says.
    ``request`` covers memory reads and writes, ``io_request`` those of ports, ``fetch`` marks opcode reads, ``refresh``
    comes between cycles. ``address`` and ``data`` are given from bit 0 up.
    """

    address: tuple[str, ...]
    data: tuple[str, ...]
    clock: str | None = None
    direction: str | None = None
    read: str | None = None
    write: str | None = None
    request: str | None = None
    io_request: str | None = None
    fetch: str | None = None
    refresh: str | None = None
    active_low: frozenset[str] = field(default_factory=frozenset)


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
    inset = round(max(_LEAST_INSET_FS / capture.tick_fs, 2 * (grid_ticks or 0.0)))
    table = Table.of(capture.time[rows], unpack(capture.levels[rows], channels), inset)
    found: Controls | None = None
    if wanted.direction is not None and wanted.clock is not None:
        found = clocked_controls(table, wanted.clock, wanted.direction, len(wanted.data))
    elif wanted.read is not None and wanted.write is not None:
        low = {line: line in wanted.active_low for line in (wanted.read, wanted.write)}
        found = strobed_controls(table, wanted.read, wanted.write, low, len(wanted.data))
    if found is None:
        return Proposal((), (), tuple(range(channels)), (*wanted.address, *wanted.data))
    settled = settle_lines(
        table,
        found,
        wanted.address,
        wanted.data,
        {
            "clock": None if wanted.clock in found.lines else wanted.clock,
            "request": wanted.request,
            "io_request": wanted.io_request,
            "fetch": wanted.fetch,
            "refresh": wanted.refresh,
        },
        wanted.active_low,
    )
    guesses = [Guess(*row) for row in settled.rows]
    guesses.sort(key=lambda g: (-g.confidence, g.line))
    taken = {g.channel for g in guesses} | set(settled.selects)
    left = tuple(c for c in range(channels) if c not in taken)
    have = {g.line for g in guesses}
    lines = [*wanted.address, *wanted.data, *(n for n in (wanted.clock, wanted.request, wanted.fetch) if n)]
    return Proposal(tuple(guesses), settled.selects, left, tuple(n for n in lines if n not in have))
